"""All that the core carries from one step to the next. Frozen; the journal keeps it as JSON."""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.core import air
from coalminder.core.air import AirState
from coalminder.core.config import Config
from coalminder.core.fire import FireState
from coalminder.core.lid import LidState
from coalminder.core.loop import LoopState
from coalminder.core.oscillation import OscillationState
from coalminder.core.pit import PitState
from coalminder.core.response import ResponseState
from coalminder.food.exposure import COOL_2_S
from coalminder.food.foodstate import FoodState
from coalminder.safety.assess import SafetyState
from coalminder.safety.assess import initial as safety_initial
from coalminder.values import NO_FIRE, Phase

Since = tuple[tuple[str, float], ...]
"""(code, since when it holds without a break)."""


@dataclass(frozen=True, slots=True)
class State:
    """last_s: control time of the last step, None before the first. Times are control time in s.

    food: what is known of the food; `food.view` is what a person may see of it. wood_s: last wood.
    before_ease_c: set point to come back to from easing. lit_s, lit_c: when lighting began, the pit then.
    asked: what the fire asks of the person, if it lasts.
    """

    config: Config
    phase: Phase
    before_lid: Phase
    set_point_c: float
    reference_c: float
    steady_since_s: float | None
    cool_since_s: float | None
    last_s: float | None
    lower: float
    upper: float
    pit: PitState
    lid: LidState
    loop: LoopState
    response: ResponseState
    oscillation: OscillationState
    air: AirState
    fire: FireState
    safety: SafetyState
    food: FoodState
    wood_s: float | None
    before_ease_c: float | None
    lit_s: float | None
    lit_c: float | None
    asked: Since = ()


def ended(state: State) -> bool:
    """Whether a cook is over: no fire, and no food that is to be taken off, to be eaten or to be chilled."""
    food = state.food
    waits = food.loaded_s is not None and food.chilled_s is None and not food_over(state)
    return state.phase in NO_FIRE and not waits


def food_over(state: State) -> bool:
    """Whether food of which nobody reports any more is over: else the next day's cook would be its.

    With the cooling rule: since it came off, or since no fire burns under what was never reported off.
    """
    food, now_s = state.food, state.last_s or 0.0
    since_s = food.no_fire_s if food.off_s is None else food.off_s
    if food.loaded_s is None or since_s is None:
        return False
    return now_s - max(since_s, food.loaded_s) > COOL_2_S


def initial(config: Config) -> State:
    """A cold grill with shut vents, at control time 0."""
    leak = config.split.leak_opening
    shut_v = air.shut_level(config.split)
    return State(
        config=config,
        phase=Phase.COLD,
        before_lid=Phase.SETTLING,
        set_point_c=config.set_point_c,
        reference_c=config.set_point_c,
        steady_since_s=None,
        cool_since_s=None,
        last_s=None,
        lower=0.0,
        upper=0.0,
        pit=PitState(),
        lid=LidState(),
        loop=LoopState(),
        response=ResponseState(),
        oscillation=OscillationState(),
        air=AirState(air.level(config.loop.hold_opening, leak), shut_v, shut_v, shut_v, fed_v=shut_v),
        fire=FireState(fuel_kg=config.fire.charcoal_kg),
        safety=safety_initial(0.0),
        food=FoodState(),
        wood_s=None,
        before_ease_c=None,
        lit_s=None,
        lit_c=None,
    )
