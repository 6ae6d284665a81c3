"""The pit as the core sees it: one trusted temperature, smoothed, with its slope.

Two first-order low-passes and a smoothed slope: `fast_c` follows in seconds (lid lifts), `smooth_c` is
what the loop works on, `slope_c_per_s` its rate; `steady_slope_c_per_s` is the rate over a minute, for
judgements.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.core.config import PitConfig
from coalminder.frozen import replace
from coalminder.lowpass import low_pass
from coalminder.values import COARSE_C, Reading, Sample

FRESH_S = 5.0
"""How long the last reading is shown for the present one: as long as a lost probe leaves the vents alone."""

_LONGEST_PERIOD_S = 30.0  # a probe shows something new at least so often, or it does not move at all


@dataclass(frozen=True, slots=True)
class PitState:
    """Filters of the pit; fast_c is None before the first reading. age_s: time since the last good one.

    variance_c2: of the noise, from reading to reading; held_s: how long the probe has shown the present one;
    period_s: the least time that it has shown one, None before it changed;
    rate_c_per_s: its last change over that time. on_second: the second probe stands in; offset_c: its
    usual difference from the first; good_s: how long the first has been good without a break.
    """

    fast_c: float | None = None
    smooth_c: float = 0.0
    slow_c: float = 0.0
    slope_c_per_s: float = 0.0
    steady_slope_c_per_s: float = 0.0
    age_s: float = 0.0
    raw_c: float = 0.0
    variance_c2: float = 0.0
    held_s: float = 0.0
    period_s: float | None = None
    rate_c_per_s: float = 0.0
    on_second: bool = False
    offset_c: float | None = None
    good_s: float = 0.0

    @property
    def known(self) -> bool:
        """Whether there is a temperature to show: one was read, and not long ago."""
        return self.fast_c is not None and self.age_s <= FRESH_S

    @property
    def noise_c(self) -> float:
        """Standard deviation of the probe's noise, in K, as white noise read every second.

        What a slow probe shows stays for its whole period: the filters see the noise of that many seconds.
        """
        return math.sqrt(self.variance_c2 * max(self.period_s or 1.0, 1.0))


def trusted_c(sample: Sample | None) -> float | None:
    """The temperature of a finite reading; None for a fault, for none, and for what is no number."""
    if isinstance(sample, Reading) and math.isfinite(sample.temp_c):
        return sample.temp_c
    return None


def observe(state: PitState, config: PitConfig, pit: Sample, pit_2: Sample | None, dt_s: float) -> PitState:
    """Take one reading of both probes; without one the filters stand still. dt_s > 0.

    The second probe stands in for a lost one less the difference learned while both were good, so that the
    change of probes is no step, and until the first has been good for `trust_again_s`.
    """
    first_c, second_c = trusted_c(pit), trusted_c(pit_2)
    offset_c = state.offset_c
    if first_c is not None and second_c is not None and not state.on_second:
        difference = min(max(second_c - first_c, -config.most_offset_c), config.most_offset_c)
        known = difference if offset_c is None else offset_c
        offset_c = low_pass(known, difference, config.offset_s, dt_s)
    good_s = state.good_s + dt_s if first_c is not None else 0.0
    on_second = second_c is not None and (
        first_c is None or (state.on_second and good_s < config.trust_again_s)
    )
    temp_c = second_c - (offset_c or 0.0) if on_second and second_c is not None else first_c
    state = replace(state, on_second=on_second, offset_c=offset_c, good_s=good_s)
    if temp_c is None:
        return replace(state, age_s=state.age_s + dt_s)
    return _filter(state, config, temp_c, dt_s)


def _filter(state: PitState, config: PitConfig, temp_c: float, dt_s: float) -> PitState:
    if state.fast_c is None or state.age_s + dt_s > config.restart_after_s:
        return replace(
            state,
            fast_c=temp_c,
            smooth_c=temp_c,
            slow_c=temp_c,
            slope_c_per_s=0.0,
            steady_slope_c_per_s=0.0,
            age_s=0.0,
            raw_c=temp_c,
            held_s=0.0,
        )
    gap_s = dt_s + state.age_s
    fast_c = state.fast_c
    state = _noise(state, config, temp_c, gap_s)
    smooth_c = low_pass(state.smooth_c, temp_c, smooth_s(config, state.noise_c), gap_s)
    rate = (smooth_c - state.smooth_c) / gap_s
    slope = low_pass(state.slope_c_per_s, rate, slope_s(config, state.noise_c), gap_s)
    return replace(
        state,
        fast_c=low_pass(fast_c, temp_c, config.fast_s, gap_s),
        smooth_c=smooth_c,
        slow_c=low_pass(state.slow_c, temp_c, config.slow_s, gap_s),
        slope_c_per_s=slope,
        steady_slope_c_per_s=low_pass(state.steady_slope_c_per_s, slope, config.steady_s, gap_s),
        age_s=0.0,
        raw_c=temp_c,
    )


def _noise(state: PitState, config: PitConfig, temp_c: float, gap_s: float) -> PitState:
    """Variance of white noise from second differences: E(x_n - 2 x_(n-1) + x_(n-2))^2 = 6 s^2.

    After von Neumann 1941, who took first ones; a steady rise, which a slow probe shows in leaps, drops out
    of second ones. One counts for no more than nine times the variance so far, plus a floor, so that a lid
    lift does not pass for noise. Within its period a slow probe says nothing new; the same figure for longer
    is readings without a difference.
    """
    jump, held_s = temp_c - state.raw_c, state.held_s + gap_s
    if jump == 0.0:
        return replace(state, held_s=held_s)
    period_s = min(held_s, state.period_s or _LONGEST_PERIOD_S)
    off_line = jump - state.rate_c_per_s * held_s
    square = min(off_line * off_line / 6.0, 9.0 * state.variance_c2 + 0.02) * period_s / held_s
    variance = low_pass(state.variance_c2, square, config.noise_s, held_s)
    return replace(state, variance_c2=variance, held_s=0.0, period_s=period_s, rate_c_per_s=jump / held_s)


def smooth_s(config: PitConfig, noise_c: float) -> float:
    """Lag of the smoothing, longer for a noisy probe."""
    return min(config.smooth_s + config.smooth_s_per_c * noise_c, config.smooth_max_s)


def slope_s(config: PitConfig, noise_c: float) -> float:
    """Lag of the slope's own low-pass, longer for a noisy probe."""
    return min(config.slope_s + config.slope_s_per_c * noise_c, config.slope_max_s)


def slope_share_s(config: PitConfig, noise_c: float) -> float:
    """How much later the smoothed slope has halved than the smoothed pit's own: ln 2 of its lag."""
    return math.log(2.0) * slope_s(config, noise_c)


def slope_noise(config: PitConfig, noise_c: float) -> float:
    """Standard deviation of the slope, in K/s, that white noise of the probe makes.

    The derivative of noise of unit density through two low-passes a and b has variance 1 / (2 a b (a + b));
    half a second is added to each lag for the sampling.
    """
    a, b = smooth_s(config, noise_c) + 0.5, slope_s(config, noise_c) + 0.5
    return noise_c * math.sqrt(1.0 / (2.0 * a * b * (a + b)))


def asked_v(config: PitConfig, still_s: float, step_c: float) -> float:
    """How far to lower the draught, in v >= 0, to see whether a reading that stands still is a live one.

    A pit held well by a heavy kettle can stand as still as a broken probe shows it; less air is the safe way
    to tell them apart. still_s: since the reading has changed; step_c: the least that it changes, 0 unknown.
    """
    after_s = config.ask_after_s * max(step_c / COARSE_C, 1.0)
    return min(max(still_s - after_s, 0.0) * config.ask_v_per_s, config.ask_most_v)
