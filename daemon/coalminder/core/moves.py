"""Moves from phase to phase: what people ask for, and what the pit itself shows."""

from __future__ import annotations

from coalminder.core import fire, loop, phases, pit, response
from coalminder.core.config import Config
from coalminder.core.phases import Move, Refused, Vents
from coalminder.core.response import ResponseState
from coalminder.core.state import State, initial
from coalminder.events import (
    Acknowledge,
    CharcoalAdded,
    Ease,
    Event,
    FoodStep,
    LidNotice,
    Light,
    Reset,
    SetPoint,
    Shelve,
    Snuff,
    Tend,
    WoodAdded,
)
from coalminder.food.follow import report
from coalminder.frozen import replace
from coalminder.safety.view import FIRE_PHASES
from coalminder.values import Inputs, Outcome, Phase

_MOVES: dict[type[Event], Move] = {
    Light: Move.LIGHT,
    Tend: Move.TEND,
    Ease: Move.EASE,
    Snuff: Move.SNUFF,
}
_FOR_SAFETY = (Acknowledge, Shelve, Reset)  # answered by the cut-offs


def move(state: State, move: Move, now_s: float) -> tuple[State, str]:
    """The state after `move`, and why it was refused ("" when it was not)."""
    target = phases.follow(state.phase, move, state.before_lid)
    if isinstance(target, Refused):
        return state, str(target)
    if target is state.phase:
        return state, ""
    before = state.phase if target is Phase.LID_OFF else state.before_lid
    was, now = phases.VENTS[state.phase], phases.VENTS[target]
    state = replace(state, phase=target, before_lid=before, steady_since_s=None, cool_since_s=None)
    if target is Phase.LIGHTING:
        state = _new_fire(state, now_s)
    if now is Vents.LOOP and was is not Vents.LOOP and state.pit.fast_c is not None:
        # The reference starts where the pit is; after wide or shut vents the loop starts from what holds.
        held = state.loop.integral_v if was is Vents.HOLD else state.air.hold_v
        here_c = state.pit.smooth_c
        start = loop.hand_over(held, state.config.loop, here_c, here_c)
        state = replace(state, reference_c=here_c, loop=start)
        if was is Vents.WIDE:
            state = replace(state, response=_throttled(state, now_s))
    elif target is Phase.LID_OFF:
        state = replace(state, response=response.give_up(state.response))
    elif target is Phase.OUT and state.food.loaded_s is None:  # the food that waits needs another fire
        state = replace(state, food=replace(state.food, heated=False))
    return state, ""


def _throttled(state: State, now_s: float) -> ResponseState:
    seen, config = state.pit, state.config
    noise = pit.slope_noise(config.pit, seen.noise_c)
    wide_v = state.air.applied_v
    return response.start(state.response, config.response, seen.slope_c_per_s, noise, now_s, wide_v)


def _new_fire(state: State, now_s: float) -> State:
    """Lighting starts. After a cold or burnt-out grill all that was known of the last fire is forgotten."""
    pit_c = state.pit.smooth_c if state.pit.fast_c is not None else None
    if state.before_ease_c is not None:  # keeping warm ends with its fire
        state = replace(_aimed(state, state.before_ease_c), before_ease_c=None)
    hot = pit_c is not None and pit_c > state.config.lighting.hot_c
    burns = fire.lit(state.fire, state.config.fire, hot)
    state = replace(state, lit_s=now_s, lit_c=pit_c, fire=burns)
    if hot:
        return state
    fresh = initial(state.config)
    eaten = state.food.done and state.food.off_s is None  # nobody reported it off
    return replace(
        state,
        air=replace(state.air, hold_v=fresh.air.hold_v),
        response=fresh.response,
        oscillation=fresh.oscillation,
        food=fresh.food if eaten else state.food,
        wood_s=fresh.wood_s,
    )


