"""Notices a loop that swings by itself and calms its gains.

After Hägglund, 'A control-loop performance monitor', Control Engineering Practice 3 (1995): look at the error
between its zero crossings; several half swings in a row that are large, quick and do not die out are the
loop's own. (From memory; thresholds are ours.) Wind comes irregularly and seldom passes; where it swings the
pit violently, a lively loop makes it worse, and calmer gains are right all the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.core.config import OscillationConfig
from coalminder.frozen import replace

_Swing = tuple[float, float]  # size in K, length in s


@dataclass(frozen=True, slots=True)
class OscillationState:
    """gain: factor for the loop's gains; peak_c: largest error of this half swing; swings: such in a row.

    halves: size in K and length in s of the last three half swings, as far as all since were large, the
    latest one last; repeats: how many in a row made a whole swing that was like the whole one before it.
    """

    gain: float = 1.0
    sign: int = 0
    since_s: float = 0.0
    peak_c: float = 0.0
    halves: tuple[_Swing, ...] = ()
    swings: int = 0
    repeats: int = 0
    calm_since_s: float = 0.0


def watch(
    state: OscillationState,
    config: OscillationConfig,
    error_c: float,
    noise_c: float,
    now_s: float,
    free: bool = True,
    slowed: float = 1.0,
) -> OscillationState:
    """One step with the smoothed error, while the loop drives the vents and the lid is on.

    slowed: the factor that the gains have for the kettle's delay. A quick kettle's may fall further.
    free: the vents are at neither end of what they may do. Then a large error that stays on one side for
    longer than any swing says that the calmed loop is too weak for a load that stays (rain, a sunset).
    """
    least_c = max(config.least_swing_c, config.noise_times * noise_c)
    sign = 1 if error_c > 0.25 * least_c else -1 if error_c < -0.25 * least_c else state.sign
    if sign == state.sign or state.sign == 0:
        gain, calm_since_s = state.gain, state.calm_since_s
        calm = max(state.swings, state.repeats) < 2 and now_s - calm_since_s > config.forgive_s
        for_s = now_s - max(state.since_s, calm_since_s)
        weak = free and for_s > config.longest_half_s and abs(error_c) > config.violent * least_c
        if gain < 1.0 and (calm or weak):
            gain, calm_since_s = min(gain / config.step, 1.0), now_s
        peak_c = max(state.peak_c, abs(error_c))
        since_s = state.since_s if state.sign else now_s
        return replace(state, gain=gain, sign=sign, since_s=since_s, peak_c=peak_c, calm_since_s=calm_since_s)
    for_s = now_s - state.since_s
    large = state.peak_c > least_c and for_s < config.longest_half_s
    last_peak_c, last_for_s = state.halves[-1] if state.halves else (0.0, 0.0)
    alike = (
        state.peak_c > config.alike * last_peak_c
        and config.alike * last_for_s < for_s < last_for_s / config.alike
    )
    violent_c = config.violent * least_c
    alike = alike or min(state.peak_c, last_peak_c) > violent_c
    swings = (state.swings + 1 if alike else 1) if large else 0
    halves = (*state.halves, (state.peak_c, for_s)) if large else ()
    again = len(halves) == 4 and _alike(_whole(halves[:2]), _whole(halves[2:]), config.alike)
    repeats = state.repeats + 1 if again else 0
    gain, calm_since_s = state.gain, state.calm_since_s
    if swings >= config.swings or repeats >= config.repeats:
        violent = len(halves) == 4 and min(size_c for size_c, _ in halves) > violent_c
        least = _least_gain(config, slowed, violent)
        gain, calm_since_s = max(gain * config.step, min(gain, least)), now_s
        swings, repeats = 1, 0
    return OscillationState(gain, sign, now_s, abs(error_c), halves[-3:], swings, repeats, calm_since_s)


def presume(
    state: OscillationState, config: OscillationConfig, per_v: float, now_s: float, slowed: float
) -> OscillationState:
    """A kettle that answers by more than strong_per_v K/s to a unit of v would swing: calmed beforehand."""
    gain = min(state.gain, max(config.strong_per_v / max(per_v, 1e-6), _least_gain(config, slowed)))
    return replace(state, gain=gain, calm_since_s=now_s) if gain < state.gain else state


def _least_gain(config: OscillationConfig, slowed: float, violent: bool = False) -> float:
    in_all = config.least_gain_violent if violent else config.least_gain_in_all
    return min(config.least_gain, in_all / slowed)


def _whole(halves: tuple[_Swing, ...]) -> _Swing:
    (size_c, for_s), (next_size_c, next_for_s) = halves
    return size_c + next_size_c, for_s + next_for_s


def _alike(before: _Swing, now: _Swing, least: float) -> bool:
    """Neither size nor length is less than `least` of the other's."""
    return all(least * max(a, b) < min(a, b) for a, b in zip(before, now, strict=True))
