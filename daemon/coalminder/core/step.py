"""The core: `step(state, inputs, now_s) -> (state, decision)`. Pure: no clock, no I/O, no randomness."""

from __future__ import annotations

import math
from dataclasses import replace

from coalminder.core import air, fire, lid, loop, phases, pit, reference
from coalminder.core.config import Config
from coalminder.core.phases import Move, Refused, Vents
from coalminder.core.state import State
from coalminder.events import (
    Acknowledge,
    CharcoalAdded,
    Ease,
    Event,
    LidNotice,
    Light,
    Reset,
    SetPoint,
    Shelve,
    Snuff,
    Tend,
)
from coalminder.safety.assess import assess
from coalminder.safety.view import View
from coalminder.values import Action, Decision, FireEstimate, Inputs, Outcome, Phase, Reading, Sample, Terms

_MOVES: dict[type[Event], Move] = {
    Light: Move.LIGHT,
    Tend: Move.TEND,
    Ease: Move.EASE,
    Snuff: Move.SNUFF,
}
_FOR_SAFETY = (Acknowledge, Shelve, Reset)
# Well over what holds the pit (2.5 times its draught): the fire is asked for all it has.
_WIDE_V = math.log(2.5)
# A gap longer than this is a restart to the filters and the loop, not a long step.
_GAP_S = 10.0


def step(state: State, inputs: Inputs, now_s: float) -> tuple[State, Decision]:
    """One step of control. now_s: control time in s, not before the last step's.

    Same state and inputs, same result, bit for bit. Raises ValueError when time runs backwards.
    """
    config = state.config
    dt_s = _elapsed(state, now_s)
    temp_c = pit.choose(_finite(inputs.pit), inputs.pit_2)
    seen = pit.observe(state.pit, config.pit, temp_c, dt_s)
    state, outcomes, notice = _obey(state, inputs, now_s)
    lid_now = lid.watch(state.lid, config.lid, seen, inputs.lid_open, notice, now_s)
    state = replace(state, pit=seen, lid=lid_now)
    state = _follow_pit(state, now_s)

    ambient_c = inputs.ambient.temp_c if isinstance(inputs.ambient, Reading) else config.fire.ambient_c
    fire_now = state.fire
    told = FireEstimate()
    if state.phase in phases.FIRE_TENDED or state.phase is Phase.LIGHTING:
        held_c = seen.smooth_c if not lid_now.off else lid_now.before_c
        slope = seen.slope_c_per_s if not lid_now.off else 0.0
        fire_now = fire.account(fire_now, config.fire, held_c, ambient_c, slope, dt_s)
        told = fire.estimate(fire_now, None)

    safety_now, verdict = assess(
        state.safety,
        View(
            phase=state.phase,
            pit=inputs.pit,
            pit_2=inputs.pit_2,
            dome=inputs.dome,
            ambient=inputs.ambient,
            foods=inputs.foods,
            set_point_c=state.set_point_c,
            lower=state.lower,
            upper=state.upper,
            lower_floor=air.share(state.air.floor_v, config.split)[0],
            vents_shut=state.lower <= 0.0,
            lid_off=lid_now.off,
            machine=inputs.machine,
            fire=told,
            pit_2_stands_in=True,
            lower_wide=min(air.share(state.air.hold_v + _WIDE_V, config.split)[0], 0.5),
        ),
        config.limits,
        inputs.events,
        now_s,
    )
    outcomes += verdict.outcomes
    state = replace(state, fire=fire_now, safety=safety_now)
    if verdict.cut_off:
        state = _move(state, Move.FAULT, now_s)[0]
    elif state.phase is Phase.CUT_OFF:
        state = _move(state, Move.RESET, now_s)[0]

    throttle = verdict.action is not None and verdict.action.severity >= Action.THROTTLE.severity
    state, terms = _drive(state, config, dt_s, now_s, throttle)
    lower, upper = air.share(state.air.applied_v, config.split)
    if phases.VENTS[state.phase] is Vents.SHUT:
        lower, upper = 0.0, 0.0
    state = replace(state, lower=lower, upper=upper, last_s=now_s)
    known = seen.fast_c is not None
    return state, Decision(
        phase=state.phase,
        set_point_c=state.set_point_c,
        lower=lower,
        upper=upper,
        pit_c=seen.smooth_c if known else None,
        alarms=verdict.alarms,
        outcomes=outcomes,
        terms=terms,
        fire=told,
        lid_off=lid_now.off,
        in_band=known and config.low_c <= seen.smooth_c <= config.high_c,
        probe_ok=temp_c is not None,
    )


