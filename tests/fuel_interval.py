"""How often the 90 % interval of 'charcoal lasts' holds: kettles drawn at random, fuel burnt to the end.

    PYTHONPATH=tests .venv/bin/python tests/fuel_interval.py [SEEDS]

At two hours the core says how many minutes the charcoal lasts; the truth is the charcoal then left over the
rate at which the next 90 minutes burn it. The core is told what was laid, as a cook knows it.
"""

from __future__ import annotations

import statistics
import sys
from dataclasses import replace

from coalminder.bench.controllers import Ours
from coalminder.bench.plant import Plant
from coalminder.bench.runner import Seen
from coalminder.bench.scenarios import cook
from coalminder.core import Config, fire

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
    rate = (left_kg - plant.kettle().fuel_kg) / 90.0
    true_min = left_kg / rate
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


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
