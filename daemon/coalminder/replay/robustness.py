"""Robustness of a loop from its frequency response, as one figure: Ms.

Ms = max |1 / (1 + L(jw))|: the largest amplification of any disturbance, and 1/Ms the closest the loop
comes to instability. It bounds the classic margins: of gain by Ms/(Ms-1), of phase by 2 asin(1/(2 Ms))
(textbook relations).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from coalminder.core import pit as pit_filters
from coalminder.core.config import LoopConfig, PitConfig
from coalminder.replay.fopdt import Floats, Fopdt

Response = Callable[[Floats], NDArray[np.complex128]]
STEP_S = 1.0  # the core runs once a second
POINTS = 2000  # frequencies, before the nearest one is searched further


def core_controller(loop: LoopConfig, pit: PitConfig, noise_c: float) -> Response:
    """C(jw) of the core's own loop: its filters of the pit, the smoothed slope and half a step of hold.

    smooth: first-order low-pass; slope: its difference quotient, low-passed again (core/pit.py), all as
    the discrete filters they are, at z = exp(jw). noise_c: standard deviation of the probe's noise, which
    lengthens both.
    """
    smooth_s, slope_s = pit_filters.smooth_s(pit, noise_c), pit_filters.slope_s(pit, noise_c)

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


def loop_ms(loop: Response, slowest: float, fastest: float) -> float:
    """Ms of the open loop L(jw) between two angular frequencies, rad/s; inf when it is unstable.

    The loop must have no open-loop pole in the right half plane; one integrator is allowed. Stability is
    judged by the encirclements of -1 (Nyquist).
    """
    omega = np.geomspace(slowest, fastest, POINTS)
    values = loop(omega)
    turn = np.unwrap(np.angle(1.0 + values))
    # With no unstable open-loop pole the vector 1 + L must come back without a turn round -1.
    if (
        not np.all(np.isfinite(values))
        or turn[-1] - turn[0] < -math.pi / 2 - 1e-6
        or np.any(np.diff(turn) < -2.5)
    ):
        return math.inf
    distance = np.abs(1.0 + values)
    i = int(np.argmin(distance))
    low, high = omega[max(i - 1, 0)], omega[min(i + 1, POINTS - 1)]
    nearest = minimize_scalar(
        lambda w: float(abs(1.0 + loop(np.array([w]))[0])), bounds=(low, high), method="bounded",
        options={"xatol": 1e-6 * low},
    )  # fmt: skip
    return 1.0 / min(float(nearest.fun), float(distance[i]))


def fopdt_ms(m: Fopdt, control: Response) -> float:
    """Ms of a FOPDT model under `control`, over all frequencies that matter to it."""
    slow = 0.01 / (m.tau_s + m.theta_s + 1.0)
    fast = min(20.0 * math.pi / max(m.theta_s, 1.0), math.pi / STEP_S * 0.999)
    return loop_ms(lambda w: m.at(w) * control(w), slow, fast)
