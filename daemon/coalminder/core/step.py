"""The core: `step(state, inputs, now_s) -> (state, decision)`. Pure: no clock, no I/O, no randomness."""

from __future__ import annotations

import math
from collections.abc import Iterable

from coalminder.core import advice, air, fire, lid, phases, pit
from coalminder.core.config import Config
from coalminder.core.drive import drive
from coalminder.core.moves import follow_pit, move, obey
from coalminder.core.phases import Move, Vents
from coalminder.core.state import State
from coalminder.food.follow import follow
from coalminder.food.foodstate import FoodState, FoodView
from coalminder.frozen import replace
from coalminder.safety.assess import assess
from coalminder.safety.faults import KEEP_LID_ON
from coalminder.safety.record import Record
from coalminder.safety.view import FIRE_PHASES, View
from coalminder.values import Action, Alarm, Decision, FireEstimate, Inputs, Phase

_LID_STAYS = KEEP_LID_ON | fire.FAILS  # alarms of a fire that is out of hand, or fails

_NO_HOTTER_C = 1.0  # a set point that can be raised by less cannot be raised

# Well over what holds the pit (2.5 times its draught): the fire is asked for all it has.
_WIDE_V = math.log(2.5)


def step(state: State, inputs: Inputs, now_s: float) -> tuple[State, Decision]:
    """One step of control. now_s: control time in s, not before the last step's.

    Same state and inputs, same result, bit for bit. Raises ValueError when time runs backwards.
    """
    if inputs.machine.clock_jump_s:  # serving time is a time of day: the plan's times go with the wall clock
        plan = state.config.plan.on_clock(inputs.machine.clock_jump_s, 0.0)
        state = replace(state, config=replace(state.config, plan=plan))
    config = state.config
    dt_s = _elapsed(state, now_s)
    seen = pit.observe(state.pit, config.pit, inputs.pit, inputs.pit_2, dt_s)
    burnt = state.phase in FIRE_PHASES
    state, outcomes, notice = obey(replace(state, pit=seen), inputs, now_s)
    lid_now = lid.watch(
        state.lid, config.lid, seen, inputs.lid_open, notice, now_s, state.air.closing_v, state.set_point_c,
        coming_up=state.phase in (Phase.LIGHTING, Phase.SETTLING), wood_s=state.wood_s,
        food_s=state.food.loaded_s,
    )  # fmt: skip
    state = replace(state, lid=lid_now)
    measured_c = _outside(inputs, config)
    ambient_c = config.fire.ambient_c if measured_c is None else measured_c
    state = follow_pit(state, now_s, ambient_c)

    fire_now, told = _burn(state, ambient_c, dt_s)
    food_now, food_view = follow_food(
        state.food,
        config,
        inputs,
        now_s,
        pit_c=seen.smooth_c if seen.known else None,
        set_point_c=state.set_point_c,
        fire=burnt and state.phase in FIRE_PHASES,  # one that was only just lit may be cut off below
        lid_stays=lid_stays(state.safety.records),
    )
    safety_now, verdict = assess(
        state.safety, _for_safety(state, inputs, food_now, food_view), config.limits, inputs.events, now_s
    )
    outcomes += verdict.outcomes
    state = replace(state, fire=fire_now, safety=safety_now)
    if verdict.cut_off:
        state = move(state, Move.FAULT, now_s)[0]
    elif state.phase is Phase.CUT_OFF:
        state = move(state, Move.RESET, now_s)[0]

    throttle = verdict.action is not None and verdict.action.severity >= Action.THROTTLE.severity
    since_s = verdict.wary_since_s
    wary = since_s is not None and (state.lit_s is None or since_s > state.lit_s)  # who lit it has been there
    state, terms = drive(state, dt_s, now_s, throttle, wary, ambient_c)
    lower, upper = air.share(state.air.applied_v, config.split)
    if phases.VENTS[state.phase] is Vents.SHUT:
        lower, upper = 0.0, config.split.upper_fixed or 0.0  # one left by hand stays where it is
    state = replace(state, lower=lower, upper=upper, last_s=now_s, food=food_now)
    active = {alarm.code for alarm in verdict.alarms if alarm.active}
    state, asks = advice.ask(state, told, (inputs.pit, inputs.pit_2), active, now_s)
    if fire.FAILS & {*asks, *active}:
        told = fire.untold(told)
    return state, Decision(
        phase=state.phase,
        set_point_c=state.set_point_c,
        lower=lower,
        upper=upper,
        pit_c=seen.smooth_c if seen.known else None,
        alarms=verdict.alarms,
        outcomes=outcomes,
        advice=asks,
        terms=terms,
        fire=told,
        lid_off=lid_now.off,
        in_band=seen.known and config.low_c <= seen.smooth_c <= config.high_c,
        probe_ok=seen.age_s == 0.0 and seen.known,
    )


