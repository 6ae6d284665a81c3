"""The draught of one step, by what the phase lets the vents do: shut, wide, held or by the loop."""

from __future__ import annotations

from coalminder.core import air, fire, loop, oscillation, phases, pit, reference, response
from coalminder.core.config import LoopConfig
from coalminder.core.phases import Vents
from coalminder.core.state import State
from coalminder.frozen import replace
from coalminder.lowpass import low_pass
from coalminder.values import Terms

# A gap longer than this is a restart to the loop, not a long step.
_GAP_S = 10.0
# The excess over the set point is judged this far ahead.
_AHEAD_S = 60.0


def drive(
    state: State, dt_s: float, now_s: float, throttle: bool, wary: bool, ambient_c: float
) -> tuple[State, Terms]:
    """The state with the new draught in force, and the terms of the loop.

    throttle: floor only. wary: no more than usually holds, for the pit probe may be the wrong one.
    """
    vents = phases.VENTS[state.phase]
    shut_v = air.shut_level(state.config.split)
    if vents is Vents.SHUT:
        return _apply(state, shut_v, shut_v, dt_s), Terms(output=shut_v)
    seen, config = state.pit, state.config
    most_v = air.level(config.loop.hold_opening, config.split.leak_opening) if wary else air.OPEN_V
    if vents is Vents.WIDE:
        floor_v = air.floor(state.air, config.air, shut_v, 0.0)
        wide_v = floor_v if throttle else max(min(_while_lighting(state, now_s), most_v), floor_v)
        return _apply(state, wide_v, floor_v, dt_s), Terms(output=wide_v)
    known = seen.fast_c is not None and seen.age_s == 0.0
    over_c = seen.smooth_c + seen.slope_c_per_s * _AHEAD_S - state.set_point_c if known else 0.0
    if state.air.lowered_s is not None and (
        vents is Vents.HOLD or seen.smooth_c < state.set_point_c + config.air.lowered_c
    ):
        state = replace(state, air=replace(state.air, lowered_s=None))
    floor_v = air.floor(state.air, config.air, shut_v, over_c, seen.steady_slope_c_per_s)
    if not known:
        target_v = min(floor_v, state.air.applied_v) if throttle else state.air.applied_v
        return _toward(state, target_v, floor_v, dt_s)
    if vents is Vents.HOLD:
        low = throttle or now_s - state.lid.since_s < config.lid.floor_until_s
        held_v = max(min(state.loop.integral_v, most_v), floor_v)
        return _toward(state, floor_v if low else held_v, floor_v, dt_s)
    over_now_c = seen.smooth_c - state.set_point_c
    if not throttle and air.breathes(state.air, config.air, over_now_c, seen.steady_slope_c_per_s):
        floor_v = max(floor_v, state.air.hold_v)
    high_v = max(most_v, floor_v)
    if throttle:
        high_v = floor_v
    elif state.lid.doubt or _unsure_of_lid(state, now_s):
        high_v = min(max(state.air.hold_v + config.lid.doubt_opening_v, floor_v), high_v)
    return _by_loop(state, floor_v, high_v, dt_s, now_s, ambient_c, throttle)


def _while_lighting(state: State, now_s: float) -> float:
    """Wide open, unless the pit does not rise: then its probe may hang outside a fire that grows."""
    rules, seen = state.config.lighting, state.pit
    slow = state.lit_s is not None and now_s - state.lit_s > rules.slow_s
    unmoved = seen.fast_c is not None and seen.smooth_c < (state.lit_c or 0.0) + rules.slow_c
    return min(state.air.hold_v + rules.slow_draught_v, air.OPEN_V) if slow and unmoved else air.OPEN_V


