"""What a cook does, as data."""

from __future__ import annotations

import pytest
from foreign_grill import ForeignGrill

from coalminder.grill import Kettle, Scenario, demo
from coalminder.grill.scenario import (
    Charcoal,
    Disturbance,
    Food,
    LidLift,
    SetPointChange,
    Stir,
    Wood,
    apply,
    due,
    lid_open,
    set_point_at,
)

SCRIPT: tuple[Disturbance, ...] = (
    Wood(30.0, 0.08),
    LidLift(10.0, 5.0),
    SetPointChange(20.0, 100.0),
    Charcoal(40.0, 0.3),
    SetPointChange(60.0, 65.0),
    Food(50.0),
    Stir(55.0),
)


@pytest.mark.parametrize(("time_s", "off"), [(9.9, False), (10.0, True), (14.9, True), (15.0, False)])
def test_lid_is_off_for_as_long_as_it_says(time_s: float, off: bool) -> None:
    assert lid_open(SCRIPT, time_s) is off


def test_each_thing_is_due_once_and_in_order() -> None:
    seen = [item for second in range(100) for item in due(SCRIPT, float(second), second + 1.0)]
    assert sorted(seen, key=lambda item: item.at_s) == seen
    assert set(seen) == set(SCRIPT)
    assert len(seen) == len(SCRIPT)


@pytest.mark.parametrize(
    ("time_s", "wanted"), [(0.0, 93.0), (19.0, 93.0), (20.0, 100.0), (59.0, 100.0), (60.0, 65.0)]
)
def test_set_point_changes_when_asked(time_s: float, wanted: float) -> None:
    assert set_point_at(SCRIPT, time_s, 93.0) == wanted


def test_script_reaches_the_kettle() -> None:
    kettle = Kettle(pit_c=93.0)
    before = kettle.fuel_kg
    apply(kettle, SCRIPT, 0.0, 52.0)
    assert kettle.value("wood_kg") == pytest.approx(0.08 * 0.8)
    assert kettle.fuel_kg == pytest.approx(before + 0.3 * 0.95)
    assert kettle.value("food_kg") == 1.6


def test_script_needs_no_more_than_the_grill_protocol() -> None:
    grill = ForeignGrill()
    before = grill.fuel_kg
    assert len(apply(grill, SCRIPT, 0.0, 100.0)) == len(SCRIPT)
    assert grill.fuel_kg == pytest.approx(before + 0.3)


def test_demo_is_four_hours_with_two_lid_lifts_and_wood_twice() -> None:
    scenario = demo()
    kinds = [type(item) for item in scenario.disturbances]
    assert scenario.hours == 4.0
    assert kinds.count(LidLift) == 2
    assert kinds.count(Wood) == 2
    assert kinds.count(Food) == 1
    assert scenario.weather.at(0.0)[0] - 273.15 == pytest.approx(9.0)
    assert all(item.at_s < 4 * 3600.0 for item in scenario.disturbances)


def test_scenario_makes_fresh_kettles_that_differ_by_seed_only_in_sky_and_noise() -> None:
    scenario = Scenario("any", charcoal_kg=2.0, lit_frac=0.3, charcoal_moisture=0.1)
    one, same, other = scenario.kettle(1), scenario.kettle(1), scenario.kettle(2)
    for kettle in (one, same, other):
        kettle.advance(300.0, 0.3, 0.5)
    assert one.state == same.state
    assert one.state != other.state
    assert one.parameters == other.parameters
