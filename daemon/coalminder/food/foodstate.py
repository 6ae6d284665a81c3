"""What following a cook remembers (FoodState) and shows (FoodView).

Owns: the values. Must not know: how they change (follow.py) or are worded (foodview.py, reminders.py).
"""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.food.ensemble import Ensemble
from coalminder.food.exposure import NO_EXPOSURE, Clock, Exposure
from coalminder.food.foodplan import FoodPlan, PlanStep

COOLING = ("resting", "chilled")
"""Stages after the grill."""
CORE_FRESH_S = 60.0
"""A reading of the core stands for so long, and a gap between two for no longer."""


@dataclass(frozen=True, slots=True)
class Reminder:
    """Something to tell the person now. level: note, warn or alarm. `code` stays while it is due."""

    code: str
    text: str
    level: str = "note"


@dataclass(frozen=True, slots=True)
class FoodView:
    """What a person may know of the food. Intervals are 90 %. None: not known.

    stage: waiting, cooking, resting, chilled. finish_*_min: minutes from `at_s` until the done rule is met,
    None when not cooking, and when the core will not get there at this pit (finish_note says so);
    finish_high_min alone is None when it may not. before_out: food of before was not reported chilled.
    """

    stage: str = "waiting"
    at_s: float = 0.0
    core_c: float | None = None
    core_low_c: float | None = None
    core_high_c: float | None = None
    core_measured: bool = False
    finish_min: float | None = None
    finish_low_min: float | None = None
    finish_high_min: float | None = None
    finish_note: str = ""
    lethality_min: float = 0.0
    held_min: float = 0.0
    done: bool = False
    reason: str = ""
    clocks: tuple[Clock, ...] = ()
    reminders: tuple[Reminder, ...] = ()
    next_step: PlanStep | None = None
    next_due_s: float | None = None
    before_out: bool = False


@dataclass(frozen=True, slots=True)
class FoodState:
    """All that `follow` remembers. Times are on the caller's clock; None: has not happened.

    read_s: when each core probe was last read since the food was loaded. fell_s: since when the core shown is
    far below what this food can be. strain: how far readings have bent the family (ensemble.strain). miss_c:
    what the pit has been off its set point by, in the long run. shown_c: mean of what the coldest probe
    showed lately. refused_c: the highest that a probe showed which cannot be in the middle of the food, until
    it is put right; while it cools, what one that was pulled out shows. fire: whether the vents feed a fire
    now; no_fire_s: since when none does; heated: whether one did since the food waits, or is on; settled:
    whether that fire brought the pit's mean near its set point; lid_stays: the fire is out of hand, or fails;
    hottest: the set point is the highest allowed; as_food_s: since when a probe shows food that was not
    reported. ran_out: clocks that came to their end over the limit. before_off_s: when the batch before came
    off, until it is reported chilled. hot_day: the air outside was over exposure.HOT_DAY_C. warm_c: how warm
    the raw food was as it was laid on, if too warm. other_day: the plan was for another day. plan_before: of
    food that came off, when the plan is that of the next batch now. left: what to tell of food that an
    earlier run followed, until it is reported chilled.
    """

    now_s: float | None = None
    loaded_s: float | None = None
    off_s: float | None = None
    chilled_s: float | None = None
    reports: tuple[tuple[str, float], ...] = ()
    family: Ensemble = ()
    model_s: float = 0.0
    assimilated_s: float = 0.0
    forecast_s: float | None = None
    finish_s: tuple[float, float, float | None] | None = None
    finish_beyond: bool = False
    pit_c: float | None = None
    miss_c: float = 0.0
    core_c: float | None = None
    core_s: float | None = None
    read_s: tuple[tuple[str, float], ...] = ()
    doubt: str = ""
    fell_s: float | None = None
    strain: float = 0.0
    shown_c: float | None = None
    refused_c: float | None = None
    fire: bool = True
    no_fire_s: float | None = None
    heated: bool = False
    lid_stays: bool = False
    hottest: bool = False
    settled: bool = False
    as_food_s: float | None = None
    held_s: float = 0.0
    lethality_min: float = 0.0
    done: bool = False
    hot_core: bool = False
    below_hot_s: float | None = None
    raw: Exposure = NO_EXPOSURE
    exposure: Exposure = NO_EXPOSURE
    histamine: Exposure = NO_EXPOSURE
    after: Exposure = NO_EXPOSURE
    ran_out: tuple[Clock, ...] = ()
    before_off_s: float | None = None
    hot_day: bool = False
    warm_c: float | None = None
    other_day: bool = False
    left: str = ""
    plan_before: FoodPlan | None = None
    view: FoodView = FoodView()
