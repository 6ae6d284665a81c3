// Puts what the page program says into the page. Words come from the program; nothing here decides anything.
// Texts only ever become text nodes.
"use strict";

const SILENT_S = 6; // the program speaks every 2 s; after so long without a word it is not reached
const BEHIND_S = 60; // what waits in a slow network is given up after so long, for what is so now
const plot = new CookPlot($("plot"), $("key"), $("plot-summary"), $("figures"));
const FORGOTTEN_S = 60; // a figure that was begun and not set gives way to what is so
let doc = null, heard = null, alive = null, source = null, opened = clockNow(), told = null, shouted = [], called = null, editing = false;

// Steady time that also counts while the phone sleeps.
function clockNow() { return { steady: performance.now(), wall: Date.now() }; }
function since(then) { return Math.max(performance.now() - then.steady, Date.now() - then.wall, 0) / 1000; }

// --- the stream ---------------------------------------------------------------------------------

function pause() { if (source) source.close(); source = null; }

function open() {
  pause();
  opened = clockNow();
  source = new EventSource("/events");
  on("clock", (clock_s) => hearClock(clock_s, true));
  on("history", (columns) => plot.history(columns));
  on("rows", (rows) => plot.more(rows));
  on("now", (now) => { doc = now; heard = alive; hearClock(doc.clock_s); render(); });
  source.addEventListener("bye", () => { pause(); leave(); });
  source.addEventListener("error", () => { if (source?.readyState === EventSource.CLOSED) whyClosed(); });
}

// Whatever comes shows that the program is reached; the plot of a long cook takes a slow network many seconds.
function on(name, deed) {
  source.addEventListener(name, (event) => { alive = clockNow(); deed(JSON.parse(event.data)); });
}

async function whyClosed() {
  try {
    const answer = await fetch("/", { redirect: "manual", cache: "no-store" });
    if (answer.type === "opaqueredirect") leave();
  } catch { /* not reached: the watch tries again */ }
}

function watch() {
  const quiet = alive ? Math.min(since(alive), since(opened)) : since(opened);
  const stuck = quiet > SILENT_S || Math.min(late(), since(opened)) > BEHIND_S;
  if (stuck && !document.hidden && !underWay && !out) open();
  renderTrust();
}

// How old the last word is by the program's clock: a slow network holds words back and gives them one by one.
function late() { return doc && ahead !== null ? Math.max(ahead + performance.now() / 1000 - doc.clock_s, 0) : 0; }

// --- rendering ----------------------------------------------------------------------------------

const MARKS = { live: "●", old: "◌", offline: "✕", no_broker: "✕", nothing: "…", unreached: "✕" };
const SHAPES = {
  inside: "M2 6h20M2 18h20M12 8.5a3.5 3.5 0 1 0 .01 0z", over: "M12 3 22 20H2z", under: "M12 21 2 4h20z",
  none: "M4 4 20 20M20 4 4 20",
};

function ago(seconds) {
  if (seconds < 90) return `${Math.round(seconds)} s ago`;
  if (seconds < 5400) return `${Math.round(seconds / 60)} min ago`;
  if (seconds < 172800) return `${(seconds / 3600).toFixed(1)} h ago`;
  return `${Math.round(seconds / 86400)} days ago`; // a cold grill's last word waits at the broker all winter
}

function renderTrust() {
  let kind = "nothing", text = "Waiting for the page's program.", age = null;
  if (doc) {
    const behind = Math.max(since(heard), late());
    ({ kind, text } = doc.trust);
    if (doc.trust.age_s !== null) age = doc.trust.age_s + behind;
    if (since(alive) > SILENT_S) { kind = "unreached"; text = "The page's program is not reached: network away? Trying again."; }
    else if (kind === "live" && age > doc.trust.old_after_s) {
      kind = "old";
      text = behind > doc.trust.age_s ? "The network is slow: words come late. Go and look." : "The daemon has gone silent. Go and look.";
    }
  } else if (since(opened) > SILENT_S) { kind = "unreached"; text = "The page's program is not reached. Trying again."; }
  if (out) { kind = "unreached"; text = "Logged out. Log in again."; }
  document.body.dataset.trust = kind;
  put($("trust-mark"), MARKS[kind]);
  put($("trust-text"), kind === "live" ? "Live" : (age === null ? text : `Old. ${text}`));
  put($("age"), age === null ? "" : (kind === "live" ? `Last word ${ago(age)}` : `Last word ${ago(age)}. What follows was so then.`));
  put($("trust-notes"), doc ? doc.trust.notes.join(" ") : "");
  const old = kind !== "live" && age !== null;
  document.body.toggleAttribute("data-old", old);
  $("pit-old").hidden = !old;
  const title = doc && doc.phase && !document.hidden ? `${kind === "live" ? "" : "old: "}${figure(doc.pit)} ${doc.phase.word}` : "";
  const asking = doc && !document.hidden ? doc.alarms.filter((alarm) => alarm.asks).length : 0;
  const name = doc ? doc.grill : "";
  const whole = `${asking ? `(${asking}) ` : ""}${title}${title ? " – " : ""}${name}`;
  if (whole && document.title !== whole) document.title = whole;
  renderCall();
}

