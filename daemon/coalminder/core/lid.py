"""Recognises a lifted lid without a switch (and with one).

A lid lift makes the pit fall many times faster than shut vents ever do: the lag between a slow and a fast
low-pass of the same reading is slope x (slow_s - fast_s). The lid is back when the reading has risen from
its lowest, or, failing that, after a time limit: a lid that nobody can see must not hold the loop for ever.
A person who said that it is off often has no hand free to say that it is on again: then a leap of the pit
says it, the cumulative sum (Page 1954) of its rise beyond what a fire in the open does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.core.config import LidConfig
from coalminder.core.pit import PitState
from coalminder.frozen import replace


@dataclass(frozen=True, slots=True)
class LidState:
    """off: the lid is taken to be off. told: a person or a switch said so, not the pit.

    lowest_c: lowest reading since; before_c: reading before; blind_until_s: no recognition before (the
    dip's own tail). doubt: the pit fell and neither rose again nor did anybody say why: the probe may have
    fallen out, so its low reading is no reason to open the vents wide. announced_s: when a person said that
    the lid is about to come off; a switch that still sees it on does not overrule that at once.
    back_unsaid: only the pit told that it is back. over_c: how far the pit was over its set point of late;
    surge_c: how quickly it rose of late, as the lead of the fast low-pass over the slow one; seen_s when
    the pit was last looked at. old_fall: somebody said that the lid is back, and the pit has not ceased to
    fall since (a slow probe, cold food, unlit charcoal). foot_c: where a leap of the pit would begin: it
    follows a fall at once, and a rise no quicker than a fire in the open makes one.
    """

    off: bool = False
    told: bool = False
    since_s: float = 0.0
    lowest_c: float = 0.0
    before_c: float = 0.0
    blind_until_s: float = 0.0
    back_s: float | None = None
    lifts: int = 0
    doubt: bool = False
    announced_s: float | None = None
    back_unsaid: bool = False
    over_c: float = 0.0
    surge_c: float = 0.0
    seen_s: float = 0.0
    old_fall: bool = False
    foot_c: float = 0.0


def watch(
    state: LidState,
    config: LidConfig,
    pit: PitState,
    switch_open: bool | None,
    notice: bool | None,
    now_s: float,
    closing_v: float,
    set_point_c: float,
    coming_up: bool = False,
    wood_s: float | None = None,
    food_s: float | None = None,
) -> LidState:
    """The lid after one step.

    switch_open: None without a switch; notice: what a person said in this step; closing_v: how much the
    vents were closed of late, for a fall that they explain is no lid; nor is one from far over the set point,
    where wood or gathered fuel gas has just burnt off, nor its end under the set point, while the vents are
    still shut; nor one no quicker than the pit rose of late, for small pieces of coal catch and burn out as
    quickly (coming_up: the rise of a new fire says nothing of that). wood_s, food_s: when wood was last laid
    on, food laid in.
    """
    if notice is True:
        state = replace(state, announced_s=now_s)
    off_word = notice if notice is not None else switch_open
    announced = state.announced_s is not None and now_s - state.announced_s < config.announced_s
    if switch_open is False and notice is None and announced:
        off_word = None  # said before the lid is in the hand: the switch has not seen it yet
    if off_word is False or (state.doubt and pit.smooth_c > _sure_c(state, config, set_point_c)):
        state = replace(state, doubt=False, back_unsaid=state.back_unsaid and off_word is not False)
    if off_word is True and not state.off:
        return _lifted(state, now_s, pit.smooth_c, pit.slow_c, told=True)
    if off_word is False and state.off and (notice is False or state.told):
        return _back(state, config, now_s, unsaid=False)
    if off_word is True and state.off and not state.told:
        state = replace(state, told=True)
    if pit.fast_c is None or pit.age_s > 0.0:
        return state
    fast, passed_s = pit.fast_c, max(now_s - state.seen_s, 0.0)
    kept = math.exp(-passed_s / config.over_s)
    back = state.off or (state.back_s is not None and now_s - state.back_s < config.recovery_s)
    # the return under the lid is as quick as the next lift, and so is the rise of a new fire
    rise_c = 0.0 if back or coming_up else fast - pit.slow_c
    over_c, surge_c = max(kept * state.over_c, fast - set_point_c), max(kept * state.surge_c, rise_c)
    state = replace(state, over_c=over_c, surge_c=surge_c, seen_s=now_s)
    may_tell = switch_open is None  # without a switch the pit tells
    if state.off:
        return _while_off(state, config, fast, passed_s, may_tell, now_s, wood_s, food_s)
    expected_c = config.drop_c_per_closing_v * closing_v + config.drop_c_per_over_c * state.over_c
    falling = pit.slow_c - fast > config.drop_c + max(expected_c, state.surge_c)
    if state.old_fall and not falling:
        state = replace(state, old_fall=False)
    new_fall = falling and not state.old_fall
    if may_tell and config.recognise and new_fall and now_s >= state.blind_until_s:
        return _lifted(state, now_s, fast, pit.slow_c, told=False)
    return state


def _while_off(
    state: LidState,
    config: LidConfig,
    fast: float,
    passed_s: float,
    may_tell: bool,
    now_s: float,
    wood_s: float | None,
    food_s: float | None,
) -> LidState:
    """The lid after a step that began without it: back by what the pit shows, or by the time it took.

    The end of wood's flames falls like a lid lift, over coals that starved under them and must not be kept
    short of air for long. Nor must those under cold food, which keeps the pit down when its lid is on again;
    whoever reported it laid in has been there.
    """
    lowest = min(state.lowest_c, fast)
    foot = min(state.foot_c + config.fed_c_per_s * passed_s, fast)
    fell = lowest < state.before_c - config.drop_c
    leapt = fell and fast > foot + config.drop_c
    risen = leapt or fast > lowest + (config.told_rise_c if state.told else config.rise_c)
    laid = food_s is not None and food_s > state.since_s - config.announced_s
    if may_tell and risen and now_s - state.since_s > config.shortest_s:
        return _back(state, config, now_s, unsaid=(leapt or not state.told) and not laid)
    after_wood_s = math.inf if wood_s is None or state.told else state.since_s - wood_s
    flamed = config.least_flames_s < after_wood_s < config.longest_flames_s
    longest_s = config.longest_flamed_s if flamed or laid else config.longest_s
    if may_tell and now_s - state.since_s > longest_s:
        return replace(_back(state, config, now_s, unsaid=not state.told), doubt=not state.told)
    return replace(state, lowest_c=lowest, foot_c=foot)


def _sure_c(state: LidState, config: LidConfig, set_point_c: float) -> float:
    """A pit this warm is under its lid: near what it was before, which may have been a flare, or where it
    should be.
    """
    return min(state.before_c - config.doubt_ends_c, set_point_c - config.unsure_c)


def _lifted(state: LidState, now_s: float, here_c: float, before_c: float, *, told: bool) -> LidState:
    return replace(
        state, off=True, told=told, since_s=now_s, lowest_c=here_c, foot_c=here_c, before_c=before_c,
        lifts=state.lifts + 1,
    )  # fmt: skip


def _back(state: LidState, config: LidConfig, now_s: float, *, unsaid: bool) -> LidState:
    return replace(
        state, off=False, told=False, since_s=now_s, blind_until_s=now_s + config.blind_s, back_s=now_s,
        announced_s=None, back_unsaid=unsaid, old_fall=not unsaid,
    )  # fmt: skip
