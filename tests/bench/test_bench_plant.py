"""The compiled plant against coalminder.grill.Kettle, its plain model."""

from dataclasses import replace

import numpy as np
import pytest

from coalminder.bench.plant import Plant
from coalminder.bench.scenarios import cook
from coalminder.grill import Scenario, demo
from coalminder.grill.parameters import Fittings
from coalminder.grill.scenario import Charcoal, Stir, Wood, apply, lid_open


def commands(second: int) -> tuple[float, float]:
    """Wide open for ten minutes, then small steps as a loop makes them."""
    if second < 600:
        return 1.0, 1.0
    return 0.04 + 0.03 * ((second // 90) % 3), 0.3 + 0.2 * ((second // 400) % 2)


SHORT_DEMO = replace(demo(1.1), weather=replace(demo().weather, rain_mm_per_h=3.0, sun_w_per_m2=300.0))
CASES = {
    "demo: food, lid lift, wood, rain, sun": SHORT_DEMO,
    "backlash and stiction": replace(
        SHORT_DEMO, fittings=Fittings(backlash_frac=0.03, stiction_frac=0.004, servo_strokes_per_s=0.4)
    ),
    "upper vent by hand": replace(SHORT_DEMO, fittings=Fittings(upper_fixed=0.4)),
    "charcoal laid on, ash stirred": Scenario(
        "fed",
        hours=0.8,
        disturbances=(Charcoal(900.0, 0.3), Charcoal(1200.0, 0.2, lit=True), Stir(1500.0), Wood(1500.0)),
    ),
    "a drawn kettle": replace(cook("leaky", 3).scenario, hours=0.6),
}


@pytest.mark.parametrize("scenario", CASES.values(), ids=CASES.keys())
def test_plant_shows_what_the_plain_kettle_shows(scenario: Scenario) -> None:
    plant, kettle = Plant(scenario, seed=7), scenario.kettle(7)
    furthest = 0.0
    for second in range(plant.known.seconds):
        now = float(second)
        apply(kettle, scenario.disturbances, now, now + 1.0)
        kettle.advance(1.0, *commands(second), lid_open(scenario.disturbances, now))
        plant.advance(*commands(second))
        furthest = max(
            furthest,
            abs(plant.pit_c - kettle.pit_c()),
            abs(plant.dome_c - kettle.dome_c()),
            abs(plant.true_pit_c - kettle.true_pit_c),
        )
    assert furthest < 1e-6
    assert np.allclose(plant.y, kettle.state.y, rtol=1e-9, atol=1e-9)
    assert plant.kettle().alive == kettle.alive
    assert plant.kettle().fuel_kg == pytest.approx(kettle.fuel_kg, abs=1e-9)


def test_plant_is_the_same_every_time() -> None:
    pits = []
    for _ in range(2):
        plant = Plant(cook("gusty", 1).scenario, seed=1)
        for _ in range(300):
            plant.advance(0.3, 0.5)
        pits.append(plant.pit_c)
    assert pits[0] == pits[1]
