"""The food's side of a report: what was said, reminded and believed while cooking."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from coalminder.core import Config, initial, step
from coalminder.events import FoodStep, Light, WoodAdded
from coalminder.food.foodplan import FoodPlan
from coalminder.journal import Step, read
from coalminder.rehearse.fast import run_fast
from coalminder.replay.food_story import food_story
from coalminder.values import Inputs, Reading

THIN = FoodPlan(name="strip", thickness_m=0.012, mass_kg=0.5)


def cook(core_c: float, hours: float = 1.5) -> tuple[list[Step], Config]:
    """A pit at 93 °C and a core that comes up to `core_c` at 2 K a minute from loading on."""
    config = replace(Config(), plan=THIN)
    state, steps = initial(config), []
    for second in range(int(hours * 3600)):
        events = {0: (Light(),), 600: (FoodStep(step="loaded"),), 900: (WoodAdded(mass_kg=0.08),)}.get(
            second, ()
        )
        pit = min(20.0 + 0.2 * second, 93.0) + 0.01 * (second % 7)
        core = min(5.0 + max(second - 600, 0) / 30.0, core_c)
        inputs = Inputs(pit=Reading(pit), foods=(("food", Reading(core)),), events=events)
        state, decision = step(state, inputs, float(second))
        steps.append(Step(second + 1, 1, float(second), 1.8e9 + second, inputs, decision))
    return steps, config


def test_reports_and_wood_are_told_with_their_times() -> None:
    steps, config = cook(30.0)
    story = food_story(steps, config)
    assert story is not None
    assert [(round(told.hours * 3600), told.text) for told in story.reports] == [
        (600, "loaded"),
        (900, "wood, 80 g"),
    ]
    assert story.done_hours is None
    assert story.reason.startswith("not done")


def test_the_rule_is_never_told_met_before_half_an_hour_at_it() -> None:
    # home rule: 71 °C for 30 min (PNW 238); a core that reaches 71 °C 33 min after loading meets it 30 later
    steps, config = cook(72.0, hours=2.0)
    story = food_story(steps, config)
    assert story is not None
    assert story.done_hours is not None
    reached_s = 600 + 30 * (71 - 5)
    # not a second earlier; later, for no food comes up in a straight line, and the model doubts it
    assert reached_s + 1800 <= story.done_hours * 3600 <= reached_s + 1800 + 1200


def test_a_record_without_food_has_no_story() -> None:
    steps, config = cook(30.0, hours=0.15)
    assert food_story(steps, config) is None


def test_a_recorded_rehearsal_has_its_food_story(tmp_path: Path) -> None:
    from coalminder.grill import demo

    scene = demo()
    run_fast(scene.kettle(1), Config(), scene.disturbances, 7200.0, record=tmp_path)
    (path,) = tmp_path.glob("*.cook")
    with read(path) as record:
        story = food_story(tuple(record.steps()), Config())
    assert story is not None
    assert story.reports[0].text == "loaded"
    assert story.finish is not None
