"""A first-order lag with dead time (FOPDT): gain k, lag tau_s, dead time theta_s.

G(s) = k exp(-theta s) / (tau s + 1). The input is piecewise constant between samples (zero-order hold),
so the response is exact at the samples, whatever the step and also for dead times between samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fopdt:
    """k: output per unit of input; tau_s > 0: lag; theta_s >= 0: dead time."""

    k: float
    tau_s: float
    theta_s: float

    @property
    def slope_per_s(self) -> float:
        """Initial slope after a unit step, k / tau: what matters to a loop faster than tau."""
        return self.k / self.tau_s

    def at(self, omega: Floats) -> NDArray[np.complex128]:
        """G(j omega); omega in rad/s, any shape."""
        return np.asarray(self.k * np.exp(-1j * omega * self.theta_s) / (1j * omega * self.tau_s + 1.0))


def unit_response(u: Floats, step_s: float, tau_s: float, theta_s: float) -> Floats:
    """Output of the unit-gain model for `u` (n,), held over each step; in rest at u[0] before it.

    The sample i is the output at the start of step i, before u[i] acts.
    """
    du = u - u[0]
    whole = int(theta_s // step_s)
    part = theta_s / step_s - whole
    delayed = np.zeros(len(u) + whole + 2)
    delayed[whole + 1 : whole + 1 + len(u)] = du
    # In each step the older input acts for `part` of it, then the newer one.
    a = math.exp(-step_s / tau_s)
    new = 1.0 - math.exp(-(1.0 - part) * step_s / tau_s)
    old = math.exp(-(1.0 - part) * step_s / tau_s) - a
    # delayed[j + 1] is du[j - whole]; the step ending at i starts at i - 1.
    n = len(u)
    drive = new * delayed[0:n] + old * np.concatenate([[0.0], delayed[0 : n - 1]])
    return np.asarray(u[0] + lfilter([1.0], [1.0, -a], drive))


def response(model: Fopdt, u: Floats, step_s: float, start: float = 0.0) -> Floats:
    """Output of `model` for `u`, at rest at `start` before: start + k (y_unit - u[0])."""
    return np.asarray(start + model.k * (unit_response(u, step_s, model.tau_s, model.theta_s) - u[0]))


def two_point(time_s: Floats, output: Floats, step_at_s: float, step_size: float) -> Fopdt:
    """Smith's two-point method on a clean step response that has come to rest.

    tau = 1.5 (t63.2 - t28.3), theta = t63.2 - tau (Smith 1972). Raises ValueError when the output does
    not move towards its end value.
    """
    before = output[time_s <= step_at_s]
    start = float(before[-1]) if len(before) else float(output[0])
    end = float(np.mean(output[-max(1, len(output) // 20) :]))
    if step_size == 0.0 or end == start:
        raise ValueError("no step to measure")
    done = (output - start) / (end - start)
    t28, t63 = (_first_crossing(time_s, done, level, step_at_s) for level in (0.283, 0.632))
    tau_s = 1.5 * (t63 - t28)
    return Fopdt((end - start) / step_size, tau_s, max(t63 - tau_s, 0.0))


def _first_crossing(time_s: Floats, done: Floats, level: float, step_at_s: float) -> float:
    after = np.flatnonzero((time_s > step_at_s) & (done >= level))
    if not len(after):
        raise ValueError("the response has not come to rest")
    i = int(after[0])
    t0, t1, y0, y1 = time_s[i - 1], time_s[i], done[i - 1], done[i]
    part = (level - y0) / (y1 - y0) if y1 > y0 else 1.0
    return float(t0 + part * (t1 - t0) - step_at_s)
