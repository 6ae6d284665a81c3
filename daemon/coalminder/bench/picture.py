"""A picture of one scenario: the pit and the lower vent under each controller, one seed, on one time axis."""

from __future__ import annotations

from pathlib import Path

import matplotlib

matplotlib.use("Agg")

import matplotlib.pyplot as plt

from coalminder.bench.metrics import CEILING_C, HIGH_K, LOW_K, SETTLED_S
from coalminder.bench.plant import foresee
from coalminder.bench.runner import TRACE_EVERY_S, Run
from coalminder.bench.scenarios import SCENARIOS, cook

# Okabe and Ito's colours for all eyes; also told apart by their dashes.
_LOOK: dict[str, tuple[str, str, float]] = {
    "hands": ("#999999", "-", 1.0),
    "on_off": ("#E69F00", ":", 1.0),
    "zn": ("#CC79A7", "--", 1.0),
    "simc": ("#0072B2", "-.", 1.2),
    "ours": ("#D55E00", "-", 1.8),
    "oracle": ("#000000", "-", 0.9),
}
_OTHERS = ("#009E73", "#56B4E9", "#F0E442", "#999999")


def draw(runs: list[Run], path: Path, seed: int = 0) -> None:
    """Draw the runs of `seed` (all of one scenario) that have a trace into the PNG `path`."""
    shown = [item for item in runs if item.seed == seed and item.trace[0]]
    if not shown:
        return
    name = shown[0].scenario
    the_cook = cook(name, seed)
    known = foresee(the_cook.scenario, seed)
    figure, (top, bottom) = plt.subplots(
        2, 1, figsize=(10.0, 6.5), sharex=True, height_ratios=(3, 1), layout="constrained"
    )
    minutes = [s / 60.0 for s in range(0, known.seconds, TRACE_EVERY_S)]
    aim = known.set_point_c[::TRACE_EVERY_S]
    top.fill_between(minutes, aim + LOW_K, aim + HIGH_K, color="#009E73", alpha=0.10, lw=0, label="band")
    top.axhline(CEILING_C, color="#B00020", lw=1.0, label="ceiling")
    top.axvline(SETTLED_S / 60.0, color="#666666", lw=0.8, ls=":", label="window opens")
    lid = known.lid[::TRACE_EVERY_S] > 0
    for minute, off in zip(minutes, lid, strict=True):
        if off:
            top.axvspan(minute, minute + TRACE_EVERY_S / 60.0, color="#56B4E9", alpha=0.35, lw=0)
    for number, item in enumerate(shown):
        colour, dash, width = _LOOK.get(item.controller, (_OTHERS[number % len(_OTHERS)], "-", 1.0))
        pit, lower, _ = item.trace
        at = minutes[: len(pit)]
        label = f"{item.controller} ({item.score.mae_c:.2f} K)"
        top.plot(at, pit, color=colour, ls=dash, lw=width, label=label)
        bottom.plot(at, [100.0 * max(v, 1e-4) for v in lower], color=colour, ls=dash, lw=width)
    top.margins(x=0.0)
    top.set_ylabel("pit, °C")
    top.set_ylim(min(60.0, float(aim.min()) - 25.0), 130.0)
    top.set_title(f"{SCENARIOS[name].title}: seed {seed} (in brackets the mean absolute error in the window)")
    top.legend(loc="lower right", fontsize=8, ncols=3)
    bottom.set_ylabel("lower servo, %")
    bottom.set_yscale("log")
    bottom.set_ylim(0.5, 110.0)
    bottom.set_xlabel("minutes since the lid went on the lit coals")
    figure.savefig(path, dpi=110)
    plt.close(figure)
