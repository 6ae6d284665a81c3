"""How quickly this kettle answers, measured once: from the first throttling to the pit's slope halving.

At the end of lighting the vents go from wide open to what holds, the largest step of the whole cook. The
time until the pit's slope has halved, less what our own slope filter takes, is the loop's delay: dead time,
fire, chamber, probe and smoothing together. Gains follow it (`gain`), so a slow dome probe or a heavy lid
gets a slower loop without anybody telling. What cannot be told from noise, or is cut short by a lid, is not
measured at all: a delay taken for too short would make the loop too lively for the whole cook.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from coalminder.core.config import ResponseConfig


@dataclass(frozen=True, slots=True)
class ResponseState:
    """started_s, slope: of the throttling that is being watched; below_s: since when the slope is halved.

    delay_s: measured, None before.
    """

    started_s: float | None = None
    slope_c_per_s: float = 0.0
    below_s: float | None = None
    delay_s: float | None = None


def start(
    state: ResponseState, config: ResponseConfig, slope_c_per_s: float, slope_noise: float, now_s: float
) -> ResponseState:
    """Throttling begins now, with the pit rising at `slope_c_per_s`; watched if that is no noise.

    slope_noise: standard deviation of the slope that the probe's noise alone makes, in K/s.
    """
    least = max(config.least_slope_c_per_s, config.slope_over_noise * slope_noise)
    return ResponseState(now_s, slope_c_per_s, None, state.delay_s) if slope_c_per_s > least else state


def watch(
    state: ResponseState, config: ResponseConfig, slope_c_per_s: float, slope_share_s: float, now_s: float
) -> ResponseState:
    """One step; measured once the slope has stayed halved for `sure_s`, or has not halved for `longest_s`.

    slope_share_s: the part of it that our slope filter takes.
    """
    if state.started_s is None:
        return state
    if slope_c_per_s < -max(state.slope_c_per_s, config.lid_slope_c_per_s):
        return give_up(state)  # no throttling makes a pit fall like this: a lid
    lag_s = now_s - state.started_s
    if slope_c_per_s <= 0.5 * state.slope_c_per_s:
        below_s = now_s if state.below_s is None else state.below_s
        if now_s - below_s >= config.sure_s:
            return ResponseState(delay_s=max(below_s - state.started_s - slope_share_s, 0.0))
        return replace(state, below_s=below_s)
    if lag_s >= config.longest_s:
        return ResponseState(delay_s=max(lag_s - slope_share_s, 0.0))
    return replace(state, below_s=None)


def give_up(state: ResponseState) -> ResponseState:
    """The lid came off while it was watched: nothing can be measured."""
    return ResponseState(delay_s=state.delay_s)


def gain(state: ResponseState, config: ResponseConfig, smooth_s: float = 0.0) -> float:
    """Factor for the loop's gains, `least_gain` .. 1: 1 up to a delay of `usual_s`, then as 1 / delay.

    From SIMC for an integrating process, Kc = 1 / (k' (tau_c + theta)) with tau_c = theta (Skogestad 2003):
    the gain goes as the inverse of the delay. smooth_s: lag of our smoothing now; the delay counts as
    `smoothing_times` it at least, for where noise needs much smoothing a loop as quick as that would follow
    the noise. Without a measurement no more than `unknown_gain`; 1 where not to adapt.
    """
    if not config.adapt:
        return 1.0
    most = config.unknown_gain if state.delay_s is None else 1.0
    delay_s = max(state.delay_s or 0.0, config.smoothing_times * smooth_s, 1.0)
    return min(max(config.usual_s / delay_s, config.least_gain), most)
