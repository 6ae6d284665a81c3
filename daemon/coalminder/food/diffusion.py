"""Salt going into flesh: diffusion into a slab (Crank, ch. 4).

Owns: the series and their inverse. Must not know: what diffuses. Fourier number F = D t / l2, with l the
half thickness of a slab salted from both sides (the whole thickness when one side is closed by skin).
`bath`: how many times the slab's volume is around it, 0.1 or more; inf: it never weakens. Shares are of what
the slab comes to in the end, when both are alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

_ROOTS = 200


def _terms(fourier: float) -> int:
    """Terms for an error below 1e-9: the last one kept is exp(-pi2 (2n+1)2 F/4)."""
    return 40 if fourier > 5e-3 else 200


def slab_uptake(fourier: float, bath: float = math.inf) -> float:
    """Share of the final uptake, 0..1, of a slab at F >= 0."""
    if fourier <= 0.0:
        return 0.0
    if bath < math.inf:
        return _uptake_of_limited(fourier, bath)
    if fourier < 0.05:  # short-time form, ch. 4.3.2: the next term is below 1e-8 here
        return 2.0 * math.sqrt(fourier / math.pi)
    return 1.0 - sum(
        8.0 / ((2 * n + 1) ** 2 * math.pi**2) * math.exp(-((2 * n + 1) ** 2) * math.pi**2 * fourier / 4.0)
        for n in range(_terms(fourier))
    )


def slab_centre(fourier: float, bath: float = math.inf) -> float:
    """Concentration at the middle over the final one, 0..1."""
    if fourier < 0.005:
        return 0.0  # below 1e-20
    if bath < math.inf:
        missing = sum(
            2.0 * (1.0 + bath) / (1.0 + bath + (bath * q) ** 2) * math.exp(-q * q * fourier) / math.cos(q)
            for q in _roots(bath)
        )
        return max(0.0, 1.0 + missing)
    total = sum(
        (-1.0) ** n / (2 * n + 1) * math.exp(-((2 * n + 1) ** 2) * math.pi**2 * fourier / 4.0)
        for n in range(_terms(fourier))
    )
    return max(0.0, 1.0 - 4.0 / math.pi * total)


def fourier_for(share: float, of: Callable[[float], float] = slab_uptake) -> float:
    """The Fourier number at which `of` reaches `share` (0..0.999); `of` must rise."""
    if not 0.0 <= share <= 0.999:
        raise ValueError(f"share {share} is outside 0..0.999")
    low, high = 0.0, 12.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        if of(middle) < share:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _uptake_of_limited(fourier: float, bath: float) -> float:
    """A stirred bath of limited volume: ch. 4.3.5, the series and its form for short times."""
    if fourier < 5e-3:
        root = math.sqrt(fourier) / bath
        return (1.0 + bath) * (1.0 - math.exp(root * root) * math.erfc(root))
    return 1.0 - sum(
        2.0 * bath * (1.0 + bath) / (1.0 + bath + (bath * q) ** 2) * math.exp(-q * q * fourier)
        for q in _roots(bath)
    )


@lru_cache(maxsize=64)
def _roots(bath: float) -> tuple[float, ...]:
    """The positive roots of tan q = -bath q, one in each ((n - 1/2) pi, n pi)."""
    found = []
    for n in range(1, _ROOTS + 1):
        low, high = (n - 0.5) * math.pi, n * math.pi
        sign = 1.0 if n % 2 else -1.0  # of sin(q) + bath q cos(q) at the low end
        for _ in range(50):
            middle = 0.5 * (low + high)
            if sign * (math.sin(middle) + bath * middle * math.cos(middle)) > 0.0:
                low = middle
            else:
                high = middle
        found.append(0.5 * (low + high))
    return tuple(found)
