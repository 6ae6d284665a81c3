"""Published tuning rules for a FOPDT model, and what a relay test tells.

Gains are ideal-form: u = kc (e + 1/ti ∫e + td de/dt). Sources beside each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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


def simc_pi(m: Fopdt) -> Gains:
    """SIMC PI, closed as fast as the dead time (Skogestad, J. Process Control 13 (2003) 291)."""
    return Gains(m.tau_s / (2.0 * m.k * m.theta_s), min(m.tau_s, 8.0 * m.theta_s))


def amigo_pi(m: Fopdt) -> Gains:
    """AMIGO PI (Åström and Hägglund, J. Process Control 14 (2004) 635)."""
    lag, dead = m.tau_s, m.theta_s
    kc = 0.15 / m.k + (0.35 - lag * dead / (lag + dead) ** 2) * lag / (m.k * dead)
    ti = 0.35 * dead + 13.0 * dead * lag**2 / (lag**2 + 12.0 * dead * lag + 7.0 * dead**2)
    return Gains(kc, ti)


def zn_step_pid(m: Fopdt) -> Gains:
    """Ziegler-Nichols from the step response, PID (Trans. ASME 64 (1942) 759; from memory)."""
    return Gains(1.2 * m.tau_s / (m.k * m.theta_s), 2.0 * m.theta_s, 0.5 * m.theta_s)


def zn_ultimate_pi(ku: float, pu_s: float) -> Gains:
    """Ziegler-Nichols from the ultimate gain and period, PI (1942; from memory)."""
    return Gains(0.45 * ku, pu_s / 1.2)


def relay_gain(relay: float, amplitude: float, hysteresis: float = 0.0) -> float:
    """Ultimate gain from a relay test: 4 d / (pi sqrt(a² - e²)) (Åström and Hägglund 1984).

    relay: half the height of the relay's output; amplitude: half the peak to peak of the oscillation,
    above `hysteresis`. Raises ValueError otherwise.
    """
    if amplitude <= hysteresis:
        raise ValueError("the oscillation is not larger than the hysteresis")
    return 4.0 * relay / (math.pi * math.sqrt(amplitude**2 - hysteresis**2))
