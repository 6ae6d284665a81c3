"""What `coalminder replay` prints: records, how they ran again, the fitted kettle, gains, what-ifs."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Column, Table

from coalminder.replay.facts import Facts, facts
from coalminder.replay.greybox import FAR_OFF_C, UNKNOWNS, GreyBox
from coalminder.replay.learned import Learned
from coalminder.replay.load import Loaded
from coalminder.replay.report import DEFECT, apart, degrees, number, tuning_rows
from coalminder.replay.tune import MS_UNHEARD, Tuning
from coalminder.replay.whatif import Score
from coalminder.units import METRIC, Units

FAR_OFF = (
    "this is no kettle of the model's kind, or the record tells it something wrong (air outside, charcoal, "
    "vents); believe neither figures nor intervals"
)


def tell_record(console: Console, item: Loaded, unit: Units = METRIC) -> None:
    """One record: length, steadiness, lid lifts, vent travel, and what was wrong with the file."""
    f = facts(item.series, item.config)
    share = None if f.in_band_frac is None else 100 * f.in_band_frac
    console.print(
        f"{item.name}: {f.hours:.2f} h, in the band {number(share, '.1f', ' %')}, mean error "
        f"{apart(f.mean_abs_c, unit)}, highest {degrees(f.peak_c, unit)}, "
        f"{len(f.lid_lifts)} lid lifts, lower vent {f.travel:.1f} strokes"
    )
    for remark in item.remarks:
        console.print(f"  note: {remark}")


def tell_records(console: Console, items: Sequence[Loaded], unit: Units = METRIC) -> None:
    """Several records side by side, a row each."""
    longest = max(len(item.name) for item in items)
    table = Table(
        Column("cook", min_width=min(longest, 40)),
        "hours",
        "in band",
        "mean error",
        "highest",
        "lid lifts",
        "strokes/h",
        "core",
        title="Cooks",
    )
    for item in items:
        f: Facts = facts(item.series, item.config)
        share = None if f.in_band_frac is None else 100 * f.in_band_frac
        table.add_row(
            item.name,
            f"{f.hours:.2f}",
            number(share, ".1f", " %"),
            apart(f.mean_abs_c, unit),
            degrees(f.peak_c, unit, ".0f"),
            str(len(f.lid_lifts)),
            f"{f.travel / max(f.hours, 1e-9):.2f}",
            "–" if f.food is None else degrees(f.food.peak_c, unit, ".0f"),
        )
    console.print(table)
    for item in items:
        for remark in item.remarks:
            console.print(f"{item.name}: note: {remark}")


def tell_replay(console: Console, item: Loaded, *, changed: bool) -> None:
    """Whether the decisions came out as recorded, and where they parted: 3 places if that was `changed`
    on purpose, else 8. Nothing for a record that was not run again.
    """
    a = item.again
    if a is None:
        return
    if a.same:
        told = f"all {a.steps} decisions are the recorded ones, bit for bit"
        console.print(f"{item.name}: {told}" + (f" ({a.gaps} gaps)" if a.gaps else ""))
        return
    console.print(
        f"{item.name}: {a.parted_steps} of {a.steps} decisions differ"
        + (f", {a.skipped} steps could not be run" if a.skipped else "")
        + f" ({item.why_parted or DEFECT})"
    )
    for d in a.differences[: 3 if changed else 8]:
        console.print(f"  step {d.n} ({d.now_s:.0f} s): {d.field} was {d.recorded}, is {d.now}")


def tell_kettle(console: Console, kettle: Learned) -> None:
    """The fitted kettle with its intervals, and what there is to doubt about it."""
    f = kettle.fit
    console.print(
        f"this kettle: k {f.model.k:.0f} K [{f.k.low:.0f} to {f.k.high:.0f}], lag {f.model.tau_s:.0f} s "
        f"[{f.tau_s.low:.0f} to {f.tau_s.high:.0f}], dead time {f.model.theta_s:.0f} s "
        f"[{f.theta_s.low:.0f} to {f.theta_s.high:.0f}] (90 % intervals); residual white p "
        f"{number(f.white_p, '.3f')}, "
        f"independent of the vents p {number(f.cross_p, '.3f')}"
    )
    tell_doubt(console, kettle)


def tell_doubt(console: Console, kettle: Learned) -> None:
    """What there is to doubt about the fitted kettle, and so about all that is reckoned with it."""
    if kettle.still:
        console.print(f"  the usual kettle's figures are taken: {kettle.still}")
    if kettle.doubt:
        console.print(f"  {kettle.doubt}")


def tell_tuning(console: Console, tuning: Tuning, unit: Units = METRIC) -> None:
    """Gains before and after, with those of the rules, and why these."""
    table = Table(
        "", "kp", "ki", "kd", "Ms", "mean error", "highest", "strokes/h", title="Gains, in the cook run again"
    )
    for row in tuning_rows(tuning, unit):
        table.add_row(*row)
    console.print(table)
    if not tuning.kettle.own:
        console.print(MS_UNHEARD)
    console.print(f"{tuning.why} ({tuning.tried} gains tried)")


def tell_physical(console: Console, name: str, box: GreyBox, unit: Units = METRIC) -> None:
    """The physical model fitted to the cook `name`, as multiples of the usual kettle."""
    table = Table("physical model", "times the usual kettle", "90 % interval", title=name)
    for unknown in UNKNOWNS:
        span = box.intervals[unknown.name]
        table.add_row(unknown.meaning, f"{box.times[unknown.name]:.2f}", f"{span.low:.2f} to {span.high:.2f}")
    console.print(table)
    console.print(f"  its pit is off by {apart(box.rms_c, unit, '.1f')} (root mean square)")
    if box.rms_c > FAR_OFF_C:
        console.print(f"  more than {apart(FAR_OFF_C, unit, '.0f')}: {FAR_OFF}")


def tell_what_if(
    console: Console, name: str, what: str, was: Score, now: Score, unit: Units = METRIC
) -> None:
    """The cook `name` as it was, and as it would have been with `what`."""
    console.print(
        f"{name}, what if {what}: mean error {unit.apart(was.mean_abs_c):.2f} -> "
        f"{apart(now.mean_abs_c, unit)}, highest {unit.shown(was.peak_c):.0f} -> "
        f"{degrees(now.peak_c, unit, '.0f')}, lower vent {was.travel_per_h:.1f} -> "
        f"{now.travel_per_h:.1f} strokes/h"
    )
