"""The picture of a cook (PNG), by matplotlib: pit and core over the band, vents below, phases named."""

from __future__ import annotations

import math
from pathlib import Path

from coalminder.rehearse.summary import Trace
from coalminder.units import METRIC, Units

_ROOM_C = 8.0  # over what is drawn highest


def draw(
    trace: Trace,
    path: Path,
    *,
    low_c: float,
    high_c: float,
    ceiling_c: float,
    title: str,
    units: Units = METRIC,
) -> None:
    """Write the picture of `trace` to `path`. Raises OSError when it cannot be written."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib.figure import Figure

    minutes = [t / 60.0 for t in trace.time_s]
    figure = Figure(figsize=(11.0, 6.5), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1.2))
    low, high, ceiling = (units.shown(temp_c) for temp_c in (low_c, high_c, ceiling_c))
    set_point, pit, core = (
        [units.shown(temp_c) for temp_c in column]
        for column in (trace.set_point_c, trace.pit_c, trace.core_c)
    )
    band = f"band {low:.0f}–{high:.0f} {units.temp}"
    above.axhspan(low, high, color="#2b7a4b", alpha=0.13, lw=0, label=band)
    above.axhline(
        ceiling, color="#8a1c1c", lw=1.2, ls=(0, (6, 3)), label=f"ceiling {ceiling:.0f} {units.temp}"
    )
    above.plot(minutes, set_point, color="#444", lw=1, ls=":", label="set point")
    above.plot(minutes, pit, color="#123f7a", lw=1.3, label="pit")
    above.plot(minutes, core, color="#a5561b", lw=1.6, ls="--", label="core")
    top = max([ceiling_c, *(pit_c for pit_c in trace.pit_c if math.isfinite(pit_c))]) + _ROOM_C
    above.set_ylim(units.shown(0.0), units.shown(top))
    _mark_lid(above, minutes, trace.lid_open, units.shown(4.0))
    for index, (phase, from_s) in enumerate(trace.phases):
        until_s = trace.phases[index + 1][1] if index + 1 < len(trace.phases) else trace.time_s[-1]
        above.axvline(from_s / 60.0, color="#999", lw=0.6)
        if until_s - from_s > 0.02 * trace.time_s[-1]:
            above.text(
                from_s / 60.0,
                units.shown(2.0),
                f" {phase}",
                fontsize=8,
                rotation=90,
                va="bottom",
                color="#333",
            )
    above.set_ylabel(f"temperature, {units.temp}")
    above.legend(loc="lower right", fontsize=9, ncols=3)
    above.set_title(title)
    below.step(
        minutes, [100.0 * x for x in trace.lower], color="#123f7a", lw=1.2, where="post", label="lower vent"
    )
    below.step(
        minutes,
        [100.0 * x for x in trace.upper],
        color="#777",
        lw=1.2,
        ls="--",
        where="post",
        label="upper vent",
    )
    below.set_ylabel("servo position, %")
    below.set_xlabel("time, min")
    below.set_ylim(-2.0, 102.0)
    below.legend(loc="upper right", fontsize=9)
    figure.savefig(path, dpi=110)


def _mark_lid(axes: object, minutes: list[float], lid_open: list[bool], height: float) -> None:
    start: float | None = None
    for minute, is_open in zip([*minutes, minutes[-1]], [*lid_open, False], strict=True):
        if is_open and start is None:
            start = minute
        elif not is_open and start is not None:
            axes.axvspan(start, minute, color="#c9a400", alpha=0.25, lw=0)  # type: ignore[attr-defined]
            axes.text(start, height, "lid off ", fontsize=8, ha="right", color="#6b5600")  # type: ignore[attr-defined]
            start = None
