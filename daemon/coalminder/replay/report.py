"""The report of a cook: one HTML file without outside parts, and a PNG of the curves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from html import escape
from importlib import resources
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coalminder.core.config import Config, LoopConfig
from coalminder.replay.again import Again
from coalminder.replay.facts import GOAL_C, NO_HEAT, Belief, Facts, Span, food_facts
from coalminder.replay.food_story import Batch, FoodStory
from coalminder.replay.fopdt import Floats
from coalminder.replay.learned import Learned
from coalminder.replay.series import SETTLED_S, Series
from coalminder.replay.svg import Line, Mark, chart, clock
from coalminder.replay.tune import MS_UNHEARD, Tuning
from coalminder.replay.whatif import Outcome
from coalminder.units import METRIC, Units

DEFECT = "same version and settings: this is a defect, please keep the record and report it"
_STYLE = resources.files("coalminder.replay").joinpath("report.css").read_text("utf-8")
Mask = NDArray[np.bool_]
_CORES = (("l2", "#a2440b", "--"), ("l7", "#8a6d00", "-."), ("l8", "#3f6b1f", ":"))  # class, colour, dash


@dataclass(frozen=True)
class Report:
    """What a report shows; parts that are None are left out. residual: (time_s, K).

    why_parted: what explains that the replay differs, "" for a defect. cores: of each food probe by name
    (default: of the series). loops: gains that were in force, in order; none of another logger's are known.
    units: of what is shown.
    """

    name: str
    series: Series
    config: Config
    facts: Facts
    alarms: tuple[Span, ...] = ()
    again: Again | None = None
    why_parted: str = ""
    kettle: Learned | None = None
    tuning: Tuning | None = None
    residual: tuple[Floats, Floats] | None = None
    what_if: tuple[tuple[str, Outcome], ...] = ()
    fuel: Belief | None = None
    finish: Belief | None = None
    story: FoodStory | None = None
    started: datetime | None = None
    remarks: tuple[str, ...] = field(default_factory=tuple)
    cores: tuple[tuple[str, Floats], ...] = ()
    loops: tuple[LoopConfig, ...] = ()
    units: Units = METRIC

    @property
    def probes(self) -> tuple[tuple[str, Floats], ...]:
        """The food probes that showed something."""
        every = self.cores or (("", self.series.food_c),)
        return tuple((name, column) for name, column in every if np.isfinite(column).any())


def html(r: Report) -> str:
    """The page."""
    parts = [_head(r), _summary(r), _curves(r), _when(r)]
    parts += [_beliefs(r), _food(r), _learned(r), _tuned(r), _checked(r)]
    made = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    parts.append(
        f'<p class="note">Made {made}. Temperatures in {r.units.temp}. A report is a look back, not a safety '
        "check: figures for food defer to your local authority, and a core temperature counts only if the "
        "probe sat in the thickest part.</p></main></body></html>"
    )
    return "\n".join(part for part in parts if part)


def _head(r: Report) -> str:
    title = f"Cook {r.name}"
    began = f"<p>Started {r.started:%Y-%m-%d %H:%M} UTC.</p>" if r.started else ""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body><main>"
        f"<h1>{escape(title)}</h1>{began}"
    )


def _table(rows: Sequence[Sequence[str]], head: Sequence[str] = ()) -> str:
    def cell(tag: str, i: int, text: str) -> str:
        return f"<{tag}{' class=v' if i else ''}>{escape(text)}</{tag}>"

    heads = "".join(cell("th" if text else "td", i, text) for i, text in enumerate(head))
    top = f"<tr>{heads}</tr>" if head else ""
    body = "".join(
        "<tr>" + "".join(cell("td", i, text) for i, text in enumerate(row)) + "</tr>" for row in rows
    )
    return f'<div class="wide" tabindex="0"><table>{top}{body}</table></div>'  # scrolled by keyboard, too


def number(value: float | None, form: str = ".1f", unit: str = "") -> str:
    """A figure, or a dash where there is none."""
    return "–" if value is None or not np.isfinite(value) else f"{value:{form}}{unit}"


def degrees(temp_c: float | None, unit: Units, form: str = ".1f") -> str:
    """A temperature as a figure with its unit, or a dash."""
    return number(None if temp_c is None else unit.shown(temp_c), form, f" {unit.temp}")


def apart(kelvin: float | None, unit: Units, form: str = ".2f") -> str:
    """How far a temperature is from another one, or a dash."""
    return number(None if kelvin is None else unit.apart(kelvin), form, f" {unit.temp}")


def _band(r: Report) -> tuple[float, float]:
    return r.units.shown(r.config.low_c), r.units.shown(r.config.high_c)


def _column(r: Report, temps_c: Floats) -> Floats:
    """Temperatures as they are drawn."""
    return r.units.scale * temps_c + r.units.offset


def _summary(r: Report) -> str:
    f, unit = r.facts, r.units
    low, high = _band(r)
    share = None if f.in_band_frac is None else 100.0 * f.in_band_frac
    since = "after settling" if r.series.has_phases else f"after {SETTLED_S / 60.0:.0f} min"
    settled = None if f.settled_after_s is None else f.settled_after_s / 60.0
    rows = [
        ("Length", f"{clock(f.hours)} h"),
        (
            f"In the band {low:.0f}–{high:.0f} {unit.temp} {since}, lid on",
            number(share, ".1f", " %"),
        ),
        (f"Mean error {since}, lid on", apart(f.mean_abs_c, unit)),
        ("Settled after", number(settled, ".0f", " min")),
        ("Highest of the whole cook", degrees(f.peak_c, unit)),
        (f"Lowest {since}, lid on", degrees(f.lowest_c, unit)),
        ("Lid lifts", str(len(f.lid_lifts))),
        ("Alarms", str(len(r.alarms))),
        ("Lower vent moved in all", number(f.travel, ".1f", " strokes")),
    ]
    if r.loops:
        gains = (f"{loop.kp:.3g}, {loop.ki:.3g}, {loop.kd:.3g}" for loop in r.loops)
        rows.append(("Gains kp, ki, kd", "; then ".join(gains)))
    remarks = "".join(f'<p class="note">{escape(text)}</p>' for text in r.remarks)
    return _table(rows) + remarks


def _marks(r: Report) -> list[Mark]:
    marks = [Mark(s.from_s / 3600, "lid off", "lidoff", s.until_s / 3600) for s in r.facts.lid_lifts]
    marks += [Mark(s.from_s / 3600, s.label, "alarm", s.until_s / 3600) for s in r.alarms]
    marks += [Mark(s.from_s / 3600, s.label, "phase") for s in r.facts.phases if s.label]
    return marks


def _on_record(series: Series, outcome: Outcome, values: Floats) -> Floats:
    """A column of an outcome at the record's own times; NaN where the outcome has none."""
    return np.interp(series.time_s, outcome.time_s, values, left=np.nan, right=np.nan)


