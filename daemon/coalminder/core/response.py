"""How quickly and how strongly this kettle answers, measured once: at the first throttling.

At the end of lighting the vents go from wide open to what holds, the largest step of the whole cook. The
time until the pit's slope has halved, less what our own slope filter takes, is the loop's delay: dead time,
fire, chamber, probe and smoothing together. Gains follow it (`gain`), so a slow dome probe or a heavy lid
gets a slower loop without anybody telling. By how much the slope has fallen for a unit of v (`per_v`) is how
strongly the kettle answers; one that does so more than usual is calmed beforehand (oscillation.py). What
cannot be told from noise, or is cut short by a lid, is not measured at all: a delay taken for too short
would make the loop too lively for the whole cook.
"""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.core.config import ResponseConfig
from coalminder.frozen import replace


@dataclass(frozen=True, slots=True)
class ResponseState:
    """started_s, slope: of the throttling that is being watched; below_s: since when the slope is halved.

    wide_v: draught before it; lowest_c_per_s, lowest_v: of slope and draught since. delay_s: measured, None
    before; per_v: by how many K/s the slope answered a unit of v, None while not known.
    """

    started_s: float | None = None
    slope_c_per_s: float = 0.0
    below_s: float | None = None
    wide_v: float = 0.0
    lowest_c_per_s: float = 0.0
    lowest_v: float = 0.0
    delay_s: float | None = None
    per_v: float | None = None


def start(
    state: ResponseState,
    config: ResponseConfig,
    slope_c_per_s: float,
    slope_noise: float,
    now_s: float,
    wide_v: float,
) -> ResponseState:
    """Throttling from `wide_v` begins now, the pit rising at `slope_c_per_s`; watched if that is no noise.

    slope_noise: standard deviation of the slope that the probe's noise alone makes, in K/s.
    """
    least = max(config.least_slope_c_per_s, config.slope_over_noise * slope_noise)
    if slope_c_per_s <= least:
        return state
    return replace(
        state, started_s=now_s, slope_c_per_s=slope_c_per_s, below_s=None,
        wide_v=wide_v, lowest_c_per_s=slope_c_per_s, lowest_v=wide_v,
    )  # fmt: skip


def watch(
    state: ResponseState,
    config: ResponseConfig,
    slope_c_per_s: float,
    slope_share_s: float,
    now_s: float,
    applied_v: float,
) -> ResponseState:
    """One step; measured once the slope has stayed halved for `sure_s`, or has not halved for `longest_s`.

    slope_share_s: the part of it that our slope filter takes.
    """
    started_s = state.started_s
    if started_s is None:
        return state
    if slope_c_per_s < -max(state.slope_c_per_s, config.lid_slope_c_per_s):
        return give_up(state)  # no throttling makes a pit fall like this: a lid
    state = replace(
        state,
        lowest_c_per_s=min(state.lowest_c_per_s, slope_c_per_s),
        lowest_v=min(state.lowest_v, applied_v),
    )
    lag_s = now_s - started_s
    if slope_c_per_s <= 0.5 * state.slope_c_per_s:
        below_s = now_s if state.below_s is None else state.below_s
        if now_s - below_s >= config.sure_s:
            return _measured(state, below_s - started_s - slope_share_s)
        return replace(state, below_s=below_s)
    if lag_s >= config.longest_s:
        return _measured(state, lag_s - slope_share_s)
    return replace(state, below_s=None)


def _measured(state: ResponseState, delay_s: float) -> ResponseState:
    step_v = state.wide_v - state.lowest_v
    fell_c_per_s = state.slope_c_per_s - state.lowest_c_per_s
    return ResponseState(delay_s=max(delay_s, 0.0), per_v=fell_c_per_s / step_v if step_v > 0.0 else None)


def give_up(state: ResponseState) -> ResponseState:
    """The lid came off while it was watched: nothing can be measured."""
    return ResponseState(delay_s=state.delay_s, per_v=state.per_v)


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
