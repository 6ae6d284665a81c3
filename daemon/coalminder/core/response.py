"""How quickly this kettle answers, measured once: from the first throttling to the pit's slope halving.

At the end of lighting the vents go from wide open to what holds, the largest step of the whole cook. The
time until the pit's slope has halved is dead time, fire, chamber, probe and our own filters together. Gains
follow it (`gain`), so a slow dome probe or a heavy lid gets a slower loop without anybody telling.
"""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.core.config import ResponseConfig


@dataclass(frozen=True, slots=True)
class ResponseState:
    """started_s, slope: of the throttling that is being watched; lag_s: measured, None before."""

    started_s: float | None = None
    slope_c_per_s: float = 0.0
    lag_s: float | None = None


def start(state: ResponseState, slope_c_per_s: float, now_s: float) -> ResponseState:
    """Throttling begins now, with the pit rising at `slope_c_per_s` (> 0 to be worth watching)."""
    return ResponseState(now_s, slope_c_per_s, state.lag_s) if slope_c_per_s > 0.0 else state


def watch(state: ResponseState, config: ResponseConfig, slope_c_per_s: float, now_s: float) -> ResponseState:
    """One step; the lag is set when the slope has halved, or when it has not for `longest_s`."""
    if state.started_s is None:
        return state
    lag_s = now_s - state.started_s
    if slope_c_per_s > 0.5 * state.slope_c_per_s and lag_s < config.longest_s:
        return state
    return ResponseState(None, 0.0, lag_s)


def gain(state: ResponseState, config: ResponseConfig, own_lag_s: float = 0.0) -> float:
    """Factor for the loop's gains, `least_gain` .. 1: 1 up to a lag of `usual_s`, then falling as 1 / lag.

    From SIMC for an integrating process, Kc = 1 / (k' (tau_c + theta)) with tau_c = theta (Skogestad 2003):
    the gain goes as the inverse of the delay. own_lag_s: of our filters now, part of the loop's lag whatever
    was heard. Without a measurement no more than `unknown_gain`; 1 where not to adapt.
    """
    if not config.adapt:
        return 1.0
    most = config.unknown_gain if state.lag_s is None else 1.0
    lag_s = max(state.lag_s or 0.0, own_lag_s, 1.0)
    return min(max(config.usual_s / lag_s, config.least_gain), most)