def _curves(r: Report) -> str:
    s = r.series
    hours = s.time_s / 3600.0
    lines = [
        Line("pit", "l1", _column(r, s.pit_c)),
        Line("set point", "l5", _column(r, s.set_point_c), steps=True),
    ]
    lines += [
        Line(f"core {name}".strip(), _CORES[i % len(_CORES)][0], _column(r, core_c))
        for i, (name, core_c) in enumerate(r.probes)
    ]
    if np.isfinite(s.dome_c).any():
        lines.append(Line("dome", "l3", _column(r, s.dome_c)))
    if np.isfinite(s.ambient_c).any():
        lines.append(Line("outside", "l4", _column(r, s.ambient_c)))
    out = "<h2>Temperatures</h2>" + chart(
        hours,
        lines,
        unit=r.units.temp,
        title="Temperatures over the cook",
        low=r.units.shown(0.0),
        band=_band(r),
        ceiling=r.units.shown(r.config.limits.ceiling_c),
        marks=_marks(r),
        gap_h=s.longest_gap_s / 3600.0,
    )
    ceiling = f"{r.units.limit(r.config.limits.ceiling_c)} {r.units.temp}"
    out += (
        f'<p class="note">Green: the band. Dashed rule: the ceiling, {ceiling}. '
        "Violet bars: lid off. Red bars: alarms.</p>"
    )
    out += "<h2>Vents</h2>" + chart(
        hours,
        [
            Line("lower vent", "l1", 100 * s.lower, steps=True),
            Line("upper vent", "l2", 100 * s.upper, steps=True),
        ],
        unit="%",
        title="Openings of the vents",
        height=190,
        low=0.0,
        high=100.0,
        marks=_marks(r),
        gap_h=s.longest_gap_s / 3600.0,
    )
    for name, outcome in r.what_if:
        pit_c, lower = _on_record(s, outcome, outcome.pit_c), _on_record(s, outcome, outcome.lower)
        out += f"<h2>What if: {escape(name)}</h2>" + chart(
            hours,
            [
                Line("pit as it was", "l1", _column(r, s.pit_c)),
                Line("pit as it would have been", "l6", _column(r, pit_c)),
            ],
            unit=r.units.temp,
            title=f"Pit with {name}",
            band=_band(r),
            gap_h=s.longest_gap_s / 3600.0,
        )
        out += chart(
            hours,
            [
                Line("lower vent as it was", "l1", 100 * s.lower, steps=True),
                Line("as it would have been", "l6", 100 * lower, steps=True),
            ],
            unit="%",
            title=f"Lower vent with {name}",
            height=150,
            gap_h=s.longest_gap_s / 3600.0,
        )
    return out