def _elapsed(state: State, now_s: float) -> float:
    if state.last_s is None:
        return 1.0
    if now_s < state.last_s:
        raise ValueError(f"time ran backwards: step at {now_s} s after one at {state.last_s} s")
    return max(now_s - state.last_s, 1e-3)


def _finite(sample: Sample) -> Sample:
    if isinstance(sample, Reading) and not math.isfinite(sample.temp_c):
        raise ValueError("a reading that is not a finite number must arrive as a ProbeFault")
    return sample


def _move(state: State, move: Move, now_s: float) -> tuple[State, str]:
    """The state after `move`, and why it was refused ("" when it was not)."""
    target = phases.follow(state.phase, move, state.before_lid)
    if isinstance(target, Refused):
        return state, str(target)
    if target is state.phase:
        return state, ""
    before = state.phase if target is Phase.LID_OFF else state.before_lid
    was, now = phases.VENTS[state.phase], phases.VENTS[target]
    state = replace(state, phase=target, before_lid=before, steady_since_s=None, cool_since_s=None)
    if now is Vents.LOOP and was is not Vents.LOOP and state.pit.fast_c is not None:
        # The reference starts where the pit is; after wide or shut vents the loop starts from what holds.
        held = state.loop.integral_v if was is Vents.HOLD else state.air.hold_v
        here_c = state.pit.smooth_c
        state = replace(
            state, reference_c=here_c, loop=loop.hand_over(held, state.config.loop, here_c, here_c)
        )
    return state, ""


def _obey(state: State, inputs: Inputs, now_s: float) -> tuple[State, tuple[Outcome, ...], bool | None]:
    """Take what people asked for, in order. Returns the outcomes and the last word about the lid."""
    outcomes: list[Outcome] = []
    notice: bool | None = None
    for event in inputs.events:
        why = ""
        match event:
            case SetPoint(temp_c=wanted_c):
                state, why = _aim(state, wanted_c, now_s)
            case LidNotice(lid_open=word):
                notice = word
            case CharcoalAdded(mass_kg=kg):
                state = replace(state, fire=replace(state.fire, fuel_kg=state.fire.fuel_kg + kg))
            case Event() if type(event) in _MOVES:
                state, why = _move(state, _MOVES[type(event)], now_s)
                if not why:
                    state = _aim_for_phase(state, event)
            case Event() if isinstance(event, _FOR_SAFETY):
                continue
            case _:
                pass
        if isinstance(event, Event) and event.event_id:
            outcomes.append(Outcome(event.event_id, not why, why))
    return state, tuple(outcomes), notice


def _aim(state: State, wanted_c: float, now_s: float) -> tuple[State, str]:
    config = state.config
    if not config.least_set_point_c <= wanted_c <= config.highest_set_point_c:
        low, high = config.least_set_point_c, config.highest_set_point_c
        return state, f"set point {wanted_c:g} °C is outside {low:g} to {high:g} °C"
    state, why = _move(state, Move.SET_POINT, now_s)
    return (state, why) if why else (replace(state, set_point_c=wanted_c), "")


def _aim_for_phase(state: State, event: Event) -> State:
    if isinstance(event, Ease):
        return replace(state, set_point_c=state.config.keep_warm_c)
    if isinstance(event, Tend) and state.set_point_c == state.config.keep_warm_c:
        return replace(state, set_point_c=state.config.set_point_c)
    return state


