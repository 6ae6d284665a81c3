"""Platinum resistance thermometers after IEC 60751 (Callendar - Van Dusen). Pure."""

from __future__ import annotations

from math import sqrt

# IEC 60751: R/R0 = 1 + A t + B t² + C (t - 100) t³, C only below 0 °C
A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12
LOWEST_C, HIGHEST_C = -200.0, 850.0


def resistance_ohm(temp_c: float, r0_ohm: float = 100.0) -> float:
    """Resistance in Ω at `temp_c`, -200..850 °C (ValueError outside)."""
    if not LOWEST_C <= temp_c <= HIGHEST_C:
        raise ValueError(f"{temp_c} °C is outside {LOWEST_C:g}..{HIGHEST_C:g} °C")
    below = C * (temp_c - 100.0) * temp_c**3 if temp_c < 0.0 else 0.0
    return r0_ohm * (1.0 + A * temp_c + B * temp_c**2 + below)


def temp_c(ohm: float, r0_ohm: float = 100.0) -> float:
    """Temperature in °C of a resistance in Ω. ValueError outside -200..850 °C.

    Above 0 °C the quadratic is solved; below, Newton's method starts from its solution.
    """
    if not resistance_ohm(LOWEST_C, r0_ohm) <= ohm <= resistance_ohm(HIGHEST_C, r0_ohm):
        raise ValueError(f"{ohm} Ω is outside the range of a {r0_ohm:g} Ω sensor")
    ratio = ohm / r0_ohm
    guess_c = (-A + sqrt(A * A - 4.0 * B * (1.0 - ratio))) / (2.0 * B)
    if ratio >= 1.0:
        return guess_c
    for _ in range(4):
        error = 1.0 + A * guess_c + B * guess_c**2 + C * (guess_c - 100.0) * guess_c**3 - ratio
        slope = A + 2.0 * B * guess_c + C * (4.0 * guess_c**3 - 300.0 * guess_c**2)
        guess_c -= error / slope
    return max(LOWEST_C, guess_c)
