"""Humid air: saturation, wet bulb, and evaporation from a wet surface.

Owns: psychrometrics at sea-level pressure. Must not know: food. Formulas: Hyland and Wexler as
printed in ASHRAE Fundamentals ch. 1 (saturation, eqs 5 and 6; wet bulb, eqs 33 and 35).
"""

from __future__ import annotations

import math

from coalminder.food.checks import in_range

STANDARD_PRESSURE_PA = 101325.0
GAS_CONSTANT_VAPOUR = 461.5
"""J/kgK, water vapour."""

LEWIS = 0.87
"""Lewis number of water vapour in air, about 0.85 to 0.89 between 20 and 100 °C [lewis, from memory]."""


def saturation_pa(temp_c: float) -> float:
    """Saturation pressure over liquid water (over ice below 0 °C), -100..200 °C."""
    t = temp_c + 273.15
    if temp_c < 0.0:
        log = (
            -5.6745359e3 / t + 6.3925247 - 9.677843e-3 * t + 6.2215701e-7 * t**2
            + 2.0747825e-9 * t**3 - 9.484024e-13 * t**4 + 4.1635019 * math.log(t)
        )  # fmt: skip
    else:
        log = (
            -5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t**2
            - 1.4452093e-8 * t**3 + 6.5459673 * math.log(t)
        )  # fmt: skip
    return math.exp(log)


def humidity_ratio(temp_c: float, humidity_frac: float) -> float:
    """Kg water / kg dry air at relative humidity 0..1."""
    in_range("relative humidity", 100 * humidity_frac, 0.0, 100.0, "%")
    vapour = humidity_frac * saturation_pa(temp_c)
    return 0.621945 * vapour / (STANDARD_PRESSURE_PA - vapour)


def vapour_pressure_pa(ratio: float) -> float:
    """Partial pressure of vapour at humidity ratio `ratio`."""
    return STANDARD_PRESSURE_PA * ratio / (0.621945 + ratio)


def _ratio_at_wet_bulb(temp_c: float, wet_c: float) -> float:
    saturated = humidity_ratio(wet_c, 1.0)
    return ((2501.0 - 2.326 * wet_c) * saturated - 1.006 * (temp_c - wet_c)) / (
        2501.0 + 1.86 * temp_c - 4.186 * wet_c
    )


def wet_bulb_c(temp_c: float, ratio: float) -> float:
    """Thermodynamic wet bulb in °C above 0, of air at `temp_c` (0..200) with humidity ratio `ratio`.

    Air so dry that its wet bulb lies below freezing is answered with 0.
    """
    in_range("air temperature", temp_c, 0.0, 200.0, "°C")
    low, high = 0.0, min(temp_c, 99.9)
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _ratio_at_wet_bulb(temp_c, middle) > ratio:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)


def mass_coefficient_m_s(h_w_m2k: float, temp_c: float) -> float:
    """Mass transfer coefficient from the heat one: h/(density cp Le^(2/3)) (Chilton and Colburn)."""
    density = STANDARD_PRESSURE_PA / (287.05 * (temp_c + 273.15))
    return h_w_m2k / (density * 1006.0 * math.pow(LEWIS, 2.0 / 3.0))


def evaporation_kg_m2s(
    h_w_m2k: float, surface_c: float, air_c: float, vapour_pa: float, water_activity: float = 1.0
) -> float:
    """Water leaving a wet surface, kg/m2s (negative: condensing)."""
    film_c = 0.5 * (surface_c + air_c)
    gap_pa = water_activity * saturation_pa(surface_c) - vapour_pa
    return mass_coefficient_m_s(h_w_m2k, film_c) * gap_pa / (GAS_CONSTANT_VAPOUR * (film_c + 273.15))


def plate_coefficient_w_m2k(air_speed_m_s: float, length_m: float, film_c: float) -> float:
    """Mean forced convection along a flat plate: Nu = 0.664 Re^0.5 Pr^(1/3) (Pohlhausen), with a floor.

    Laminar: Re below 5e5, as at 6 m/s along 1 m. The floor of 3 W/m2K is still air (estimate).
    """
    t = film_c + 273.15
    viscosity = 1.458e-6 * math.pow(t, 1.5) / (t + 110.4)  # Sutherland
    density = STANDARD_PRESSURE_PA / (287.05 * t)
    conductivity = 0.0241 * math.pow(t / 273.15, 0.9)
    prandtl = 0.71
    reynolds = density * max(air_speed_m_s, 0.0) * length_m / viscosity
    nusselt = 0.664 * math.sqrt(reynolds) * math.pow(prandtl, 1 / 3)
    return max(3.0, nusselt * conductivity / length_m)