def _follow_pit(state: State, now_s: float) -> State:
    """The moves that the pit itself makes: lid, nearing, steady, cooled, and a fire nobody spoke of."""
    if state.lid.off and state.phase in phases.FIRE_TENDED:
        return _move(state, Move.LID_OFF, now_s)[0]
    if not state.lid.off and state.phase is Phase.LID_OFF:
        return _move(state, Move.LID_ON, now_s)[0]
    seen, rules = state.pit, state.config.lighting
    if seen.fast_c is None:
        return state
    if state.phase is Phase.COLD and seen.smooth_c > rules.warm_c and seen.slope_c_per_s > 0.0:
        return _move(state, Move.LIGHT, now_s)[0]
    if state.phase is Phase.LIGHTING:
        ahead_c = seen.smooth_c + max(seen.slope_c_per_s, 0.0) * rules.ahead_s
        if ahead_c >= state.set_point_c - rules.margin_c and seen.smooth_c > rules.warm_c:
            return _move(state, Move.NEARING, now_s)[0]
    if state.phase is Phase.SETTLING:
        near = abs(seen.smooth_c - state.set_point_c) < rules.steady_c
        since = (now_s if state.steady_since_s is None else state.steady_since_s) if near else None
        if since is not None and now_s - since >= rules.steady_s:
            return _move(state, Move.STEADY, now_s)[0]
        return replace(state, steady_since_s=since)
    if state.phase is Phase.SNUFFING:
        cool = seen.smooth_c < rules.out_below_c
        since = (now_s if state.cool_since_s is None else state.cool_since_s) if cool else None
        if since is not None and now_s - since >= rules.out_for_s:
            return _move(state, Move.COOLED, now_s)[0]
        return replace(state, cool_since_s=since)
    return state


def _drive(state: State, config: Config, dt_s: float, now_s: float, throttle: bool) -> tuple[State, Terms]:
    """The draught for this step, by what the phase lets the vents do."""
    vents = phases.VENTS[state.phase]
    now_air = state.air
    if vents is Vents.SHUT:
        return replace(state, air=replace(now_air, applied_v=air.SHUT_V, floor_v=air.SHUT_V)), Terms(
            output=air.SHUT_V
        )
    if vents is Vents.WIDE:
        return replace(state, air=replace(now_air, applied_v=air.OPEN_V)), Terms(output=air.OPEN_V)
    seen = state.pit
    if seen.fast_c is None or seen.age_s > 0.0:
        if not throttle:
            return state, Terms(output=now_air.applied_v)
        floor_v = min(air.floor(now_air, config.air, 0.0), now_air.applied_v)
        applied = air.spare(now_air.applied_v, floor_v, config.loop, dt_s, True)
        return replace(state, air=replace(now_air, applied_v=applied, floor_v=floor_v)), Terms(output=floor_v)
    over_c = seen.smooth_c + seen.slope_c_per_s * 60.0 - state.set_point_c
    floor_v = air.floor(now_air, config.air, over_c)
    if vents is Vents.HOLD:
        for_s = now_s - state.lid.since_s
        at_floor = throttle or for_s < config.lid.floor_for_s
        target = floor_v if at_floor else max(now_air.hold_v, floor_v)
        applied = air.spare(now_air.applied_v, target, config.loop, dt_s, True)
        return replace(state, air=replace(now_air, applied_v=applied, floor_v=floor_v)), Terms(output=target)
    aim_c = reference.approach(state.reference_c, state.set_point_c, config.loop.recovery_s, dt_s)
    high_v = floor_v if throttle else air.OPEN_V
    loop_now, terms = loop.run(
        state.loop,
        config.loop,
        aim_c,
        seen.smooth_c,
        seen.slope_c_per_s,
        dt_s,
        floor_v,
        high_v,
        hold=dt_s > _GAP_S,
    )
    at_limit = terms.output in (floor_v, high_v)
    applied = air.spare(
        now_air.applied_v, terms.output, config.loop, dt_s, at_limit, loop.noise_v(config.loop, seen.noise_c, pit.smooth_s(seen, config.pit))
    )
    hold_v = now_air.hold_v
    if abs(seen.smooth_c - state.set_point_c) < 12.0:
        hold_v = air.learn_hold(hold_v, applied, config.air.hold_tau_s, dt_s)
    return replace(state, reference_c=aim_c, loop=loop_now, air=air.AirState(hold_v, applied, floor_v)), terms
