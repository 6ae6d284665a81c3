"""The pit as the core sees it: one trusted temperature, smoothed, with its slope.

Two first-order low-passes and a smoothed slope: `fast_c` follows in seconds (lid lifts), `smooth_c` is
what the loop works on, `slope_c_per_s` its rate. First-order low-pass: y += (x - y) * dt / (tau + dt).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from coalminder.core.config import PitConfig
from coalminder.values import Reading, Sample


@dataclass(frozen=True, slots=True)
class PitState:
    """Filters of the pit; fast_c is None before the first reading. age_s: time since the last good one.

    variance_c2: of the noise, from reading to reading.
    """

    fast_c: float | None = None
    smooth_c: float = 0.0
    slow_c: float = 0.0
    slope_c_per_s: float = 0.0
    age_s: float = 0.0
    raw_c: float = 0.0
    variance_c2: float = 0.0

    @property
    def noise_c(self) -> float:
        """Standard deviation of the probe's noise, in K."""
        return math.sqrt(self.variance_c2)


def choose(pit: Sample, pit_2: Sample | None) -> float | None:
    """The temperature to control by: the pit probe, or the second one while the first has failed."""
    if isinstance(pit, Reading):
        return pit.temp_c
    return pit_2.temp_c if isinstance(pit_2, Reading) else None


def observe(state: PitState, config: PitConfig, temp_c: float | None, dt_s: float) -> PitState:
    """Take one reading (None: there was none; the filters stand still). dt_s > 0."""
    if temp_c is None:
        return replace(state, age_s=state.age_s + dt_s)
    if state.fast_c is None or state.age_s + dt_s > config.restart_after_s:
        return PitState(temp_c, temp_c, temp_c, 0.0, 0.0, temp_c, state.variance_c2)
    gap_s = dt_s + state.age_s
    fast = state.fast_c + (temp_c - state.fast_c) * gap_s / (config.fast_s + gap_s)
    variance = _noise(state, config, temp_c, gap_s)
    smooth = state.smooth_c + (temp_c - state.smooth_c) * gap_s / (smooth_s(state, config) + gap_s)
    slow = state.slow_c + (temp_c - state.slow_c) * gap_s / (config.slow_s + gap_s)
    rate = (smooth - state.smooth_c) / gap_s
    slope = state.slope_c_per_s + (rate - state.slope_c_per_s) * gap_s / (config.slope_s + gap_s)
    return PitState(fast, smooth, slow, slope, 0.0, temp_c, variance)


def _noise(state: PitState, config: PitConfig, temp_c: float, gap_s: float) -> float:
    """Variance of white noise from first differences: E(x_n - x_(n-1))^2 = 2 s^2 (von Neumann 1941).

    One difference counts for no more than nine times the variance so far, plus a floor, so that a lid lift
    does not pass for noise.
    """
    jump = temp_c - state.raw_c
    half = min(0.5 * jump * jump, 9.0 * state.variance_c2 + 0.02)
    return state.variance_c2 + (half - state.variance_c2) * gap_s / (config.noise_s + gap_s)


def smooth_s(state: PitState, config: PitConfig) -> float:
    """Lag of the smoothing, longer for a noisy probe."""
    return min(config.smooth_s + config.smooth_s_per_c * math.sqrt(state.variance_c2), config.smooth_max_s)