const LINES_PX = 96; // a sentence longer than so many of its lines is seen when these are

// What must be seen and is not on the screen: told beside the snuff, where a tap leads to it.
function renderCall() {
  const floor = $("bar").getBoundingClientRect().top;
  const seen = (element) => { const { top, bottom } = element.getBoundingClientRect(); return bottom > 0 && Math.min(bottom, top + LINES_PX) <= floor; };
  const asking = doc ? doc.alarms.filter((alarm) => alarm.asks) : [];
  const first = document.querySelector("#alarm-list .asks .title");
  const old = document.body.hasAttribute("data-old") ? ", old" : "";
  let text = "", place = null;
  if (asking.length && first && !seen(first)) {
    const [{ priority, title }] = asking, [shape, word] = (PRIORITY[priority] ?? "▲ Alarm").split(" ");
    text = `${shape} ${asking.length > 1 ? `${asking.length} alarms` : word}${old}: ${title}`;
    place = first;
  } else if (["old", "offline", "no_broker", "unreached"].includes(document.body.dataset.trust) && !seen($("trust"))) {
    text = `${$("trust-mark").textContent} ${$("trust-text").textContent}`;
    place = $("trust");
  } else {
    const urgent = doc?.next?.find((item) => item.level !== "note" && item.text !== doc.trust.text);
    const line = urgent && [...$("next-list").children].find((li) => li.dataset.key === urgent.text);
    if (line && !seen(line)) {
      text = `${urgent.level === "alarm" ? "!!" : "!"}${old ? " old:" : ""} ${urgent.text}`;
      place = line;
    }
  }
  put($("call"), text);
  $("call").hidden = !text;
  called = place;
}

function figure(pit) { return pit && pit.figure !== null ? `${pit.figure.toFixed(0)} ${doc.unit.temp}` : "–"; }

function render() {
  renderAlarms();
  renderTrust();
  plot.unit = doc.unit;
  if (!doc.phase) { renderNothing(); return; }
  put($("phase-word"), `${doc.phase.word}.`);
  put($("phase-text"), doc.phase.text);
  put($("pit-figure"), doc.pit.figure === null ? "not known" : `${doc.pit.figure.toFixed(1)}\u00a0${doc.unit.temp}`);
  put($("pit-text"), doc.pit.text);
  $("pit-shape").setAttribute("d", SHAPES[doc.pit.shape]);
  plot.band = doc.band;
  plot.more(doc.rows);
  sync($("next-list"), doc.next, (item) => item.text, () => document.createElement("li"), (li, item) => {
    put(li, item.text);
    if (li.className !== item.level) li.className = item.level;
  });
  renderFacts();
  renderSetPoint();
  sync($("asks"), doc.asks, (ask) => ask.label, makeAsk, () => {});
}

// The program knows nothing of the grill, and figures of a time before must not stay.
function renderNothing() {
  put($("phase-word"), "Nothing heard yet");
  put($("pit-figure"), "–");
  for (const id of ["phase-text", "pit-text", "set-range"]) put($(id), "");
  for (const id of ["next-list", "facts", "asks"]) $(id).replaceChildren();
  $("pit-shape").setAttribute("d", "");
  plot.band = null;
}

// Keep elements of items that stay (and with them the focus); make, order and drop the others. When another
// button may have come under the thumb, all rest: the second of two taps was meant for the one before.
function sync(list, items, key, make, update) {
  const order = () => [...list.children].map((child) => child.dataset.key).join("\n"), before = order();
  const old = new Map([...list.children].map((child) => [child.dataset.key, child]));
  const names = items.map((item) => String(key(item)));
  for (const [name, child] of old) { // first: what stays needs not be moved then, which would take its focus
    if (names.includes(name)) continue;
    const focused = child.contains(document.activeElement);
    child.remove();
    if (focused) (list.closest("section") ?? document.body).focus({ preventScroll: true });
  }
  items.forEach((item, i) => {
    let child = old.get(names[i]);
    if (!child) { child = make(item); child.dataset.key = names[i]; }
    update(child, item);
    if (list.children[i] !== child) list.insertBefore(child, list.children[i] ?? null);
  });
  if (order() !== before) for (const button of list.querySelectorAll("button")) once(button, () => {}, SHOWN_MS);
}

