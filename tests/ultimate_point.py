"""Where a proportional loop round a known plant begins to swing: what a relay test must find."""

from __future__ import annotations

import math

from scipy.optimize import brentq

from coalminder.replay.fopdt import Fopdt


def ultimate(m: Fopdt) -> tuple[float, float]:
    """(ku, pu_s): proportional gain at the limit of stability and the period of that oscillation.

    Phase -180°: theta w + atan(tau w) = pi; gain ku = sqrt(1 + (tau w)²) / k.
    """
    high = math.pi / m.theta_s
    w = float(brentq(lambda w: m.theta_s * w + math.atan(m.tau_s * w) - math.pi, 1e-9 * high, high))
    return math.sqrt(1.0 + (m.tau_s * w) ** 2) / m.k, 2.0 * math.pi / w
