"""The food's side of a recorded cook: what was reported, reminded, believed and measured.

Runs the core's part for the food over the recorded steps, with the plan of each run.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from coalminder.core import Config, State
from coalminder.core.step import follow_food, lid_stays
from coalminder.events import FoodStep, WoodAdded
from coalminder.food.exposure import Clock
from coalminder.food.foodstate import FoodState
from coalminder.journal import Step
from coalminder.replay.facts import Belief
from coalminder.safety.view import FIRE_PHASES

BELIEF_EVERY_S = 300.0
AWAY_H = 1.0 / 6.0
"""A reminder that was away for longer comes anew; noise about a limit makes it come and go [estimate]."""
_NUMBERS = re.compile(r"-?\d+(\.\d+)?")
"""Minutes and degrees in a reminder move on while it says the same."""


@dataclass(frozen=True, slots=True)
class Told:
    """Something that was said at `hours` of the record: by the person, or to them."""

    hours: float
    text: str


@dataclass(frozen=True, slots=True)
class Batch:
    """Food from its loading on, at `loaded_hours` of the record (under 0: before it began), and when its done
    rule was met; None: never in this record. off_hours: from when to when it was off the grill. rule: in
    words, the last in force while it was on it.
    """

    loaded_hours: float
    done_hours: float | None = None
    off_hours: tuple[tuple[float, float], ...] = ()
    rule: str = ""


@dataclass(frozen=True)
class FoodStory:
    """What the record tells of the food.

    reports: what the person said. reminders: each time that one came up. finish: minutes to the done rule
    as believed, against when its batch met it. reason: the last word of the rule. clocks: at the end.
    """

    reports: tuple[Told, ...]
    reminders: tuple[Told, ...]
    finish: Belief | None
    batches: tuple[Batch, ...]
    reason: str
    clocks: tuple[Clock, ...]
    lethality_min: float


def food_story(
    steps: Sequence[Step], config: Config, begun: Mapping[int, State] = MappingProxyType({})
) -> FoodStory | None:
    """The story of the food in `steps`; None when no food was ever reported on the grill.

    begun: state of the core before the step of that number, where a run or a stretch of the record begins; a
    restart may bring another plan. config: where the record lacks the first.
    """
    state, start_s = FoodState(), steps[0].now_s if steps else 0.0
    reports: list[Told] = []
    reminders: list[Told] = []
    due_hours: dict[str, float] = {}
    batches: list[Batch] = []
    loaded_s: float | None = None
    off_s: float | None = None
    hours: list[float] = []
    beliefs: list[tuple[float, float, float]] = []
    of_batch: list[int] = []
    burnt = stays = False
    for item in steps:
        if (before := begun.get(item.n)) is not None:
            state, config, burnt = before.food, before.config, before.phase in FIRE_PHASES
            stays = lid_stays(before.safety.records)
        if item.inputs.machine.clock_jump_s:
            config = replace(config, plan=config.plan.on_clock(item.inputs.machine.clock_jump_s, 0.0))
        fire = item.decision.phase in FIRE_PHASES
        at = (item.now_s - start_s) / 3600.0
        for event in item.inputs.events:
            if isinstance(event, FoodStep):
                reports.append(Told(at, event.step))
            elif isinstance(event, WoodAdded):
                reports.append(Told(at, f"wood, {1000 * event.mass_kg:.0f} g"))
        state, view = follow_food(
            state,
            config,
            item.inputs,
            item.now_s,
            pit_c=item.decision.pit_c,
            set_point_c=item.decision.set_point_c,
            fire=burnt and fire,
            lid_stays=stays,
        )
        burnt = fire
        stays = lid_stays(item.decision.alarms)
        if state.loaded_s != loaded_s and state.loaded_s is not None:
            loaded_s = state.loaded_s
            batches.append(Batch((loaded_s - start_s) / 3600.0))
            due_hours.clear()
            off_s = None
        if batches and state.loaded_s is not None and state.off_s != off_s:
            off_s, away = state.off_s, batches[-1].off_hours
            away = (*away, (at, math.inf)) if off_s is not None else (*away[:-1], (away[-1][0], at))
            batches[-1] = replace(batches[-1], off_hours=away)
        rule = config.plan.done_rule.text
        on_it = batches and state.loaded_s is not None and state.off_s is None
        if on_it and batches[-1].done_hours is None and batches[-1].rule != rule:
            batches[-1] = replace(batches[-1], rule=rule)
        for reminder in view.reminders:
            says = _NUMBERS.sub("", f"{reminder.code} {reminder.text}")
            if at - due_hours.get(says, -math.inf) > AWAY_H:
                reminders.append(Told(at, reminder.text))
            due_hours[says] = at
        if view.done and batches and batches[-1].done_hours is None:
            batches[-1] = replace(batches[-1], done_hours=at)
        known = (view.finish_low_min, view.finish_min, view.finish_high_min)
        due = not hours or (at - hours[-1]) * 3600.0 >= BELIEF_EVERY_S
        if due and batches and not view.done and None not in known:
            hours.append(at)
            beliefs.append((known[0] or 0.0, known[1] or 0.0, known[2] or 0.0))
            of_batch.append(len(batches) - 1)
    if not batches:
        return None
    return FoodStory(
        reports=tuple(reports),
        reminders=tuple(reminders),
        finish=_belief(hours, beliefs, [batches[i].done_hours for i in of_batch]),
        batches=tuple(batches),
        reason=state.view.reason,
        clocks=state.view.clocks,
        lethality_min=state.lethality_min,
    )


def _belief(
    hours: list[float], beliefs: list[tuple[float, float, float]], done_hours: list[float | None]
) -> Belief | None:
    if not hours:
        return None
    at, table = np.array(hours), np.array(beliefs)
    done = np.array([math.nan if one is None else one for one in done_hours])
    happened = 60.0 * (done - at) if np.isfinite(done).any() else None
    return Belief(at, table[:, 1], table[:, 0], table[:, 2], happened)