const PRIORITY = { high: "▲ High", medium: "◆ Medium", low: "▬ Low" };

function renderAlarms() {
  const asking = doc.alarms.filter((alarm) => alarm.asks);
  put($("alarms-title"), `Alarms: ${doc.alarms.length || (doc.phase ? "none" : "not known yet")}`);
  sync($("alarm-list"), doc.alarms, (alarm) => alarm.code, makeAlarm, (li, alarm) => {
    li.className = alarm.asks ? "asks" : "";
    put(li.children[0], `${PRIORITY[alarm.priority] ?? "Alarm"}${alarm.first_out ? ", came first" : ""}${alarm.over ? ", now over" : ""}. ${alarm.title}`);
    put(li.children[1], alarm.remedy ? `${alarm.remedy}.` : "");
    put(li.children[2], alarm.since_s === null ? alarm.state : `Since ${moment(alarm.since_s)}, ${alarm.state}`);
    const button = li.querySelector("button");
    if (button.hidden === alarm.can_acknowledge) button.hidden = !alarm.can_acknowledge;
    button.setAttribute("aria-label", `Acknowledge: ${alarm.title}`);
  });
  put($("attend"), doc.alarms.some((alarm) => alarm.can_acknowledge) ? "I have looked: acknowledge all" : "I have looked at the grill");
  const now = new Map(asking.map((alarm) => [`${alarm.code} ${alarm.state}`, alarm]));
  const fresh = [...now].filter(([key]) => !told || !told.has(key)).map(([, alarm]) => alarm);
  told = new Set(now.keys());
  const words = fresh.map((alarm) => `Alarm${alarm.priority ? `, ${alarm.priority}` : ""}: ${alarm.title}. ${alarm.remedy}`).join(" ");
  if (words && $("confirm").open) put($("confirm-trouble"), words); // a question lies over all else, and mutes it
  if (words) { put($("shout"), words); shouted = fresh.map((alarm) => alarm.code); }
  else if (!shouted.every((code) => asking.some((alarm) => alarm.code === code))) { put($("shout"), ""); shouted = []; }
}

function makeAlarm(alarm) {
  const li = document.createElement("li");
  for (const name of ["title", "remedy", "state"]) {
    const p = document.createElement("p");
    p.className = name;
    li.append(p);
  }
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Acknowledge";
  button.addEventListener("click", () => acknowledge(button, (item) => item.code === alarm.code, "Acknowledge"));
  li.append(button);
  return li;
}

// Only what is on the screen now: what comes while this is on its way was not seen.
function acknowledge(button, which, label) {
  const seen = (doc ? doc.alarms : []).filter((alarm) => alarm.can_acknowledge && which(alarm));
  once(button, () => send("acknowledge", { shown: Object.fromEntries(seen.map((alarm) => [alarm.code, alarm.raised_s])) }, label), SHOWN_MS);
}

function renderFacts() {
  const rows = doc.temps.map((row) => [row.name, row.text, row.note]);
  if (doc.finish) {
    let text = doc.finish.text, note = doc.finish.note ?? "";
    if (doc.finish.at_s) text += `, at ${moment(doc.finish.at_s)}`;
    if (doc.finish.low_s) {
      const range = doc.finish.high_s
        ? `9 times in 10: between ${moment(doc.finish.low_s)} and ${moment(doc.finish.high_s)}`
        : `not before ${moment(doc.finish.low_s)}`;
      note = note ? `${range}; ${note}` : range;
    }
    rows.push(["Finish of the food", text, note]); // bold is read alone: no 'Food is done' over 'not cooking'
  }
  const [fuel, spread] = doc.fuel.split("; ");
  rows.push(["Charcoal lasts", fuel, spread ?? ""]);
  for (const vent of doc.vents) rows.push([vent.name, vent.text, ""]);
  for (const trouble of doc.machine) rows.push(["The machine", trouble, ""]);
  sync($("facts"), rows, (row) => row[0] + (row[0] === "The machine" ? row[1] : ""), () => {
    const div = document.createElement("div"), dd = document.createElement("dd"), note = document.createElement("span");
    note.className = "note";
    dd.append(document.createElement("span"), note);
    div.append(document.createElement("dt"), dd);
    return div;
  }, (div, [name, text, note]) => {
    put(div.children[0], name);
    put(div.children[1].children[0], text);
    put(div.children[1].children[1], note);
  });
}

