"""Published tuning rules for a FOPDT model, and what a relay test tells.

Gains are ideal-form: u = kc (e + 1/ti ∫e + td de/dt), unless a rule says series. Sources beside each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq

from coalminder.replay.fopdt import Fopdt


@dataclass(frozen=True, slots=True)
class Gains:
    """Ideal-form gains: kc in input per output; ti_s: integral time; td_s: derivative time, 0 without."""

    kc: float
    ti_s: float
    td_s: float = 0.0

    @property
    def parallel(self) -> tuple[float, float, float]:
        """(kp, ki, kd) of the parallel form."""
        return self.kc, self.kc / self.ti_s if math.isfinite(self.ti_s) else 0.0, self.kc * self.td_s


def simc_pi(m: Fopdt, tau_c_s: float | None = None) -> Gains:
    """SIMC PI; tau_c_s defaults to the dead time (Skogestad, J. Process Control 13 (2003) 291)."""
    tau_c = m.theta_s if tau_c_s is None else tau_c_s
    kc = m.tau_s / (m.k * (tau_c + m.theta_s))
    return Gains(kc, min(m.tau_s, 4.0 * (tau_c + m.theta_s)))


def simc_pid_series(m: Fopdt, tau_2_s: float, tau_c_s: float | None = None) -> Gains:
    """SIMC PID of the series form for a second lag tau_2_s, td = tau_2 (same source)."""
    pi = simc_pi(m, tau_c_s)
    return Gains(pi.kc, pi.ti_s, tau_2_s)


def series_to_ideal(g: Gains) -> Gains:
    """Kc (1 + 1/(ti s)) (1 + td s) as ideal-form gains."""
    factor = 1.0 + g.td_s / g.ti_s
    return Gains(g.kc * factor, g.ti_s * factor, g.td_s / factor)


def half_rule(lags_s: list[float], dead_s: float = 0.0, inverse_s: float = 0.0) -> tuple[float, float]:
    """(tau_1, theta) for PI by the half rule: half of the second lag to each (Skogestad 2003).

    lags_s: in falling order; inverse_s: sum of inverse-response time constants (numerator zeros).
    """
    first, second, rest = lags_s[0], (lags_s[1] if len(lags_s) > 1 else 0.0), lags_s[2:]
    return first + 0.5 * second, dead_s + 0.5 * second + sum(rest) + inverse_s


def amigo_pi(m: Fopdt) -> Gains:
    """AMIGO PI (Åström and Hägglund, J. Process Control 14 (2004) 635)."""
    lag, dead = m.tau_s, m.theta_s
    kc = 0.15 / m.k + (0.35 - lag * dead / (lag + dead) ** 2) * lag / (m.k * dead)
    ti = 0.35 * dead + 13.0 * dead * lag**2 / (lag**2 + 12.0 * dead * lag + 7.0 * dead**2)
    return Gains(kc, ti)


def amigo_pid(m: Fopdt) -> Gains:
    """AMIGO PID (same source; from memory)."""
    lag, dead = m.tau_s, m.theta_s
    kc = (0.2 + 0.45 * lag / dead) / m.k
    ti = dead * (0.4 * dead + 0.8 * lag) / (dead + 0.1 * lag)
    return Gains(kc, ti, 0.5 * dead * lag / (0.3 * dead + lag))


def zn_step_pi(m: Fopdt) -> Gains:
    """Ziegler-Nichols from the step response, PI (1942; from memory)."""
    return Gains(0.9 * m.tau_s / (m.k * m.theta_s), m.theta_s / 0.3)


def zn_step_pid(m: Fopdt) -> Gains:
    """Ziegler-Nichols from the step response, PID (1942; from memory)."""
    return Gains(1.2 * m.tau_s / (m.k * m.theta_s), 2.0 * m.theta_s, 0.5 * m.theta_s)


def zn_ultimate_pi(ku: float, pu_s: float) -> Gains:
    """Ziegler-Nichols from the ultimate gain and period, PI (1942; from memory)."""
    return Gains(0.45 * ku, pu_s / 1.2)


def zn_ultimate_pid(ku: float, pu_s: float) -> Gains:
    """Ziegler-Nichols from the ultimate gain and period, PID (1942; from memory)."""
    return Gains(0.6 * ku, pu_s / 2.0, pu_s / 8.0)


def cohen_coon_pi(m: Fopdt) -> Gains:
    """Cohen and Coon, PI (1953; from memory)."""
    r = m.theta_s / m.tau_s
    kc = m.tau_s / (m.k * m.theta_s) * (0.9 + r / 12.0)
    return Gains(kc, m.theta_s * (30.0 + 3.0 * r) / (9.0 + 20.0 * r))


def cohen_coon_pid(m: Fopdt) -> Gains:
    """Cohen and Coon, PID (1953; from memory)."""
    r, dead = m.theta_s / m.tau_s, m.theta_s
    kc = m.tau_s / (m.k * dead) * (4.0 / 3.0 + r / 4.0)
    return Gains(kc, dead * (32.0 + 6.0 * r) / (13.0 + 8.0 * r), 4.0 * dead / (11.0 + 2.0 * r))


def ultimate(m: Fopdt) -> tuple[float, float]:
    """(ku, pu_s): proportional gain at the limit of stability and the period of that oscillation.

    Phase -180°: theta w + atan(tau w) = pi; gain ku = sqrt(1 + (tau w)²) / k.
    """
    high = math.pi / m.theta_s
    w = float(brentq(lambda w: m.theta_s * w + math.atan(m.tau_s * w) - math.pi, 1e-9 * high, high))
    return math.sqrt(1.0 + (m.tau_s * w) ** 2) / m.k, 2.0 * math.pi / w


def relay_gain(relay: float, amplitude: float, hysteresis: float = 0.0) -> float:
    """Ultimate gain from a relay test: 4 d / (pi sqrt(a² - e²)) (Åström and Hägglund 1984).

    relay: half the height of the relay's output; amplitude: half the peak to peak of the oscillation,
    above `hysteresis`. Raises ValueError otherwise.
    """
    if amplitude <= hysteresis:
        raise ValueError("the oscillation is not larger than the hysteresis")
    return 4.0 * relay / (math.pi * math.sqrt(amplitude**2 - hysteresis**2))
