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


def response(model: Fopdt, u: Floats, step_s: float) -> Floats:
    """Output of `model` for `u`, at rest at 0 before: k (y_unit - u[0])."""
    return np.asarray(model.k * (unit_response(u, step_s, model.tau_s, model.theta_s) - u[0]))
