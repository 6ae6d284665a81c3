"""The food's side of a recorded cook: what was reported, reminded, believed and measured.

Runs `food.follow` over the recorded steps, as the core did while cooking.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coalminder.core import Config
from coalminder.events import FoodStep, WoodAdded
from coalminder.food.exposure import Clock
from coalminder.food.follow import follow
from coalminder.food.foodstate import FoodState
from coalminder.journal import Step
from coalminder.replay.facts import Belief
from coalminder.safety.view import FIRE_PHASES
from coalminder.values import Reading

BELIEF_EVERY_S = 300.0


@dataclass(frozen=True, slots=True)
class Told:
    """Something that was said at `hours` of the record: by the person, or to them."""

    hours: float
    text: str


@dataclass(frozen=True)
class FoodStory:
    """What the record tells of the food.

    reports: what the person said. reminders: the first time each was due. finish: minutes to the done rule
    as believed, against when it was met (done_hours). reason: the last word of the rule. clocks: at the end.
    """

    rule: str
    reports: tuple[Told, ...]
    reminders: tuple[Told, ...]
    finish: Belief | None
    done_hours: float | None
    reason: str
    clocks: tuple[Clock, ...]
    lethality_min: float


def food_story(steps: Sequence[Step], config: Config) -> FoodStory | None:
    """The story of the food in `steps`; None when no food was ever reported on the grill."""
    state, start_s = FoodState(), steps[0].now_s if steps else 0.0
    reports: list[Told] = []
    reminders: dict[str, Told] = {}
    hours: list[float] = []
    beliefs: list[tuple[float, float, float]] = []
    done_hours: float | None = None
    plan = config.plan
    for item in steps:
        if item.inputs.machine.clock_jump_s:
            plan = plan.on_clock(item.inputs.machine.clock_jump_s, 0.0)
        at = (item.now_s - start_s) / 3600.0
        for event in item.inputs.events:
            if isinstance(event, FoodStep):
                reports.append(Told(at, event.step))
            elif isinstance(event, WoodAdded):
                reports.append(Told(at, f"wood, {1000 * event.mass_kg:.0f} g"))
        ambient = item.inputs.ambient
        state, view = follow(
            state,
            plan,
            item.decision.pit_c,
            item.inputs.foods,
            item.inputs.events,
            item.now_s,
            set_point_c=item.decision.set_point_c,
            ambient_c=ambient.temp_c if isinstance(ambient, Reading) else config.fire.ambient_c,
            fire=item.decision.phase in FIRE_PHASES,
        )
        for reminder in view.reminders:
            reminders.setdefault(reminder.code, Told(at, reminder.text))
        if view.done and done_hours is None:
            done_hours = at
        known = (view.finish_low_min, view.finish_min, view.finish_high_min)
        due = not hours or (at - hours[-1]) * 3600.0 >= BELIEF_EVERY_S
        if due and not view.done and None not in known:
            hours.append(at)
            beliefs.append((known[0] or 0.0, known[1] or 0.0, known[2] or 0.0))
    if state.loaded_s is None:
        return None
    return FoodStory(
        rule=config.plan.done_rule.text,
        reports=tuple(reports),
        reminders=tuple(reminders.values()),
        finish=_belief(hours, beliefs, done_hours),
        done_hours=done_hours,
        reason=state.view.reason,
        clocks=state.view.clocks,
        lethality_min=state.lethality_min,
    )


def _belief(
    hours: list[float], beliefs: list[tuple[float, float, float]], done_hours: float | None
) -> Belief | None:
    if not hours:
        return None
    at, table = np.array(hours), np.array(beliefs)
    happened = None if done_hours is None else 60.0 * (done_hours - at)
    return Belief(at, table[:, 1], table[:, 0], table[:, 2], happened)
