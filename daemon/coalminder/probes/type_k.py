"""Type K thermocouples after ITS-90. Pure.

Reference function and inverse: NIST Monograph 175 (1993), NIST SRD 60; emf in mV with the reference
junction at 0 °C, temperature in °C. The inverse polynomial alone is good to 0.05 °C; steps of Newton on the
reference function bring it to 0.0001 °C.
"""

from __future__ import annotations

from math import exp

LOWEST_C, HIGHEST_C = -200.0, 1372.0

# NIST SRD 60, type K, -270..0 °C
_BELOW = (
    0.0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06, -0.499048287770e-08,
    -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16,
    -0.198892668780e-19, -0.163226974860e-22,
)  # fmt: skip
# 0..1372 °C, with the Gaussian term below
_ABOVE = (
    -0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07, 0.318409457190e-09,
    -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
)  # fmt: skip
_GAUSS_MV, _GAUSS_PER_K2, _GAUSS_C = 0.1185976, -0.1183432e-3, 126.9686

# Inverse, mV -> °C: -5.891..0, 0..20.644, 20.644..54.886 mV
_INVERSE_BELOW = (
    0.0, 2.5173462e01, -1.1662878, -1.0833638, -8.9773540e-01, -3.7342377e-01, -8.6632643e-02,
    -1.0450598e-02, -5.1920577e-04,
)  # fmt: skip
_INVERSE_MIDDLE = (
    0.0, 2.508355e01, 7.860106e-02, -2.503131e-01, 8.315270e-02, -1.228034e-02, 9.804036e-04, -4.413030e-05,
    1.057734e-06, -1.052755e-08,
)  # fmt: skip
_INVERSE_ABOVE = (
    -1.318058e02, 4.830222e01, -1.646031, 5.464731e-02, -9.650715e-04, 8.802193e-06, -3.110810e-08,
)  # fmt: skip


def emf_mv(temp_c: float) -> float:
    """Emf in mV at `temp_c`, reference junction at 0 °C. ValueError outside -200..1372 °C."""
    if not LOWEST_C <= temp_c <= HIGHEST_C:
        raise ValueError(f"{temp_c} °C is outside {LOWEST_C:g}..{HIGHEST_C:g} °C")
    if temp_c < 0.0:
        return _polynomial(_BELOW, temp_c)
    return _polynomial(_ABOVE, temp_c) + _GAUSS_MV * exp(_GAUSS_PER_K2 * (temp_c - _GAUSS_C) ** 2)


def temp_c(mv: float) -> float:
    """Temperature in °C of an emf in mV, reference junction at 0 °C. ValueError outside -200..1372 °C."""
    if not emf_mv(LOWEST_C) <= mv <= emf_mv(HIGHEST_C):
        raise ValueError(f"{mv} mV is outside the emf of type K over {LOWEST_C:g}..{HIGHEST_C:g} °C")
    inverse = _INVERSE_BELOW if mv < 0.0 else _INVERSE_MIDDLE if mv < 20.644 else _INVERSE_ABOVE
    guess_c = min(HIGHEST_C, max(LOWEST_C, _polynomial(inverse, mv)))
    for _ in range(3):
        low_c, high_c = max(LOWEST_C, guess_c - 0.05), min(HIGHEST_C, guess_c + 0.05)
        slope = (emf_mv(high_c) - emf_mv(low_c)) / (high_c - low_c)
        guess_c = min(HIGHEST_C, max(LOWEST_C, guess_c + (mv - emf_mv(guess_c)) / slope))
    return guess_c


def at_junction(emf_across_mv: float, junction_c: float) -> float:
    """Temperature in °C of the hot end, from the emf across terminals that are at `junction_c`."""
    return temp_c(emf_across_mv + emf_mv(junction_c))


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total
