"""Salt solutions: strength scales, density, freezing point, water-phase salt.

Owns: properties of brine and of salt in flesh. Must not know: time (diffusion.py) or recipes (brine.py).
Concentrations are mass fractions (salt / whole) unless the name says otherwise.
"""

from __future__ import annotations

from coalminder.food.checks import in_range

SATURATION_FRAC = 0.26395
"""Mass fraction of salt in saturated brine at 60 °F (15.56 °C); defines 100 °salometer [salometer, read]."""

# Density at 20 °C in kg/m3 and -d(density)/dt per °C, by mass % of NaCl [nacl-density, read]; 0 %: water.
_PERCENT = (0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0, 24.0, 26.0, 26.395)
_DENSITY_20 = (998.2, 1005.3, 1012.2, 1026.8, 1041.3, 1055.9, 1070.7, 1085.7, 1100.9, 1116.2, 1131.9, 1147.8,
               1164.0, 1180.4, 1197.2, 1200.5)  # fmt: skip
_SLOPE = (0.21, 0.22, 0.24, 0.28, 0.31, 0.34, 0.37, 0.39, 0.42, 0.44, 0.47, 0.49, 0.51, 0.53, 0.55, 0.554)

# Sugar solutions at 20 °C by mass %: density [sucrose, from memory].
_SUGAR_PERCENT = (0.0, 10.0, 20.0, 30.0)
_SUGAR_DENSITY = (998.2, 1038.1, 1080.9, 1127.0)

# Freezing point in °C by mass % of NaCl [nacl-freezing, from memory; end point: eutectic, read].
_FREEZE_PERCENT = (0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0, 23.3)
_FREEZE_C = (
    0.0,
    -0.59,
    -1.19,
    -2.41,
    -3.70,
    -5.08,
    -6.56,
    -8.18,
    -9.94,
    -11.89,
    -14.04,
    -16.46,
    -19.18,
    -21.0,
)


def interpolate(x: float, xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    """Straight-line interpolation in a rising table; the end values hold outside it."""
    if x <= xs[0]:
        return ys[0]
    for x0, x1, y0, y1 in zip(xs, xs[1:], ys, ys[1:], strict=False):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return ys[-1]


def salometer_deg(salt_frac: float) -> float:
    """Degrees salometer of a brine of mass fraction `salt_frac` (0..0.26395)."""
    in_range("salt in brine", 100 * salt_frac, 0.0, 26.4, "%", "a saturated brine holds 26.395 %")
    return 100.0 * salt_frac / SATURATION_FRAC


def brine_density_kg_m3(salt_frac: float, temp_c: float = 20.0, sugar_frac: float = 0.0) -> float:
    """Density of a brine; with sugar, specific volumes add (about 0.3 % wrong at most, from memory).

    salt_frac 0..0.264, sugar_frac 0..0.3, temp_c 0..40.
    """
    in_range("salt in brine", 100 * salt_frac, 0.0, 26.4, "%")
    in_range("sugar in brine", 100 * sugar_frac, 0.0, 30.0, "%")
    in_range("brine temperature", temp_c, -5.0, 40.0, "°C")
    percent = 100.0 * salt_frac
    slope = interpolate(percent, _PERCENT, _SLOPE)
    salt_only = interpolate(percent, _PERCENT, _DENSITY_20) - slope * (temp_c - 20.0)
    if sugar_frac == 0.0:
        return salt_only
    # Each solute's own solution with all of the water: volumes of the two, less the water counted twice.
    water = 1.0 - salt_frac - sugar_frac
    salt_side = (salt_frac + water) / brine_density_kg_m3(salt_frac / (salt_frac + water), temp_c)
    sugar_side = (sugar_frac + water) / interpolate(
        100 * sugar_frac / (sugar_frac + water), _SUGAR_PERCENT, _SUGAR_DENSITY
    )
    water_side = water / (interpolate(0.0, _PERCENT, _DENSITY_20))
    return 1.0 / (salt_side + sugar_side - water_side)


def brine_freezing_c(salt_frac: float, sugar_frac: float = 0.0) -> float:
    """Freezing point in °C, to the eutectic (23.3 %); above it the salt falls out, and -21 is returned.

    Sugar adds 1.86 °C per mol/kg water (colligative, 342.3 g/mol).
    """
    in_range("salt in brine", 100 * salt_frac, 0.0, 26.4, "%")
    water = 1.0 - salt_frac - sugar_frac
    as_salt_only = salt_frac / (salt_frac + water)
    depression = 1.86 * (sugar_frac / 0.3423) / water
    return max(-21.0, interpolate(100.0 * as_salt_only, _FREEZE_PERCENT, _FREEZE_C) - depression)


def water_phase_salt_pct(salt_pct: float, water_pct: float) -> float:
    """100 salt/(salt + water), both in % of the flesh [wps]."""
    in_range("salt in flesh", salt_pct, 0.0, 30.0, "%")
    in_range("water in flesh", water_pct, 1.0, 95.0, "%")
    return 100.0 * salt_pct / (salt_pct + water_pct)


def salt_pct_for_wps(wps_pct: float, water_pct: float) -> float:
    """Salt in % of the flesh that gives `wps_pct` at `water_pct` water."""
    in_range("water-phase salt", wps_pct, 0.0, 26.0, "%")
    return water_pct * wps_pct / (100.0 - wps_pct)


def wps_after_loss_pct(salt_pct: float, water_pct: float, weight_loss_frac: float) -> float:
    """Water-phase salt after drying and smoking took `weight_loss_frac` of the weight, as water alone."""
    in_range("weight loss", 100 * weight_loss_frac, 0.0, min(60.0, water_pct - 5.0), "%")
    return water_phase_salt_pct(
        salt_pct / (1.0 - weight_loss_frac), (water_pct - 100.0 * weight_loss_frac) / (1.0 - weight_loss_frac)
    )
