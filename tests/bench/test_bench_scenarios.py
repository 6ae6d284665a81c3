"""The table of scenarios: what is drawn, that it repeats, and what the hash sees."""

import pytest

from coalminder.bench.digest import code_digest, hashed_modules
from coalminder.bench.scenarios import FUEL, SCENARIOS, SERVO, WEATHER, cook
from coalminder.grill.ranges import USUAL
from coalminder.grill.scenario import Food, LidLift, SetPointChange, Wood


def test_there_are_twenty_scenarios_of_four_hours_and_one_of_ten() -> None:
    assert len(SCENARIOS) == 20
    assert sorted(row.hours for row in SCENARIOS.values()) == [4.0] * 19 + [10.0]


@pytest.mark.parametrize("name", SCENARIOS)
def test_same_seed_same_cook_and_other_seed_another(name: str) -> None:
    assert cook(name, 3) == cook(name, 3)
    assert cook(name, 3).scenario != cook(name, 4).scenario


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_draw_lies_in_its_stated_range(name: str) -> None:
    row = SCENARIOS[name]
    kettle_ranges = {**USUAL, **SERVO, **row.kettle}
    for seed in range(5):
        made = cook(name, seed).scenario
        for key, span in kettle_ranges.items():
            owner = made.parameters if hasattr(made.parameters, key) else made.fittings
            default = getattr(type(owner)(), key)
            low, high = (span.low * default, span.high * default) if span.relative else (span.low, span.high)
            assert low - 1e-12 <= getattr(owner, key) <= high + 1e-12, key
        for key, (low, high) in {**WEATHER, **row.weather}.items():
            assert low <= getattr(made.weather, key) <= high, key
        for key, (low, high) in {**FUEL, **row.fuel}.items():
            assert low <= getattr(made, key) <= high, key


DISTURBED = [("lid", LidLift, 6), ("wood", Wood, 10), ("two_steps", SetPointChange, 2), ("fish", Food, 1)]


@pytest.mark.parametrize(("name", "kind", "count"), DISTURBED, ids=[row[0] for row in DISTURBED])
def test_scenario_does_what_its_name_says(name: str, kind: type, count: int) -> None:
    assert sum(isinstance(item, kind) for item in cook(name, 0).scenario.disturbances) == count


def test_fish_comes_cold_at_twenty_minutes_under_a_lifted_lid() -> None:
    people = cook("fish", 0).scenario.disturbances
    food = next(item for item in people if isinstance(item, Food))
    lift = next(item for item in people if isinstance(item, LidLift))
    assert food.temp_c <= 4.0
    assert lift.at_s == 1200.0
    assert lift.at_s < food.at_s < lift.at_s + lift.for_s


SAME = [
    ("x = 1", "x = 1  # a word", True),
    ("def f():\n    return 1\n", 'def f():\n    """What it does."""\n    return 1\n', True),
    ("x = 1", "x = 2", False),
    ("def f(a):\n    return a\n", "def f(a):\n    return a + 1\n", False),
]


@pytest.mark.parametrize(("one", "other", "same"), SAME, ids=["comment", "docstring", "number", "expression"])
def test_hash_sees_code_but_no_comments(one: str, other: str, same: bool) -> None:
    assert (code_digest([one]) == code_digest([other])) is same


def test_hash_covers_the_model_the_scenarios_and_the_score() -> None:
    names = {module.__name__ for module in hashed_modules()}
    assert {
        "coalminder.grill.equations",
        "coalminder.grill.kettle",
        "coalminder.grill.actuators",
        "coalminder.grill.parameters",
        "coalminder.grill.ranges",
        "coalminder.grill.weather",
        "coalminder.grill.scenario",
        "coalminder.bench.scenarios",
        "coalminder.bench.metrics",
    } <= names
