"""Robustness of a loop from its frequency response: Ms, gain margin, phase margin.

Ms = max |1 / (1 + L(jw))|: the largest amplification of any disturbance, and 1/Ms the closest the loop
comes to instability. GM >= Ms/(Ms-1), PM >= 2 asin(1/(2 Ms)) (textbook relations).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from coalminder.core import pit as pit_filters
from coalminder.core.config import LoopConfig, PitConfig
from coalminder.replay.fopdt import Floats, Fopdt

Response = Callable[[Floats], NDArray[np.complex128]]
STEP_S = 1.0  # the core runs once a second


@dataclass(frozen=True, slots=True)
class Margins:
    """ms >= 1, inf when the loop is unstable; gain_margin as a factor; phase_margin_deg."""

    ms: float
    gain_margin: float
    phase_margin_deg: float


def core_controller(loop: LoopConfig, pit: PitConfig | None = None, noise_c: float = 0.15) -> Response:
    """C(jw) of the core's own loop: its filters of the pit, the smoothed slope and half a step of hold.

    smooth: first-order low-pass; slope: its difference quotient, low-passed again (core/pit.py), all as
    the discrete filters they are, at z = exp(jw). noise_c: standard deviation of the probe's noise, which
    lengthens both.
    """
    p = PitConfig() if pit is None else pit
    smooth_s, slope_s = pit_filters.smooth_s(p, noise_c), pit_filters.slope_s(p, noise_c)

    def at(omega: Floats) -> NDArray[np.complex128]:
        z = np.exp(1j * omega * STEP_S)
        smooth = _low_pass(smooth_s, z)
        slope = _low_pass(slope_s, z) * (1.0 - 1.0 / z) / STEP_S * smooth
        integral = STEP_S / (1.0 - 1.0 / z)
        hold = (1.0 - 1.0 / z) / (1j * omega * STEP_S)
        return np.asarray(((loop.kp + loop.ki * integral) * smooth + loop.kd * slope) * hold)

    return at


def _low_pass(tau_s: float, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    a = tau_s / (tau_s + STEP_S)
    return np.asarray((1.0 - a) / (1.0 - a / z))


def margins(loop: Response, slowest: float, fastest: float, points: int = 2000) -> Margins:
    """Margins of the open loop L(jw) between two angular frequencies, rad/s.

    The loop must have no open-loop pole in the right half plane; one integrator is allowed. Stability is
    judged by the encirclements of -1 (Nyquist).
    """
    omega = np.geomspace(slowest, fastest, points)
    values = loop(omega)
    turn = np.unwrap(np.angle(1.0 + values))
    # With no unstable open-loop pole the vector 1 + L must come back without a turn round -1.
    if (
        not np.all(np.isfinite(values))
        or turn[-1] - turn[0] < -math.pi / 2 - 1e-6
        or np.any(np.diff(turn) < -2.5)
    ):
        return Margins(math.inf, 0.0, 0.0)
    distance = np.abs(1.0 + values)
    i = int(np.argmin(distance))
    low, high = omega[max(i - 1, 0)], omega[min(i + 1, points - 1)]
    nearest = minimize_scalar(
        lambda w: float(abs(1.0 + loop(np.array([w]))[0])), bounds=(low, high), method="bounded",
        options={"xatol": 1e-6 * low},
    )  # fmt: skip
    ms = 1.0 / min(float(nearest.fun), float(distance[i]))
    return Margins(ms, _gain_margin(values), _phase_margin(values))


def _gain_margin(values: NDArray[np.complex128]) -> float:
    phase = np.unwrap(np.angle(values))
    found = math.inf
    for k in np.flatnonzero(np.diff(np.floor((phase + math.pi) / (2 * math.pi))) != 0):
        target = math.floor((max(phase[k], phase[k + 1]) + math.pi) / (2 * math.pi)) * 2 * math.pi - math.pi
        part = (target - phase[k]) / (phase[k + 1] - phase[k])
        log_size = np.log(np.abs(values[k])) * (1 - part) + np.log(np.abs(values[k + 1])) * part
        if log_size < 0.0:
            found = min(found, math.exp(-log_size))
    return found


def _phase_margin(values: NDArray[np.complex128]) -> float:
    size = np.log(np.abs(values))
    phase = np.unwrap(np.angle(values))
    found = math.inf
    for k in np.flatnonzero((size[:-1] > 0.0) & (size[1:] <= 0.0)):
        part = size[k] / (size[k] - size[k + 1])
        angle = phase[k] + part * (phase[k + 1] - phase[k])
        found = min(found, abs((math.degrees(angle) + 180.0 + 180.0) % 360.0 - 180.0))
    return found


def fopdt_margins(m: Fopdt, control: Response) -> Margins:
    """Margins of a FOPDT model under `control`, over all frequencies that matter to it."""
    slow = 0.01 / (m.tau_s + m.theta_s + 1.0)
    fast = min(20.0 * math.pi / max(m.theta_s, 1.0), math.pi / STEP_S * 0.999)
    return margins(lambda w: m.at(w) * control(w), slow, fast)