def _when(r: Report) -> str:
    rows = [
        (s.label, clock(s.from_s / 3600), f"{(s.until_s - s.from_s) / 60:.0f} min")
        for s in r.facts.phases
        if s.label
    ]
    rows = rows if len(rows) <= 40 else [*rows[:39], ("…", "", "")]
    out = "<h2>Phases</h2>" + _table(rows, ("phase", "from", "for")) if rows else ""
    if r.alarms:
        rows = [
            (s.label, clock(s.from_s / 3600), f"{(s.until_s - s.from_s) / 60:.1f} min") for s in r.alarms[:60]
        ]
        out += "<h2>Alarms</h2>" + _table(rows, ("alarm", "from", "for"))
    if r.facts.lid_lifts:
        rows = [
            ("lid off", clock(s.from_s / 3600), f"{s.until_s - s.from_s:.0f} s")
            for s in r.facts.lid_lifts[:60]
        ]
        out += "<h2>Lid lifts</h2>" + _table(rows, ("", "at", "for"))
    return out


def _beliefs(r: Report) -> str:
    out = ""
    for title, belief, ended in (
        ("Fuel: minutes left, as believed at the time", r.fuel, "the fire did not run out in this cook"),
        (
            r.units.words(f"Finish: minutes to {GOAL_C:g} °C in the core, as believed at the time"),
            r.finish,
            r.units.words(f"{GOAL_C:g} °C was not reached"),
        ),
        (
            "Finish: minutes until the food is done, as believed at the time",
            r.story.finish if r.story else None,
            "the done rule was not met in this record",
        ),
    ):
        if belief is None:
            continue
        lines = [
            Line("believed", "l1", belief.middle_min),
            Line("low", "l3", belief.low_min),
            Line("high", "l3", belief.high_min),
        ]
        if belief.happened_min is not None:
            lines.append(Line("what happened", "l6", belief.happened_min))
        top = belief.top_min
        out += f"<h2>{title}</h2>" + chart(
            belief.hours, lines, unit="min", title=title, height=190, low=0.0, high=top
        )
        cover = belief.coverage_frac
        told = (
            f"What came lay inside the interval {100 * cover:.0f} % of the time."
            if cover is not None
            else "No check: nothing was believed before it came."
            if belief.happened_min is not None
            else f"No check: {ended}."
        )
        if any(np.any(line.y > top) for line in lines):
            told += " What is higher than the chart is not drawn."
        out += f'<p class="note">{told}</p>'
    return out


