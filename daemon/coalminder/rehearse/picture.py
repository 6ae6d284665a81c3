"""The picture of a cook (PNG), by matplotlib: pit and core over the band, vents below, phases named."""

from __future__ import annotations

import math
from pathlib import Path

from coalminder.rehearse.summary import Trace


def draw(trace: Trace, path: Path, *, low_c: float, high_c: float, ceiling_c: float, title: str) -> None:
    """Write the picture of `trace` to `path`. Raises OSError when it cannot be written."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib.figure import Figure

    minutes = [t / 60.0 for t in trace.time_s]
    figure = Figure(figsize=(11.0, 6.5), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1.2))
    above.axhspan(low_c, high_c, color="#2b7a4b", alpha=0.13, lw=0, label=f"band {low_c:.0f}–{high_c:.0f} °C")
    above.axhline(ceiling_c, color="#8a1c1c", lw=1.2, ls=(0, (6, 3)), label=f"ceiling {ceiling_c:.0f} °C")
    above.plot(minutes, trace.set_point_c, color="#444", lw=1, ls=":", label="set point")
    above.plot(minutes, trace.pit_c, color="#123f7a", lw=1.3, label="pit")
    above.plot(minutes, trace.core_c, color="#a5561b", lw=1.6, ls="--", label="core")
    _mark_lid(above, minutes, trace.lid_open)
    top = max([ceiling_c, *(pit for pit in trace.pit_c if math.isfinite(pit))]) + 8.0
    above.set_ylim(0.0, top)
    for index, (phase, from_s) in enumerate(trace.phases):
        until_s = trace.phases[index + 1][1] if index + 1 < len(trace.phases) else trace.time_s[-1]
        above.axvline(from_s / 60.0, color="#999", lw=0.6)
        if until_s - from_s > 0.02 * trace.time_s[-1]:
            above.text(from_s / 60.0, 2.0, f" {phase}", fontsize=8, rotation=90, va="bottom", color="#333")
    above.set_ylabel("temperature, °C")
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


def _mark_lid(axes: object, minutes: list[float], lid_open: list[bool]) -> None:
    start: float | None = None
    for minute, is_open in zip([*minutes, minutes[-1]], [*lid_open, False], strict=True):
        if is_open and start is None:
            start = minute
        elif not is_open and start is not None:
            axes.axvspan(start, minute, color="#c9a400", alpha=0.25, lw=0)  # type: ignore[attr-defined]
            axes.text(start, 4.0, "lid off ", fontsize=8, ha="right", color="#6b5600")  # type: ignore[attr-defined]
            start = None
