"""Figures of docs/control.md: grills unlike the simulated kettle, and what each part is worth on them.

Run: python tests/foreign_figures.py [SEEDS] [--ablate | --plates] [--jobs N]

Each grill of `foreign_grill.OTHER_MAKING` is tended for 3 h with a lid lift and a piece of wood. Errors are
of the true pit from 45 min on, the minutes with the lid off included.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
from collections.abc import Callable
from dataclasses import dataclass
from statistics import mean, median

from foreign_grill import OTHER_MAKING, ForeignGrill

from coalminder.bench.ablate import VARIANTS
from coalminder.bench.metrics import HIGH_K, LOW_K, SETTLED_S
from coalminder.core import Config, initial, step
from coalminder.events import Acknowledge, Light
from coalminder.values import Inputs, Reading
from coalminder.vents.curve import DEFAULT_CURVE

SECONDS = 3 * 3600
LID_S, WOOD_S = range(5400, 5520), 7200

PLATES: dict[str, Callable[[float], float]] = {
    "round holes, as the curve says": DEFAULT_CURVE.opening,
    "slot": lambda position: position,
    "butterfly": lambda position: 1.0 - math.cos(0.5 * math.pi * position),
    "triangle": lambda position: position**2,
    "square-root": lambda position: position**0.5,
    "slot, shut over its first tenth": lambda position: max(0.0, (position - 0.1) / 0.9),
    "slot, shut over its first third": lambda position: max(0.0, (position - 0.33) / 0.67),
}
"""Share of its air that the lower vent lets through at a position, with the default curve in force."""


@dataclass(frozen=True)
class Course:
    """One cook: mean error in K, servo strokes, highest pit, share in the band, fire alive at the end."""

    error_c: float
    travel: float
    peak_c: float
    in_band_frac: float
    delay_s: float | None
    alive: bool


def cook(task: tuple[str, str, int]) -> Course:
    """`variant`: of the controller, or a plate under the lower vent."""
    variant, name, seed = task
    config = VARIANTS[variant](Config()) if variant in VARIANTS else Config()
    grill = ForeignGrill(**{**OTHER_MAKING[name], "seed": seed})  # type: ignore[arg-type]
    state, pit, travel = initial(config), list[float](), 0.0
    lower = upper = 0.0
    for second in range(SECONDS):
        if second == WOOD_S:
            grill.add_wood(0.08)
        events = (Light(),) if second == 0 else (Acknowledge(),) if second % 3600 == 0 else ()
        inputs = Inputs(pit=Reading(grill.pit_c()), events=events)
        state, decision = step(state, inputs, float(second))
        if second >= SETTLED_S:
            travel += abs(decision.lower - lower) + abs(decision.upper - upper)
        lower, upper = decision.lower, decision.upper
        flow = PLATES[variant](DEFAULT_CURVE.position(lower)) if variant in PLATES else lower
        grill.advance(1.0, flow, upper, second in LID_S)
        pit.append(grill.true_pit_c)
    window = [temp_c - config.set_point_c for temp_c in pit[SETTLED_S:]]
    return Course(
        mean(abs(error) for error in window),
        travel,
        max(pit),
        mean(LOW_K <= error <= HIGH_K for error in window),
        state.response.delay_s,
        grill.alive,
    )


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("seeds", nargs="?", type=int, default=2)
    words.add_argument("--ablate", action="store_true")
    words.add_argument("--plates", action="store_true")
    words.add_argument("--jobs", type=int, default=2)
    asked = words.parse_args()
    variants = [*PLATES] if asked.plates else ["nothing", *VARIANTS] if asked.ablate else ["nothing"]
    tasks = [(v, name, seed) for v in variants for name in OTHER_MAKING for seed in range(1, asked.seeds + 1)]
    with multiprocessing.get_context("forkserver").Pool(asked.jobs) as pool:
        courses = dict(zip(tasks, pool.map(cook, tasks, chunksize=2), strict=True))
    first = "plate" if asked.plates else "part off"
    print(f"| {first} | error, K | worst | in band, worst % | highest peak, C | travel | fires out |")
    print("|---|---|---|---|---|---|---|")
    for variant in variants:
        of = [course for (v, _, _), course in courses.items() if v == variant]
        print(
            f"| {variant} | {median(c.error_c for c in of):.2f} | {max(c.error_c for c in of):.2f} "
            f"| {100 * min(c.in_band_frac for c in of):.1f} | {max(c.peak_c for c in of):.0f} "
            f"| {median(c.travel for c in of):.1f} | {sum(not c.alive for c in of)} |"
        )
    if variants == ["nothing"]:
        print()
        for name in OTHER_MAKING:
            of = [course for (_, n, _), course in courses.items() if n == name]
            lags = ", ".join("none" if c.delay_s is None else f"{c.delay_s:.0f} s" for c in of)
            error_c, peak_c = mean(c.error_c for c in of), max(c.peak_c for c in of)
            print(f"{name}: error {error_c:.2f} K, peak {peak_c:.0f} C, delay {lags}")


if __name__ == "__main__":
    main()