def _story(r: Report) -> str:
    """What the person and the daemon said of the food."""
    if r.story is None:
        return ""
    s = r.story
    told = [("said", one) for one in s.reports] + [("reminded", one) for one in s.reminders]
    told.sort(key=lambda item: item[1].hours)
    words = r.units.words
    out = _table([(who, clock(one.hours), words(one.text)) for who, one in told], ("", "at", "what"))
    figures = [
        (f"Done rule ({words(batch.rule)}), met by measurement{_which(s, batch)}", _met(batch))
        for batch in s.batches
    ]
    figures += [
        ("Last word", words(s.reason)),
        (words("Lethality at the cold side, minutes at 70 °C"), number(s.lethality_min, ".1f", " min")),
    ]
    figures += [
        (words(c.text), f"{c.used_s / 60:.0f} of {c.limit_s / 60:.0f} min, {c.state} [{c.source}]")
        for c in s.clocks
    ]
    return out + _table(figures)


def _met(batch: Batch) -> str:
    if batch.done_hours is None:
        return "never in this record"
    return "before this record began" if batch.done_hours <= 0.0 else f"at {clock(batch.done_hours)}"


def _which(story: FoodStory, batch: Batch) -> str:
    """Of several batches the one that is meant."""
    return f", loaded at {clock(max(batch.loaded_hours, 0.0))}" if len(story.batches) > 1 else ""


NOBODY_SAID = (
    "That food was on the grill stands nowhere in this record. These are figures of a probe, and of food "
    "only if it was in it the whole time."
)


def _food(r: Report) -> str:
    if not r.probes:
        return "<h2>Food</h2><p>No core was read in this record.</p>" + _story(r)
    return (
        "<h2>Food</h2>"
        + ("" if r.story else f"<p>{NOBODY_SAID}</p>")
        + "".join(_measured(r, *part) for part in _batches(r))
        + _story(r)
        + '<p class="note">Sources: docs/food.md. Heat alone does not make smoked fish '
        "keep: salt and cold do.</p>"
    )


def _batches(r: Report) -> list[tuple[str, str, float, float, Mask]]:
    """Heading, words for its time, from when to when, in s, and the rows off the grill, of each batch; of the
    record without one.

    What a probe showed before its food was loaded was the grill's air, or the batch before.
    """
    time_s = r.series.time_s
    if r.story is None:
        return [("", "in this record", 0.0, np.inf, np.zeros(len(time_s), dtype=np.bool_))]
    starts = [3600.0 * batch.loaded_hours for batch in r.story.batches]
    ends = [*starts[1:], np.inf]
    return [
        (
            f"<h3>The batch{_which(r.story, batch)}</h3>" if len(starts) > 1 else "",
            "since it was loaded" if start >= 0.0 else "in this record",
            start,
            end,
            _off(batch, time_s),
        )
        for batch, start, end in zip(r.story.batches, starts, ends, strict=True)
    ]


def _off(batch: Batch, time_s: Floats) -> Mask:
    """Rows in which it was off the grill."""
    off = np.zeros(len(time_s), dtype=np.bool_)
    for from_h, until_h in batch.off_hours:
        off |= (time_s >= 3600.0 * from_h) & (time_s < 3600.0 * until_h)
    return off