function renderSetPoint() {
  put($("set-unit"), doc.unit.temp);
  put($("set-range"), `Now ${doc.set_point.now} ${doc.unit.temp}. From ${doc.set_point.least} to ${doc.set_point.most} ${doc.unit.temp}.`);
  if (editing && since(touched) > FORGOTTEN_S) { editing = false; put($("set-trouble"), ""); }
  if (!editing) $("set-input").value = String(doc.set_point.now);
}

function makeAsk(ask) {
  const li = document.createElement("li"), button = document.createElement("button");
  button.type = "button";
  button.className = "quiet";
  button.textContent = ask.label + (ask.confirm || ask.amount ? "…" : "");
  button.addEventListener("click", () => once(button, async () => {
    const fields = { ...ask.fields };
    if (ask.confirm || ask.amount) {
      const answer = await confirm({ title: `${ask.label}?`, text: ask.confirm, yes: ask.label, amount: ask.amount, option: ask.option });
      if (!answer) return false;
      if (ask.amount) fields.mass = answer.amount;
      if (ask.option) fields.lit = answer.tick;
    }
    await send(ask.kind, fields, ask.label);
    return true;
  }, SHOWN_MS));
  li.append(button);
  return li;
}

// --- what can be touched -------------------------------------------------------------------------

$("snuff").addEventListener("click", async () => {
  const answer = await confirm({
    title: "Snuff the fire?", yes: "Snuff", end: true,
    text: "Both vents shut and the fire goes out. It takes long to bring back. Leave the lid on: the coals stay hot for an hour or more.",
  });
  if (answer) send("snuff", {}, "Snuff");
});
$("call").addEventListener("click", () => {
  called?.scrollIntoView({ block: "start" });
  called?.closest("section")?.focus({ preventScroll: true });
  renderCall();
});
$("attend").addEventListener("click", () => acknowledge($("attend"), () => true, "Looked"));
$("logout").addEventListener("click", async () => { await send("logout", {}, "Log out"); location.assign("/login"); });
$("logout").hidden = document.querySelector('meta[name="login"]').content === "no";

let touched = clockNow();
function edit() { editing = true; touched = clockNow(); }
$("set-input").addEventListener("input", edit);
function nudge(by) {
  edit();
  const value = number($("set-input").value) ?? (doc && doc.set_point ? doc.set_point.now : 93);
  $("set-input").value = String(Math.round(value) + by);
}
$("set-less").addEventListener("click", () => nudge(-1));
$("set-more").addEventListener("click", () => nudge(1));
$("set-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const value = number($("set-input").value), limits = doc && doc.set_point;
  if (!limits || value === null || value < limits.least || value > limits.most) {
    put($("set-trouble"), limits ? `A number from ${limits.least} to ${limits.most} ${doc.unit.temp}.` : "Nothing heard of the grill yet.");
    $("set-input").focus();
    return;
  }
  put($("set-trouble"), "");
  await once($("set-now"), () => send("set_point", { temp: value }, `Set point ${value} ${doc.unit.temp}`));
  editing = false;
});

for (const radio of document.querySelectorAll('input[name="reach"]')) {
  radio.addEventListener("change", () => { plot.reach_s = Number(radio.value); plot.draw(); });
}
$("figures").closest("details").addEventListener("toggle", () => plot.describe());

$("theme").value = document.documentElement.dataset.theme ?? "";
$("theme").addEventListener("change", () => {
  const chosen = $("theme").value;
  if (chosen) document.documentElement.dataset.theme = chosen; else delete document.documentElement.dataset.theme;
  try { localStorage.setItem("theme", chosen); } catch { /* storage is forbidden: until the page is left */ }
  plot.redraw();
});

// A page that nobody sees gives its connection back: a browser has six for all of them.
document.addEventListener("visibilitychange", () => { if (document.hidden) pause(); else open(); renderTrust(); });
addEventListener("online", () => open());
for (const moved of ["scroll", "resize"]) addEventListener(moved, renderCall, { passive: true });
addEventListener("load", () => plot.redraw());
setInterval(watch, 1000);
open();
$("unready").remove();
