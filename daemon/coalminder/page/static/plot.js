// The plot: pit, set point and food over time, the band shaded, the ceiling a line. Drawn by uPlot.
"use strict";

class CookPlot {
  // box: where it goes. key: a list for the names of the lines.
  constructor(box, key, summary, table) {
    Object.assign(this, { box, key, summary, table });
    this.columns = { at_s: [] };
    this.unit = { temp: "°C", scale: 1, offset: 0 };
    this.band = null;
    this.reach_s = 0;
    this.plot = null;
    this.names = "";
    new ResizeObserver(() => this.resize()).observe(box);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.redraw());
  }

  // Everything again.
  history(columns) {
    this.columns = columns;
    this.draw();
  }

  // The newest rows; the first of them may be the last one again, with more in it.
  more(rows) {
    const all = this.columns;
    for (const name of Object.keys(rows)) if (!(name in all)) return; // a history with it comes next
    rows.at_s.forEach((at_s, i) => {
      const last = all.at_s.length - 1;
      if (last >= 0 && at_s < all.at_s[last]) return;
      const at = last >= 0 && at_s === all.at_s[last] ? last : last + 1;
      for (const name of Object.keys(all)) all[name][at] = rows[name]?.[i] ?? null;
    });
    if (rows.at_s.length) this.draw();
  }

  foods() { return Object.keys(this.columns).filter((name) => name.startsWith("food:")); }

  drawn() { return this.foods().slice(0, 4); } // more lines than that nobody tells apart

  shown(value) { return value === null || value === undefined ? null : this.unit.scale * value + this.unit.offset; }

  rows() { // indices that are in reach
    const at = this.columns.at_s;
    if (!this.reach_s || !at.length) return 0;
    const from = at[at.length - 1] - this.reach_s;
    let low = 0, high = at.length;
    while (low < high) { const mid = (low + high) >> 1; if (at[mid] < from) low = mid + 1; else high = mid; }
    return low;
  }

  data() {
    const from = this.rows();
    const temps = ["pit", "set_point", ...this.drawn()];
    return [this.columns.at_s.slice(from),
      ...temps.map((name) => (this.columns[name] ?? this.columns.at_s.map(() => null)).slice(from).map((v) => this.shown(v)))];
  }

  draw() {
    const names = JSON.stringify([this.drawn(), this.unit.temp]);
    if (names !== this.names) { this.names = names; this.drawKey(); this.build(); } else if (this.plot) this.plot.setData(this.data());
    this.describe();
  }

  redraw() { this.build(); }

  resize() {
    const width = this.box.clientWidth;
    if (this.plot && width && width !== this.plot.width) this.plot.setSize({ width, height: this.height(width) });
  }

  height(width) { return Math.round(Math.min(340, Math.max(220, width * 0.62))); }

  colour(name) {
    const swatch = this.key.querySelector(`[data-line="${name}"]`);
    return swatch ? getComputedStyle(swatch).color : getComputedStyle(this.box).color;
  }

  build() {
    if (this.plot) { this.plot.destroy(); this.plot = null; }
    const width = this.box.clientWidth;
    if (!width || !this.key.firstChild || typeof uPlot === "undefined") return; // uPlot comes last: half of all bytes
    const ink = this.colour("pit"), edge = this.colour("edge");
    const dashes = [[10, 5], [3, 4], [12, 4, 3, 4], [6, 3]];
    const axis = { stroke: ink, font: "14px system-ui, sans-serif", grid: { show: false }, ticks: { stroke: edge, width: 1, size: 5 } };
    this.plot = new uPlot({
      width, height: this.height(width),
      legend: { show: false }, cursor: { show: false }, select: { show: false },
      padding: [10, 20, 0, 0],
      scales: { x: { time: true }, y: { range: (_u, low, high) => this.range(low, high) } },
      axes: [
        { ...axis, space: 70, size: (_u, texts) => (texts?.some((text) => text.includes("\n")) ? 52 : 34), values: (_u, ticks) => withDays(ticks) },
        { ...axis, size: 44, space: 26 },
      ],
      series: [
        {},
        { stroke: ink, width: 3, points: { show: false } },
        { stroke: ink, width: 1.5, dash: [2, 4], points: { show: false } },
        ...this.drawn().map((_name, i) => ({ stroke: this.colour(`food-${i + 1}`), width: 2.5, dash: dashes[i], points: { show: false } })),
      ],
      hooks: { drawClear: [(u) => this.shade(u)] },
    }, this.data(), this.box);
  }

  range(low, high) {
    const known = [low, high].filter((v) => v !== null && Number.isFinite(v));
    if (this.band) known.push(this.band.low, this.band.ceiling);
    if (!known.length) return [0, 100];
    const pad = 4 * this.unit.scale;
    return [Math.min(...known) - pad, Math.max(...known) + pad];
  }

  shade(u) {
    if (!this.band) return;
    const { left, top, width, height } = u.bbox, c = u.ctx, px = devicePixelRatio || 1;
    const y = (v) => Math.min(Math.max(u.valToPos(v, "y", true), top), top + height);
    c.save();
    c.fillStyle = this.colour("shade");
    c.fillRect(left, y(this.band.high), width, y(this.band.low) - y(this.band.high));
    c.strokeStyle = this.colour("edge");
    c.lineWidth = px;
    c.setLineDash([4 * px, 4 * px]);
    for (const v of [this.band.low, this.band.high]) { c.beginPath(); c.moveTo(left, y(v)); c.lineTo(left + width, y(v)); c.stroke(); }
    c.setLineDash([]);
    c.strokeStyle = this.colour("pit");
    c.lineWidth = 2 * px;
    c.beginPath(); c.moveTo(left, y(this.band.ceiling)); c.lineTo(left + width, y(this.band.ceiling)); c.stroke();
    c.fillStyle = this.colour("pit");
    c.font = `${13 * px}px system-ui, sans-serif`;
    c.textAlign = "left";
    c.textBaseline = "bottom";
    c.fillText("ceiling", left + 4 * px, y(this.band.ceiling) - 2 * px);
    c.textAlign = "right";
    c.fillText("band", left + width - 4 * px, y(this.band.low) - 2 * px);
    c.restore();
  }

  drawKey() {
    const lines = [["pit", "Pit", "pit", 3, ""], ["set", "Set point", "pit", 1.5, "2 4"],
      ...this.drawn().map((name, i) => [`food-${i + 1}`, foodName(name), `food-${i + 1}`, 2.5, ["10 5", "3 4", "12 4 3 4", "6 3"][i]]),
      ["edge", "Band", "edge", 0, ""]];
    this.key.replaceChildren(...lines.map(([line, text, style, width, dash]) => {
      const item = document.createElement("li"), swatch = document.createElement("span");
      swatch.className = `swatch ${style}`;
      swatch.dataset.line = line;
      swatch.append(width ? stroke(width, dash) : patch());
      item.append(swatch, text);
      return item;
    }));
  }

  // The same for those who do not see it, and as figures.
  describe() {
    const from = this.rows(), at = this.columns.at_s.slice(from);
    const pit = (this.columns.pit ?? []).slice(from);
    const lows = (this.columns.pit_low ?? []).slice(from).filter((v) => v !== null);
    const highs = (this.columns.pit_high ?? []).slice(from).filter((v) => v !== null);
    if (!at.length || !lows.length) { put(this.summary, "No temperatures yet."); return; }
    const show = (v) => `${Math.round(this.shown(v))}\u00a0${this.unit.temp}`;
    put(this.summary, `From ${moment(at[0])} to ${moment(at[at.length - 1])} the pit was between ` +
      `${show(Math.min(...lows))} and ${show(Math.max(...highs))}.` +
      (this.foods().length > this.drawn().length ? ` Drawn are the first ${this.drawn().length} foods; the figures have all.` : ""));
    if (!this.table.closest("details").open) return;
    const names = ["pit", ...this.foods(), "lower", "upper"].filter((n) => n in this.columns);
    const heads = names.map((n) => n === "pit" ? `Pit, ${this.unit.temp}` : n.startsWith("food:") ? `${foodName(n)}, ${this.unit.temp}` : `${n} vent, %`);
    this.table.tHead.replaceChildren(row("th", ["Time", ...heads]));
    const step = Math.max(1, Math.ceil(at.length / 15)), out = [];
    for (let i = at.length - 1; i >= 0; i -= step) {
      if (pit[i] === null && names.every((n) => this.columns[n][from + i] === null)) continue;
      out.push(row("td", [moment(at[i]), ...names.map((n) => {
        const v = this.columns[n][from + i];
        if (v === null) return "–";
        return n === "lower" || n === "upper" ? (100 * v).toFixed(1) : this.shown(v).toFixed(1);
      })]));
    }
    this.table.tBodies[0].replaceChildren(...out);
  }
}