def _by_loop(
    state: State,
    low_v: float,
    high_v: float,
    dt_s: float,
    now_s: float,
    ambient_c: float,
    throttle: bool,
) -> tuple[State, Terms]:
    seen, config = state.pit, state.config
    recovering = _recovering(state, now_s)
    lag_s = config.lid.recovery_lag_s if recovering else config.loop.reference_lag_s
    aim_c = low_pass(state.reference_c, state.set_point_c, lag_s, dt_s)
    if recovering:
        aim_c = reference.pulled_along(aim_c, seen.smooth_c, state.set_point_c)
    free = low_v < state.air.applied_v < high_v
    state, gains = _tuned(state, aim_c - seen.smooth_c, free, now_s)
    loop_now, terms = loop.run(
        state.loop,
        gains,
        aim_c,
        seen.smooth_c,
        seen.slope_c_per_s,
        dt_s,
        low_v,
        high_v,
        hold=dt_s > _GAP_S or recovering,
        throttled=throttle,
    )
    at_limit = terms.output in (low_v, high_v)
    noise_v = loop.noise_v(gains, config.pit, seen.noise_c)
    shown = state.safety.evidence
    asked_v = pit.asked_v(config.pit, shown.still_s, shown.step_c)
    wanted_v = max(terms.output - asked_v, low_v)
    applied_v = air.spare(state.air.applied_v, wanted_v, config.loop, dt_s, at_limit, noise_v)
    state = replace(_apply(state, applied_v, low_v, dt_s), reference_c=aim_c, loop=loop_now)
    if high_v == air.OPEN_V and not recovering:
        rise_c = fire.held_rise_c(config.fire, seen.smooth_c, ambient_c, seen.slope_c_per_s)
        wanted_c, shut_v = state.set_point_c - ambient_c, air.shut_level(config.split)
        hold_v = air.learn_hold(
            state.air, config.air, shut_v, rise_c, wanted_c, seen.steady_slope_c_per_s, at_limit, dt_s
        )
        state = replace(state, air=replace(state.air, hold_v=hold_v))
    return state, terms


def _tuned(state: State, error_c: float, free: bool, now_s: float) -> tuple[State, LoopConfig]:
    """With what the kettle shows of its delay, and the loop of its swings; and the gains for both.

    free: the vents are at neither end of what they may do.
    """
    seen, config = state.pit, state.config
    share_s = pit.slope_share_s(config.pit, seen.noise_c)
    heard = response.watch(
        state.response, config.response, seen.slope_c_per_s, share_s, now_s, state.air.applied_v
    )
    by_delay = response.gain(heard, config.response, pit.smooth_s(config.pit, seen.noise_c))
    swinging = oscillation.watch(
        state.oscillation, config.oscillation, error_c, seen.noise_c, now_s, free, by_delay
    )
    if heard.per_v is not None and heard.per_v != state.response.per_v:
        swinging = oscillation.presume(swinging, config.oscillation, heard.per_v, now_s, by_delay)
    calm = swinging.gain if config.oscillation.guard else 1.0
    state = replace(state, response=heard, oscillation=swinging)
    return state, loop.scaled(config.loop, by_delay, calm)


def _recovering(state: State, now_s: float) -> bool:
    """The lid has just come back, and the pit returns by itself."""
    back_s = state.lid.back_s
    return (
        back_s is not None
        and now_s - back_s < state.config.lid.recovery_s
        and state.pit.smooth_c < state.set_point_c - state.config.lid.recovered_c
    )


def _unsure_of_lid(state: State, now_s: float) -> bool:
    """The lid was seen to come back by the pit alone, and the pit is still cold.

    Coals that grow in the open warm an open kettle too: wide vents would feed them. Most of the way up they
    do not warm it.
    """
    rules, lid = state.config.lid, state.lid
    lately = lid.back_s is not None and lid.back_unsaid and now_s - lid.back_s < rules.longest_s
    sure_c = lid.lowest_c + rules.sure_frac * (lid.before_c - lid.lowest_c)
    return lately and state.pit.smooth_c < min(state.set_point_c - rules.unsure_c, sure_c)


def _toward(state: State, target_v: float, floor_v: float, dt_s: float) -> tuple[State, Terms]:
    applied_v = air.spare(state.air.applied_v, target_v, state.config.loop, dt_s, at_limit=True)
    return _apply(state, applied_v, floor_v, dt_s), Terms(output=target_v)


def _apply(state: State, applied_v: float, floor_v: float, dt_s: float) -> State:
    return replace(state, air=air.moved(state.air, state.config.air, applied_v, floor_v, dt_s))
