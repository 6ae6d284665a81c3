"""What the fire asks of the person, as codes with a sentence each: rules over a step, and how long they hold.

Advice is not an alarm: nothing is wrong yet, and nobody has to answer it.
"""

from __future__ import annotations

import math
from collections.abc import Set

from coalminder.core import fire
from coalminder.core.air import AirState
from coalminder.core.config import AdviceConfig
from coalminder.core.pit import PitState
from coalminder.core.state import Since, State
from coalminder.food.agenda import known_raw
from coalminder.food.foodplan import FoodPlan
from coalminder.food.foodstate import FoodState
from coalminder.frozen import replace
from coalminder.safety.faults import KEEP_LID_ON
from coalminder.values import FireEstimate, Phase, Reading, Sample

TEXTS: dict[str, str] = {
    "charcoal_low": "Charcoal is running low: lay on lit charcoal within the minutes shown",
    "relight": "Vents wide open and still falling: see that both really are open, then relight: lay on lit "
    "charcoal; more air will not do",
    "check_lid_seal": "Vents shut and still rising: check that the lid sits well and the vents really shut",
    "bank_other_side": "One side of the grate is much hotter: bank the coals to the other side",
    "add_wood": "Add wood now: lay one piece on the edge of the coals",
    "fire_not_needed": "The food is off: snuff the fire, unless more goes on",
}

_TENDED = frozenset({Phase.SETTLING, Phase.TENDING, Phase.EASING})
_FOR_FOOD = frozenset({"relight", "charcoal_low", "bank_other_side", "add_wood"})
"""They open the lid: not for a fire that no food needs any more, nor over one that is out of hand."""


def ask(
    state: State, told: FireEstimate, pits: tuple[Sample, Sample | None], alarms: Set[str], now_s: float
) -> tuple[State, tuple[str, ...]]:
    """The state that remembers what is asked at the end of a step, and what has lasted. pits, alarms: as in
    `advise`.
    """
    config, food = state.config, state.food
    planned = any(s.reported == "wood" for s in config.plan.steps)  # then the plan's own steps ask
    smoking_s = None if planned or food.off_s is not None else food.loaded_s
    codes = advise(
        config.advice,
        state.phase,
        state.set_point_c,
        state.pit,
        state.air,
        told,
        pits,
        wood_is_due(config.advice, smoking_s, state.wood_s, now_s),
        food_done=food.done and food.off_s is None and food.fell_s is None,
        food_off=fire_is_over(food, config.plan, state.lit_s),
        alarms=alarms,
    )
    asked, lasted = lasting(config.advice, state.asked, codes, state.lit_s, state.lid.back_s, now_s)
    return replace(state, asked=asked), lasted


def advise(
    config: AdviceConfig,
    phase: Phase,
    set_point_c: float,
    pit: PitState,
    air: AirState,
    told: FireEstimate,
    pits: tuple[Sample, Sample | None],
    wood_due: bool,
    food_done: bool = False,
    food_off: bool = False,
    alarms: Set[str] = frozenset(),
) -> tuple[str, ...]:
    """Codes of TEXTS that hold now, most urgent first.

    pits: the pit probe and the second one. food_done: it is done, and still on; food_off: see `fire_is_over`.
    alarms: codes of those whose condition holds; no advice says the contrary of their remedies.
    """
    if phase not in _TENDED or pit.fast_c is None:
        return ()
    codes: list[str] = []
    wide = air.applied_v >= min(air.hold_v + math.log(config.wide_times), -math.log(2.0))
    if (
        wide
        and pit.smooth_c < set_point_c - config.below_c
        and pit.steady_slope_c_per_s < config.level_c_per_s
    ):
        codes.append("relight")
    at_floor = air.applied_v <= air.floor_v + 0.02
    if (
        at_floor
        and pit.smooth_c > set_point_c + config.above_c
        and pit.steady_slope_c_per_s > config.rising_c_per_s
    ):
        codes.append("check_lid_seal")
    if told.fuel_left_low_min is not None and told.fuel_left_low_min < config.fuel_low_min:
        codes.append("charcoal_low")
    if wood_due and not fire.FAILS & alarms:  # it would smother what is left of the bed
        codes.append("add_wood")
    first, second = pits
    if isinstance(first, Reading) and isinstance(second, Reading) and "pit_probes_disagree" not in alarms:
        uneven_c = abs(first.temp_c - second.temp_c)
        codes += ["bank_other_side"] if uneven_c > config.uneven_c else []
    if food_off or alarms & KEEP_LID_ON or (food_done and phase is not Phase.EASING):  # easing keeps it warm
        codes = [code for code in codes if code not in _FOR_FOOD]
    return (*codes, "fire_not_needed") if food_off else tuple(codes)


def fire_is_over(food: FoodState, plan: FoodPlan, lit_s: float | None) -> bool:
    """Whether the food that the fire was lit for is off the grill, and was not raw: that may go back."""
    if food.off_s is None or known_raw(food, food.plan_before or plan):
        return False
    return lit_s is not None and lit_s < food.off_s


_MUST_LAST = frozenset({"relight", "check_lid_seal"})


def lasting(
    config: AdviceConfig,
    since: Since,
    codes: tuple[str, ...],
    lit_s: float | None,
    lid_s: float | None,
    now_s: float,
) -> tuple[Since, tuple[str, ...]]:
    """What of `codes` has lasted; a flare under the returning lid or a fire that catches is over by itself.

    lit_s, lid_s: when the fire was lit and the lid was last put back, None: never.
    """
    young = lit_s is not None and now_s - lit_s < config.after_lighting_s
    disturbed = young or (lid_s is not None and now_s - lid_s < config.after_lid_s)
    before = dict(since)
    hold = tuple((code, before.get(code, now_s)) for code in codes if code in _MUST_LAST and not disturbed)
    lasted = {code for code, from_s in hold if now_s - from_s >= config.lasting_s}
    return hold, tuple(code for code in codes if code not in _MUST_LAST or code in lasted)


def wood_is_due(config: AdviceConfig, loaded_s: float | None, wood_s: float | None, now_s: float) -> bool:
    """Whether a piece is due: during the smoke after loading, when the last one has smoked out.

    loaded_s: when the food on the grill was laid on, None without food; wood_s: when wood was, None: never.
    About 90 min of smoke in all, a piece of 60-100 g lasting about 45 min (common practice).
    """
    if loaded_s is None or now_s - loaded_s > config.smoke_s:
        return False
    return wood_s is None or now_s - wood_s > config.piece_s