function foodName(series) { return series === "food:food" ? "Food" : `Food: ${series.slice(5)}`; }

function row(kind, texts) {
  const tr = document.createElement("tr");
  texts.forEach((text) => {
    const cell = document.createElement(kind);
    if (kind === "th") cell.scope = "col";
    cell.textContent = text;
    tr.append(cell);
  });
  return tr;
}

function svg(name, attributes) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}

function stroke(width, dash) {
  const picture = svg("svg", { viewBox: "0 0 40 16", "aria-hidden": "true" });
  picture.append(svg("line", { x1: 0, y1: 8, x2: 40, y2: 8, class: "line", "stroke-width": width, "stroke-dasharray": dash || "none" }));
  return picture;
}

function patch() {
  const picture = svg("svg", { viewBox: "0 0 40 16", "aria-hidden": "true" });
  const shade = svg("rect", { x: 0, y: 1, width: 40, height: 14, fill: "currentColor", class: "shade" });
  shade.dataset.line = "shade";
  picture.append(shade);
  for (const y of [1, 15]) picture.append(svg("line", { x1: 0, y1: y, x2: 40, y2: y, class: "line", "stroke-width": 1, "stroke-dasharray": "4 4" }));
  return picture;
}

function clock(at_s) { return new Date(1000 * at_s).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" }); }

function day(at_s) { return new Date(1000 * at_s).toLocaleDateString([], { weekday: "short", day: "numeric", month: "short" }); }

// The name of its zone for a time of the hour that comes twice, in the night when the clocks go back.
function zone(at_s) {
  const west = (by_s) => new Date(1000 * (at_s + by_s)).getTimezoneOffset();
  if (![-3600, -1800, 1800, 3600].some((by_s) => west(by_s) - west(0) === by_s / 60)) return "";
  const parts = new Intl.DateTimeFormat([], { timeZoneName: "short" }).formatToParts(1000 * at_s);
  return ` ${parts.find((part) => part.type === "timeZoneName").value}`;
}

// A time for a person: with its day when that is not today.
function moment(at_s) {
  const time = clock(at_s) + zone(at_s);
  return day(at_s) === day(Date.now() / 1000) ? time : `${day(at_s)}, ${time}`;
}

// Times below the plot; a day under the first time of each, unless all are of today.
function withDays(ticks) {
  const today = day(Date.now() / 1000), days = ticks.map(day);
  if (days.every((one) => one === today)) return ticks.map(clock);
  return ticks.map((t, i) => (days[i] === days[i - 1] ? clock(t) : `${clock(t)}\n${days[i]}`));
}

function put(element, text) { if (element.textContent !== text) element.textContent = text; }