def obey(state: State, inputs: Inputs, now_s: float) -> tuple[State, tuple[Outcome, ...], bool | None]:
    """Take what people asked for, in order. Returns the outcomes and the last word about the lid."""
    outcomes: list[Outcome] = []
    notice: bool | None = None
    food = state.food  # as the reports of this step leave it; follow carries them out
    for event in inputs.events:
        why = ""
        match event:
            case SetPoint(temp_c=wanted_c):
                state, why = _aim(state, wanted_c, now_s)
            case LidNotice(lid_open=word):
                notice = word
            case CharcoalAdded(mass_kg=kg):
                state = replace(state, fire=fire.laid_on(state.fire, kg, state.phase in FIRE_PHASES))
            case WoodAdded():
                state = replace(state, wood_s=now_s)
            case FoodStep(step=food_step):
                food, why = report(food, state.config.plan, food_step, now_s)
            case Tend() if state.phase is Phase.LIGHTING and not state.pit.known:
                why = "no reading of the pit: tending needs one; look at the pit probe"
            case Event() if type(event) in _MOVES:
                was, of_last_fire = state.phase, state.food
                state, why = move(state, _MOVES[type(event)], now_s)
                food = food if state.food is of_last_fire else state.food
                if not why:
                    state = _aim_for_phase(state, event, was)
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
    state, why = move(state, Move.SET_POINT, now_s)
    if why:
        return state, why
    if state.before_ease_c is not None:  # another set point ends keeping warm, under an open lid too
        lid_off_while = Phase.SETTLING if state.before_lid is Phase.EASING else state.before_lid
        state = replace(state, before_ease_c=None, before_lid=lid_off_while)
    return _aimed(state, wanted_c), ""


def _aimed(state: State, wanted_c: float) -> State:
    lower = wanted_c < state.set_point_c or state.air.lowered_s is not None
    lowered = lower and state.pit.known and state.pit.smooth_c > wanted_c
    lowered_s = (state.air.lowered_s or 0.0) if lowered else None
    return replace(state, set_point_c=wanted_c, air=replace(state.air, lowered_s=lowered_s))


def _aim_for_phase(state: State, event: Event, was: Phase) -> State:
    if isinstance(event, Ease) and was is not Phase.EASING:
        return replace(_aimed(state, state.config.keep_warm_c), before_ease_c=state.set_point_c)
    if isinstance(event, Tend) and was is Phase.EASING and state.before_ease_c is not None:
        return replace(_aimed(state, state.before_ease_c), before_ease_c=None)
    return state


def under(state: State, config: Config) -> State:
    """The cook going on under another configuration, after a restart.

    A set point that the configuration changed counts; one that a person asked for stays, within the range.
    """
    was, low, high = state.config, config.least_set_point_c, config.highest_set_point_c

    def kept(wanted_c: float, before_c: float, now_c: float) -> float:
        return min(max(wanted_c if before_c == now_c else now_c, low), high)

    if state.before_ease_c is None:
        aim_c, after_c = kept(state.set_point_c, was.set_point_c, config.set_point_c), None
    else:
        aim_c = kept(state.set_point_c, was.keep_warm_c, config.keep_warm_c)
        after_c = kept(state.before_ease_c, was.set_point_c, config.set_point_c)
    state = replace(state, config=config, before_ease_c=after_c)
    return state if aim_c == state.set_point_c else _aimed(state, aim_c)


def follow_pit(state: State, now_s: float, ambient_c: float) -> State:
    """The moves that the pit itself makes: lid, nearing, steady, cooled, and a fire nobody spoke of.

    ambient_c: the air outside.
    """
    if state.lid.off and state.phase in phases.FIRE_TENDED:
        return move(state, Move.LID_OFF, now_s)[0]
    if not state.lid.off and state.phase is Phase.LID_OFF:
        return move(state, Move.LID_ON, now_s)[0]
    seen, rules = state.pit, state.config.lighting
    if seen.fast_c is None:
        return state
    if (
        state.phase is Phase.COLD
        and seen.smooth_c > rules.hot_c
        and seen.steady_slope_c_per_s > rules.hot_slope_c_per_s
    ):
        return move(state, Move.LIGHT, now_s)[0]
    if state.phase is Phase.LIGHTING:
        ahead_c = seen.smooth_c + max(seen.slope_c_per_s, 0.0) * rules.ahead_s
        if ahead_c >= state.set_point_c - rules.margin_c and seen.smooth_c > rules.warm_c:
            return move(state, Move.NEARING, now_s)[0]
    if state.phase is Phase.SETTLING:
        near = abs(seen.smooth_c - state.set_point_c) < rules.steady_c
        since = (now_s if state.steady_since_s is None else state.steady_since_s) if near else None
        if since is not None and now_s - since >= rules.steady_s:
            return move(state, Move.STEADY, now_s)[0]
        return replace(state, steady_since_s=since)
    if state.phase is Phase.SNUFFING:
        cool = seen.smooth_c < max(
            rules.out_below_c, min(ambient_c, rules.hot_day_c) + rules.out_over_ambient_c
        )
        since = (now_s if state.cool_since_s is None else state.cool_since_s) if cool else None
        if since is not None and now_s - since >= rules.out_for_s:
            return move(state, Move.COOLED, now_s)[0]
        return replace(state, cool_since_s=since)
    return state