def follow_food(
    food: FoodState,
    config: Config,
    inputs: Inputs,
    now_s: float,
    *,
    pit_c: float | None,
    set_point_c: float,
    fire: bool,
    lid_stays: bool,
) -> tuple[FoodState, FoodView]:
    """The food's part of a step, by the plan in force; lid_stays: of the alarms before it."""
    return follow(
        food,
        config.plan,
        pit_c,
        inputs.foods,
        inputs.events,
        now_s,
        set_point_c=set_point_c,
        ambient_c=_outside(inputs, config),
        fire=fire,
        lid_stays=lid_stays,
        hottest=set_point_c > config.highest_set_point_c - _NO_HOTTER_C,
    )


def lid_stays(alarms: Iterable[Record | Alarm]) -> bool:
    """Whether nobody shall open the lid for the food: a fire is out of hand, or fails."""
    return any(alarm.active and alarm.code in _LID_STAYS for alarm in alarms)


def _burn(state: State, ambient_c: float, dt_s: float) -> tuple[fire.FireState, FireEstimate]:
    """The fire after the step, and what to tell of it. Under an open lid it burns on as before."""
    if state.phase not in FIRE_PHASES:
        return state.fire, FireEstimate()
    config, seen, lifted = state.config, state.pit, state.lid
    held_c, slope = (lifted.before_c, 0.0) if lifted.off else (seen.smooth_c, seen.slope_c_per_s)
    lighting = state.phase is Phase.LIGHTING
    burnt = fire.account(state.fire, config.fire, held_c, ambient_c, slope, dt_s, lighting)
    wanted_c = state.set_point_c - ambient_c
    burnt = fire.starve(burnt, config.air, state.air, held_c - ambient_c, wanted_c, dt_s)
    told = fire.estimate(burnt)
    return burnt, fire.untold(told) if lighting else told


def _for_safety(state: State, inputs: Inputs, food: FoodState, food_view: FoodView) -> View:
    """What the cut-offs may see of this step."""
    config = state.config
    return View(
        phase=state.phase,
        pit=inputs.pit,
        pit_2=inputs.pit_2,
        dome=inputs.dome,
        ambient=inputs.ambient,
        foods=inputs.foods,
        food_on=None if food.loaded_s is None else food.off_s is None,
        food_loaded_s=food.loaded_s,
        food_near=tuple(clock.text for clock in food_view.clocks if clock.level == "warn"),
        food_over=tuple(clock.text for clock in food_view.clocks if clock.level == "alarm"),
        set_point_c=state.set_point_c,
        lower=state.lower,
        lower_floor=air.share(state.air.floor_v, config.split)[0],
        lid_off=state.lid.off,
        lid_doubt=state.lid.doubt,
        machine=inputs.machine,
        lower_wide=min(air.share(state.air.hold_v + _WIDE_V, config.split)[0], 0.5),
    )


def _outside(inputs: Inputs, config: Config) -> float | None:
    """The air outside as measured: a probe that shows more than a hot day lies on the grill."""
    ambient_c = pit.trusted_c(inputs.ambient)
    return None if ambient_c is None else min(ambient_c, config.lighting.hot_day_c)


def _elapsed(state: State, now_s: float) -> float:
    if state.last_s is None:
        return 1.0
    if now_s < state.last_s:
        raise ValueError(f"time ran backwards: step at {now_s} s after one at {state.last_s} s")
    return max(now_s - state.last_s, 1e-3)
