"""How often the 90 % interval of 'charcoal lasts' holds: kettles drawn at random, fuel burnt to the end.

    PYTHONPATH=tests .venv/bin/python tests/fuel_interval.py [SEEDS]

At two hours (on grills of other making after one) the core says how many minutes the charcoal lasts; the
truth is the charcoal then left over the rate at which the next 90 minutes burn it. The core is told what was
laid and how warm it is outside, as a cook knows it.
"""

from __future__ import annotations

import statistics
import sys
from dataclasses import replace

from foreign_grill import OTHER_MAKING, ForeignGrill
from lump_kettle import KETTLES, LumpKettle

from coalminder.bench.controllers import Ours
from coalminder.bench.plant import Plant
from coalminder.bench.runner import Seen
from coalminder.bench.scenarios import cook
from coalminder.core import Config, fire, initial, step
from coalminder.events import Light
from coalminder.values import FireEstimate, Inputs, Reading
from coalminder.vents.curve import DEFAULT_CURVE

SCENARIOS = ("calm", "gusty", "rain", "sun", "leaky", "tight", "lean", "damp", "wood", "fish")


def ratio(scenario: str, seed: int) -> tuple[float, float, float]:
    """(low, middle, high) of what was told over what was true."""
    the_cook = cook(scenario, seed)
    plant = Plant(the_cook.scenario, the_cook.seed)
    air_c = the_cook.scenario.weather.ambient_c  # a cook knows it, or has a probe for it
    config = Config()
    ours = Ours(the_cook, replace(config, fire=replace(config.fire, ambient_c=air_c)))
    known = plant.known
    left_kg = told = None
    for second in range(12600):
        seen = Seen(second, plant.pit_c, float(known.set_point_c[second]), bool(known.lid[second]))
        plant.advance(*ours.tend(seen))
        if second == 7200:
            told = fire.estimate(ours._state.fire)
            left_kg = plant.kettle().fuel_kg
    assert told is not None
    assert left_kg is not None
    return _over(told, left_kg, left_kg - plant.kettle().fuel_kg, 90.0)


def other_ratio(name: str, told_s: int = 3600, for_s: int = 5400) -> tuple[float, float, float]:
    """The same of a grill of other making, told at `told_s`, the truth from the `for_s` after it."""
    grill: ForeignGrill | LumpKettle
    if name in KETTLES:
        grill, air_c = LumpKettle(KETTLES[name]), KETTLES[name].ambient_c
    else:
        grill, air_c = ForeignGrill(**{**OTHER_MAKING[name], "seed": 1}), 12.0  # type: ignore[arg-type]
    config = Config()
    laid = replace(config.fire, ambient_c=air_c, charcoal_kg=grill.fuel_kg)
    state = initial(replace(config, fire=laid))
    for second in range(told_s + for_s):
        if second == told_s:
            told, left_kg = fire.estimate(state.fire), grill.fuel_kg
        events = (Light(),) if second == 0 else ()
        state, decision = step(state, Inputs(pit=Reading(grill.pit_c()), events=events), float(second))
        grill.advance(1.0, DEFAULT_CURVE.position(decision.lower), DEFAULT_CURVE.position(decision.upper))
    return _over(told, left_kg, left_kg - grill.fuel_kg, for_s / 60.0)


def _over(told: FireEstimate, left_kg: float, burnt_kg: float, for_min: float) -> tuple[float, float, float]:
    true_min = left_kg * for_min / burnt_kg
    assert told.fuel_left_low_min is not None
    assert told.fuel_left_min is not None
    assert told.fuel_left_high_min is not None
    return (
        told.fuel_left_low_min / true_min,
        told.fuel_left_min / true_min,
        told.fuel_left_high_min / true_min,
    )


def main(seeds: int) -> None:
    """Print per scenario and in all."""
    every = []
    for scenario in SCENARIOS:
        found = [ratio(scenario, seed) for seed in range(seeds)]
        every += found
        middle = statistics.median(m for _, m, _ in found)
        held = sum(low <= 1.0 <= high for low, _, high in found)
        print(f"{scenario:8s} told / true {middle:.2f}  held {held}/{len(found)}")
    held = sum(low <= 1.0 <= high for low, _, high in every)
    print(f"all      told / true {statistics.median(m for _, m, _ in every):.2f}  held {held}/{len(every)}")
    others = [other_ratio(name) for name in (*OTHER_MAKING, *KETTLES)]
    held = sum(low <= 1.0 <= high for low, _, high in others)
    print(f"others   told / true {statistics.median(m for _, m, _ in others):.2f}  held {held}/{len(others)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
