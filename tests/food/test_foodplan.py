"""The plan's JSON form and its range checks."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from coalminder.errors import UserError
from coalminder.food.exposure import Exposure
from coalminder.food.foodplan import FoodPlan, PlanStep
from coalminder.food.species import SPECIES, Species

PLAN = FoodPlan(
    name="char",
    species="char",
    scombroid=False,
    before=Exposure(1200.0, 600.0, False),
    steps=(
        PlanStep("load", "Load", "skin down", 1000.0, reported="loaded", sources=("practice",)),
        PlanStep("rotate", "Rotate", "turn", 4600.0, "loaded", 3600.0, "rotated"),
    ),
)


STEP = {"code": "x", "title": "X", "text": "do it", "due_s": 1.0}


def test_json_comes_back_the_same() -> None:
    assert FoodPlan.from_json(PLAN.to_json()) == PLAN


def test_times_move_to_another_clock() -> None:
    moved = PLAN.on_clock(unix_s=1000.0, now_s=50.0)
    assert [s.due_s for s in moved.steps] == [50.0, 3650.0]
    assert moved.steps[1].after_s == 3600.0


@pytest.mark.parametrize(
    "usual",
    [
        pytest.param({"start_c": 0.0}, id="fish from melting ice"),  # 0 °C at 1013 hPa, by definition once
        pytest.param({"start_c": 25.0}, id="fish that stood in the kitchen"),
        pytest.param({"fridge_c": 0.0}, id="a drawer for fish"),
        pytest.param({"ambient_c": -15.0}, id="a night of frost"),
        pytest.param({"ambient_c": 38.0}, id="a hot day"),
        pytest.param({"mass_kg": 0.05, "thickness_m": 0.008}, id="one small fillet"),
        pytest.param({"mass_kg": 12.0, "thickness_m": 0.09}, id="a whole side for a feast"),
        pytest.param({"set_point_c": 65.0}, id="a cool smoke"),
        pytest.param({"set_point_c": 118.0}, id="a hot one"),
    ],
)
def test_what_cooks_do_may_be_planned(usual: dict[str, float]) -> None:
    """Common practice."""
    plan = replace(PLAN, **usual)
    assert FoodPlan.from_json(plan.to_json()) == plan


@pytest.mark.parametrize(
    ("change", "words"),
    [
        pytest.param({"mass_kg": -1.0}, "0.02 to 50 kg", id="negative weight"),
        pytest.param({"thickness_m": 0.0}, "3 to 150 mm", id="0 mm"),
        pytest.param({"mass_kg": "much"}, "finite number", id="text"),
        pytest.param({"mass_kg": float("nan")}, "finite number", id="nan"),
        pytest.param({"rule": "by-smell"}, "home-71", id="unknown rule"),
        pytest.param({"scombroid": 1}, "true or false", id="number for a flag"),
        pytest.param({"weight": 1.0}, "unknown key 'weight'", id="unknown key"),
        pytest.param({"steps": [{"code": "x"}]}, "step 1", id="step without its keys"),
        pytest.param({"steps": [{**STEP, "sources": "practice"}]}, "a list of texts", id="text for a list"),
        pytest.param({"steps": [{**STEP, "sources": [1]}]}, "a list of texts", id="list of numbers"),
        pytest.param({"steps": [{**STEP, "title": 1}]}, "must be text", id="number for a text"),
        pytest.param({"steps": 5}, "'steps' must be a list", id="steps that are none"),
        pytest.param({"mass_kg": 10**400}, "finite number", id="a number beyond all"),
        pytest.param({"format": "other"}, "not a food plan", id="other format"),
        pytest.param({"set_point_c": 400.0}, "60 to 121 °C", id="400 °C"),
        pytest.param({"water_frac": 0.0}, "20 to 95 %", id="dry fish"),
        pytest.param({"rule": {"core_c": 20.0, "hold_min": -1.0}}, "must be text", id="a rule of one's own"),
        pytest.param({"done_rule": {"core_c": 20.0}}, "unknown key 'done_rule'", id="a rule beside it"),
        pytest.param(
            {"species": "chicken_breast", "rule": "guidance-63"},
            "accepted poultry-74",
            id="fish's rule, poultry",
        ),
        pytest.param({"species": "pork_loin"}, "accepted meat-71", id="fish's rule for pork"),
        pytest.param({"species": "", "rule": "guidance-63"}, "accepted home-71", id="food without a name"),
        pytest.param({"species": "unicorn"}, "plan.json: food 'unicorn' is unknown", id="food of no table"),
        pytest.param({"species": "mackerel"}, "'scombroid' must be true", id="histamine left out"),
        pytest.param(
            {"before": {"growth_s": -1e6}}, "growth_s -1e+06 s is out of range", id="time given back"
        ),
        pytest.param({"before": {"above_4_s": -1.0}}, "0 to ", id="the same for histamine"),
    ],
)
def test_nonsense_gets_one_line_with_the_accepted_range(change: dict[str, object], words: str) -> None:
    data = {**json.loads(PLAN.to_json()), **change}
    with pytest.raises(UserError) as caught:
        FoodPlan.from_json(json.dumps(data), "plan.json")
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("kind", SPECIES.values(), ids=lambda kind: kind.code)
def test_each_food_is_accepted_by_its_own_rules(kind: Species) -> None:
    for rule in kind.rules:
        plan = replace(PLAN, species=kind.code, rule=rule, scombroid=kind.scombroid)
        assert FoodPlan.from_json(plan.to_json()) == plan


@pytest.mark.parametrize("key", ["species", "mass_kg", "thickness_m"])
def test_a_plan_that_does_not_say_what_is_cooked_is_refused(key: str) -> None:
    """One with its format alone was followed as 1 kg of something 22 mm thick."""
    data = json.loads(PLAN.to_json())
    del data[key]
    with pytest.raises(UserError, match=rf"plan.json: .* lacks {key}; make one with `coalminder plan"):
        FoodPlan.from_json(json.dumps(data), "plan.json")
    with pytest.raises(UserError, match="lacks species, mass_kg, thickness_m;"):
        FoodPlan.from_json(json.dumps({"format": data["format"]}), "plan.json")


def test_broken_json_is_explained() -> None:
    for text in ("{", "[" * 100_000):
        with pytest.raises(UserError, match="not JSON"):
            FoodPlan.from_json(text, "plan.json")


def test_wetter_food_has_more_heat_capacity() -> None:
    lean = replace(PLAN, water_frac=0.80, fat_frac=0.02, protein_frac=0.17)
    assert lean.food().capacity_j_m3k > PLAN.food().capacity_j_m3k
