"""The loop: simple-pid as the kernel that the cook can tune, guarded against everything it does not guard.

It works on v, the logarithm of the relative draught: an equal-percentage characteristic, as of a
control valve (IEC 60534-2-4), the leak its least flow. At low fire air sets the heat (oxygen-limited
burning), so a change of v changes the pit by about the same number of kelvin on a tight or a leaky kettle,
where a change of the opening itself does ten times as much on one as on the other.

Guards (simple-pid 2.0.1): it never sees NaN; dt is passed in and > 0; a fresh object takes the integral
from the state, so a step is pure; the derivative is ours, on the smoothed slope (it has no filter);
its clamp on the integral alone is not anti-windup, so the integral stands still while the output is at a
limit and the error pushes further, and while `hold` is set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from simple_pid import PID

from coalminder.core import pit
from coalminder.core.config import LoopConfig, PitConfig
from coalminder.frozen import replace
from coalminder.values import Terms

# A calmed loop's derivative time grows this many times at most: more keeps a light kettle swinging.
_CALMED_TIMES = 1.5


@dataclass(frozen=True, slots=True)
class LoopState:
    """integral_v: the integral term, in units of v."""

    integral_v: float = 0.0


def scaled(config: LoopConfig, gain: float, calm: float = 1.0) -> LoopConfig:
    """The gains for a loop `gain` times as quick: kp goes with it, ki with its square; kd stays.

    SIMC: kp goes as the inverse of the delay, the integral time as the delay. The derivative time kd / kp
    grows with the delay, as the lags of a slow kettle do, up to `longest_derivative_s`: what is slow for its
    dead time has no such lags. calm: another factor, for a loop that swings by itself; kd goes with it once
    kp is well down, for on a light kettle the derivative alone keeps up the swing.
    """
    slowed = gain * calm
    kp = config.kp * slowed
    kd = min(config.kd * min(_CALMED_TIMES * calm, 1.0), config.longest_derivative_s * kp)
    return replace(config, kp=kp, ki=config.ki * slowed * slowed, kd=kd)


def unscaled(config: LoopConfig, gain: float) -> LoopConfig:
    """The gains that `scaled` makes into these, as far as kd is no more than it allows. gain > 0."""
    return replace(config, kp=config.kp / gain, ki=config.ki / (gain * gain))


def _no_clock() -> float:
    return 0.0


def run(
    state: LoopState,
    config: LoopConfig,
    reference_c: float,
    measured_c: float,
    slope_c_per_s: float,
    dt_s: float,
    low_v: float,
    high_v: float,
    hold: bool = False,
    throttled: bool = False,
) -> tuple[LoopState, Terms]:
    """One step of the loop; the output lies in low_v .. high_v.

    reference_c: what the pit should show now; slope_c_per_s: its smoothed rate; hold: keep the integral.
    throttled: high_v is there for a moment and says nothing of what the pit needs, so the integral is not
    pulled down to it.
    """
    error_c = _error_c(config, reference_c, measured_c)
    kernel = PID(
        config.kp,
        config.ki,
        0.0,
        setpoint=error_c,
        sample_time=None,
        time_fn=_no_clock,
        starting_output=state.integral_v,
    )
    kernel(0.0, dt=dt_s)
    p, i, _ = kernel.components
    d = -config.kd * slope_c_per_s
    wanted = p + i + d
    winding_up = (wanted > high_v and error_c > 0.0) or (wanted < low_v and error_c < 0.0)
    if hold or winding_up:
        i = state.integral_v
        wanted = p + i + d
    i = min(max(i, low_v), max(high_v, state.integral_v) if throttled else high_v)
    output = min(max(wanted, low_v), high_v)
    return LoopState(i), Terms(p, i, d, output)


def hand_over(output_v: float, config: LoopConfig, reference_c: float, measured_c: float) -> LoopState:
    """The state that makes the next output equal `output_v` (bumpless transfer)."""
    return LoopState(output_v - config.kp * _error_c(config, reference_c, measured_c))


def _error_c(config: LoopConfig, reference_c: float, measured_c: float) -> float:
    """No more error than the P term may show: a deep dip (an unseen lid) must not wind the integral up."""
    most_c = config.proportional_limit_v / config.kp if config.kp > 0.0 else math.inf
    return min(max(reference_c - measured_c, -most_c), most_c)


def noise_v(config: LoopConfig, filters: PitConfig, noise_c: float) -> float:
    """How far the probe's noise alone moves the output (standard deviation), times `noise_deadband`.

    White noise of unit density through (c1 s + c0) / (d2 s^2 + d1 s + 1) has variance (c1^2 + c0^2 d2) /
    (2 d1 d2) (James, Nichols and Phillips 1947, from memory); here kp + kd s / (b s + 1) after 1 / (a s + 1),
    the lags a of the smoothing and b of the slope, half a second longer each for the sampling.
    """
    a, b = pit.smooth_s(filters, noise_c) + 0.5, pit.slope_s(filters, noise_c) + 0.5
    c1 = config.kp * b + config.kd
    variance = (c1 * c1 + config.kp * config.kp * a * b) / (2.0 * (a + b) * a * b)
    return config.noise_deadband * noise_c * math.sqrt(variance)
