"""Salt going into flesh: diffusion into a slab and a cylinder (Crank, ch. 4 and 5).

Owns: the series and their inverse. Must not know: what diffuses. Fourier number F = D t / l2, with l the
half thickness of a slab salted from both sides (the whole thickness when one side is closed by skin) or
the radius of a cylinder.
"""

from __future__ import annotations

import math
from collections.abc import Callable

# Zeros of the Bessel function J0 (Abramowitz and Stegun, table 9.5).
_J0_ZEROS = (
    2.404825557695773, 5.520078110286311, 8.653727912911013, 11.791534439014281, 14.930917708487787,
    18.071063967910924, 21.211636629879260, 24.352471530749302, 27.493479132040254, 30.634606468431975,
)  # fmt: skip


def _j0_zero(n: int) -> float:
    """The n-th zero (from 0); beyond the table McMahon's expansion, good to 1e-9 there."""
    if n < len(_J0_ZEROS):
        return _J0_ZEROS[n]
    beta = (n + 0.75) * math.pi
    return beta + 1 / (8 * beta) - 124 / (3 * (8 * beta) ** 3)


def _terms(fourier: float) -> int:
    """Terms for an error below 1e-9: the last one kept is exp(-pi2 (2n+1)2 F/4)."""
    return 40 if fourier > 5e-3 else 200


def slab_uptake(fourier: float) -> float:
    """Share of the final uptake, 0..1, of a slab at F >= 0."""
    if fourier <= 0.0:
        return 0.0
    if fourier < 0.05:  # short-time form, ch. 4.3.2: the next term is below 1e-8 here
        return 2.0 * math.sqrt(fourier / math.pi)
    return 1.0 - sum(
        8.0 / ((2 * n + 1) ** 2 * math.pi**2) * math.exp(-((2 * n + 1) ** 2) * math.pi**2 * fourier / 4.0)
        for n in range(_terms(fourier))
    )


def slab_centre(fourier: float) -> float:
    """Concentration at the middle over the final one, 0..1."""
    if fourier < 0.005:
        return 0.0  # below 1e-20
    total = sum(
        (-1.0) ** n / (2 * n + 1) * math.exp(-((2 * n + 1) ** 2) * math.pi**2 * fourier / 4.0)
        for n in range(_terms(fourier))
    )
    return max(0.0, 1.0 - 4.0 / math.pi * total)


def cylinder_uptake(fourier: float) -> float:
    """Share of the final uptake, 0..1, of a long cylinder at F >= 0."""
    if fourier <= 0.0:
        return 0.0
    if fourier < 1e-4:  # short-time form, ch. 5.3
        return 4.0 * math.sqrt(fourier / math.pi) - fourier
    zeros = (_j0_zero(n) for n in range(400))
    return 1.0 - sum(4.0 / (a * a) * math.exp(-a * a * fourier) for a in zeros if a * a * fourier < 700.0)


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