def _measured(r: Report, heading: str, when: str, from_s: float, until_s: float, off: Mask) -> str:
    """What the food probes measured then, a column for each. Off the grill no heat counts: a probe that was
    pulled out lies in the grill's air, or anywhere; the time in danger goes on.
    """
    s, words = r.series, r.units.words
    rows = (s.time_s >= from_s) & (s.time_s < until_s)
    every = []
    for name, core_c in r.probes:
        whole = food_facts(s.time_s[rows], core_c[rows], s.longest_gap_s)
        heat = food_facts(s.time_s[rows], np.where(off, np.nan, core_c)[rows], s.longest_gap_s) or NO_HEAT
        every.append((name, whole and replace(heat, danger_min=whole.danger_min)))
    names, found = [n for n, f in every if f is not None], [f for _, f in every if f is not None]
    if not found:
        return heading + "<p>Next to no reading of the core.</p>"
    table = [
        ("Highest core", *(degrees(f.peak_c, r.units) for f in found)),
        (
            words("Longest unbroken time at 63 °C or more (rule: 30 min)"),
            *(number(f.over_63_min, ".0f", " min") for f in found),
        ),
        (
            words("Longest unbroken time at 71 °C or more (home rule: 30 min)"),
            *(number(f.over_71_min, ".0f", " min") for f in found),
        ),
        (
            words("Lethality, minutes at 70 °C, z 7.5 K (Listeria 6D: 2.0 min)"),
            *(number(f.lethality_min, ".1f", " min") for f in found),
        ),
        (words(f"Time between 5 and 57 °C {when}"), *(number(f.danger_min, ".0f", " min") for f in found)),
    ]
    return heading + _table(table, ("", *names) if any(names) else ())


def _learned(r: Report) -> str:
    if r.kettle is None:
        return ""
    fit = r.kettle.fit
    rows = [
        ("gain k, K per unit of ln(draught)", number(fit.model.k), f"{fit.k.low:.1f} – {fit.k.high:.1f}"),
        ("lag, s", number(fit.model.tau_s, ".0f"), f"{fit.tau_s.low:.0f} – {fit.tau_s.high:.0f}"),
        ("dead time, s", number(fit.model.theta_s, ".0f"), f"{fit.theta_s.low:.0f} – {fit.theta_s.high:.0f}"),
        ("k / lag, K/s", number(fit.model.slope_per_s, ".4f"), f"{fit.slope.low:.4f} – {fit.slope.high:.4f}"),
    ]
    out = "<h2>This kettle</h2>" + _table(rows, ("", "best", "90 % interval"))
    tests = [
        ("residual is white (Ljung–Box)", fit.white_p),
        ("residual is independent of the vents", fit.cross_p),
    ]
    out += _table(
        [
            (name, number(p, ".3f"), "passed" if p >= 0.01 else "failed: trust the model less")
            for name, p in tests
        ],
        ("test", "p", ""),
    )
    if r.kettle.still:
        out += f"<p>These are the usual kettle's figures: {escape(r.kettle.still)}.</p>"
    if r.kettle.doubt:
        out += f"<p>But {escape(r.kettle.doubt)}.</p>"
    if r.residual is not None:
        time_s, rest = r.residual
        out += chart(
            time_s / 3600.0,
            [Line("pit less what the model says", "l4", rest)],
            unit="K",
            title="Residual",
            height=150,
        )
    return out


def _tuned(r: Report) -> str:
    if r.tuning is None:
        return ""
    t = r.tuning
    table = _table(
        tuning_rows(t, r.units), ("", "kp", "ki", "kd", "Ms", "mean error", "highest", "strokes/h")
    )
    unheard = "" if t.kettle.own else f"<p>{escape(MS_UNHEARD)}.</p>"
    return f"<h2>Gains</h2><p>{escape(t.why)}.</p>" + table + unheard


def tuning_rows(t: Tuning, unit: Units = METRIC) -> list[tuple[str, ...]]:
    """Before, after and the published rules."""
    return [
        (
            c.name,
            f"{c.loop.kp:.3g}",
            f"{c.loop.ki:.3g}",
            f"{c.loop.kd:.3g}",
            f"{c.ms:.2f}",
            apart(c.score.mean_abs_c, unit),
            degrees(c.score.peak_c, unit, ".0f"),
            f"{c.score.travel_per_h:.2f}",
        )
        for c in (t.before, t.after, *t.others)
    ]


