"""Notices a loop that swings by itself and calms its gains.

After Hägglund, 'A control-loop performance monitor', Control Engineering Practice 3 (1995): look at the error
between its zero crossings; several half swings in a row that are large, quick and do not die out are the
loop's own. (From memory; thresholds are ours.) Wind comes irregularly and seldom passes; where it swings the
pit violently, a lively loop makes it worse, and calmer gains are right all the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from coalminder.core.config import OscillationConfig


@dataclass(frozen=True, slots=True)
class OscillationState:
    """gain: factor for the loop's gains; peak_c: largest error of this half swing; swings: such in a row.

    wholes: size in K and length in s of the last two whole swings, each of two halves, the later one last;
    repeats: halves in a row at whose end the whole swing was like the one before it.
    """

    gain: float = 1.0
    sign: int = 0
    since_s: float = 0.0
    peak_c: float = 0.0
    last_peak_c: float = 0.0
    last_for_s: float = 0.0
    swings: int = 0
    calm_since_s: float = 0.0
    wholes: tuple[tuple[float, float], ...] = ()
    repeats: int = 0


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
        return OscillationState(
            gain, sign, state.since_s if state.sign else now_s, peak_c, state.last_peak_c, state.last_for_s,
            state.swings, calm_since_s, state.wholes, state.repeats,
        )  # fmt: skip
    for_s = now_s - state.since_s
    large = state.peak_c > least_c and for_s < config.longest_half_s
    alike = (
        state.peak_c > config.alike * state.last_peak_c
        and config.alike * state.last_for_s < for_s < state.last_for_s / config.alike
    )
    alike = alike or min(state.peak_c, state.last_peak_c) > config.violent * least_c
    swings = (state.swings + 1 if alike else 1) if large else 0
    wholes: tuple[tuple[float, float], ...] = ()
    repeats = 0
    if large and state.last_peak_c > 0.0:
        whole = state.peak_c + state.last_peak_c, for_s + state.last_for_s
        wholes = (*state.wholes[-1:], whole)
        again = len(state.wholes) == 2 and _alike(state.wholes[0], whole, config.alike)
        repeats = state.repeats + 1 if again else 0
    gain, calm_since_s = state.gain, state.calm_since_s
    if swings >= config.swings or repeats >= config.repeats:
        least_gain = min(config.least_gain, config.least_gain_in_all / slowed)
        gain, calm_since_s = max(gain * config.step, min(gain, least_gain)), now_s
        swings, repeats = 1, 0
    return OscillationState(
        gain,
        sign,
        now_s,
        abs(error_c),
        state.peak_c if large else 0.0,
        for_s if large else 0.0,
        swings,
        calm_since_s,
        wholes,
        repeats,
    )


def presume(
    state: OscillationState, config: OscillationConfig, per_v: float, now_s: float, slowed: float
) -> OscillationState:
    """A kettle that answers by more than strong_per_v K/s to a unit of v would swing: calmed beforehand."""
    least_gain = min(config.least_gain, config.least_gain_in_all / slowed)
    gain = min(state.gain, max(config.strong_per_v / max(per_v, 1e-6), least_gain))
    return replace(state, gain=gain, calm_since_s=now_s) if gain < state.gain else state


def _alike(before: tuple[float, float], now: tuple[float, float], least: float) -> bool:
    """Neither size nor length is less than `least` of the other's."""
    return all(least * max(a, b) < min(a, b) for a, b in zip(before, now, strict=True))