def _checked(r: Report) -> str:
    if r.again is None:
        return ""
    a = r.again
    if a.same:
        return f"<h2>Replay</h2><p>All {a.steps} decisions are the recorded ones, bit for bit.</p>"
    rows = [(str(d.n), d.field, *_short(d.recorded, d.now)) for d in a.differences]
    told = f"{a.parted_steps} of {a.steps} decisions differ"
    told += f", {a.skipped} steps could not be run" if a.skipped else ""
    told += f" ({r.why_parted or DEFECT})"
    return f"<h2>Replay</h2><p>{escape(told)}.</p>" + _table(rows, ("step", "field", "recorded", "now"))


def _short(recorded: object, now: object) -> tuple[str, str]:
    """Two values that differ, short enough for a phone; of nearly equal ones by how much."""
    was, new = (f"{value:.6g}" if isinstance(value, float) else f"{value}" for value in (recorded, now))
    if was == new and isinstance(recorded, float) and isinstance(now, float):
        new += f" ({now - recorded:+.1e})"
    return was, new


def _broken(hours: Floats, column: Floats, gap_h: float) -> tuple[Floats, Floats]:
    """For a curve that ends at a gap and begins again after it."""
    after = np.flatnonzero(np.diff(hours) > gap_h) + 1
    return np.insert(hours, after, hours[after - 1]), np.insert(column, after, np.nan)


def png(r: Report, path: Path) -> None:
    """The curves as a picture. Raises OSError."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib.figure import Figure

    s, gap_h = r.series, r.series.longest_gap_s / 3600.0
    hours = s.time_s / 3600.0
    figure = Figure(figsize=(11, 7), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1.3))
    low, high = _band(r)
    above.axhspan(low, high, color="#2b7a4b", alpha=0.14, lw=0, label="band")
    ceiling_c, unit = r.config.limits.ceiling_c, r.units.temp
    above.axhline(
        r.units.shown(ceiling_c),
        color="#8a1c1c",
        ls=(0, (6, 3)),
        lw=1.2,
        label=f"ceiling {r.units.limit(ceiling_c)} {unit}",
    )
    pit, set_point = _column(r, s.pit_c), _column(r, s.set_point_c)
    above.plot(*_broken(hours, pit, gap_h), color="#0b4a8f", lw=1.1, label="pit")
    above.plot(*_broken(hours, set_point, gap_h), color="#555", lw=1, ls=":", label="set point")
    for i, (name, core_c) in enumerate(r.probes):
        _, colour, dash = _CORES[i % len(_CORES)]
        core = _broken(hours, _column(r, core_c), gap_h)
        above.plot(*core, color=colour, lw=1.5, ls=dash, label=f"core {name}".strip())
    for name, outcome in r.what_if:
        pit = _column(r, outcome.pit_c)
        above.plot(outcome.time_s / 3600.0, pit, color="#8f0b3d", lw=1.0, label=f"what if: {name}")
        below.step(
            outcome.time_s / 3600.0,
            100 * outcome.lower,
            color="#8f0b3d",
            lw=0.9,
            where="post",
        )
    for span in r.facts.lid_lifts:
        above.axvspan(span.from_s / 3600, span.until_s / 3600, color="#7a4fb0", alpha=0.25, lw=0)
    above.set_ylabel(f"temperature, {unit}")
    above.set_title(f"Cook {r.name}")
    below.step(
        *_broken(hours, 100 * s.lower, gap_h), color="#0b4a8f", lw=1.1, where="post", label="lower vent"
    )
    below.step(
        *_broken(hours, 100 * s.upper, gap_h), color="#777", lw=1, ls="--", where="post", label="upper vent"
    )
    below.set_ylabel("opening, %")
    below.set_xlabel("time, h")
    figure.legend(loc="outside lower center", fontsize=9, ncols=4)  # in the axes it would cover curves
    figure.savefig(path, dpi=120)
