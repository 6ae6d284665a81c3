"""Drying the surface until it is tacky (the pellicle), and what the weather does to it.

Owns: the estimate of drying time from wet-bulb mass transfer. Must not know: the timeline. The surface sits
near the wet bulb; the water to remove is an estimate.
"""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.food.checks import in_range
from coalminder.food.exposure import NO_EXPOSURE, Exposure, add_time
from coalminder.food.humid_air import (
    evaporation_kg_m2s,
    humidity_ratio,
    plate_coefficient_w_m2k,
    vapour_pressure_pa,
    wet_bulb_c,
)

FILM_KG_M2 = (0.06, 0.10, 0.16)
"""Water to lose for a tacky surface: quick, usual, slow; about 1 % of a fillet's weight [estimate: with
10 °C, 60 % and a fan it gives the 1 to 3 h of common practice]."""

SURFACE_ACTIVITY = 0.97
"""Water activity of a brined surface (3 to 5 % salt in its water: Raoult) [estimate]."""

LENGTH_M = 0.25
"""Of a piece, along the air."""

WARM_ROOM_C = 10.0


@dataclass(frozen=True, slots=True)
class Drying:
    """Seconds until tacky (inf: never); surface in °C; exposure: warm time if it takes the slow time."""

    quick_s: float
    usual_s: float
    slow_s: float
    surface_c: float
    rate_kg_m2h: float
    exposure: Exposure
    warnings: tuple[str, ...]


def pellicle(air_c: float, humidity_frac: float, air_speed_m_s: float) -> Drying:
    """Drying in air at `air_c` (0..30 °C), relative humidity 0.1..0.98, speed 0..6 m/s (still room: 0.1)."""
    in_range(
        "drying air", air_c, 0.0, 30.0, "°C", "10 to 15 °C is best; below 4 °C in the refrigerator is safest"
    )
    in_range("relative humidity", 100 * humidity_frac, 10.0, 98.0, "%")
    in_range("air speed", air_speed_m_s, 0.0, 6.0, "m/s", "a small fan gives 1 to 2")
    ratio = humidity_ratio(air_c, humidity_frac)
    surface = min(air_c, wet_bulb_c(air_c, ratio) + 0.5)
    h = plate_coefficient_w_m2k(air_speed_m_s, LENGTH_M, air_c)
    rate = evaporation_kg_m2s(h, surface, air_c, vapour_pressure_pa(ratio), SURFACE_ACTIVITY)
    quick, usual, slow = (film / rate if rate > 2e-7 else float("inf") for film in FILM_KG_M2)
    warnings = []
    if usual > 6 * 3600.0:
        warnings.append(
            "This air hardly dries it: use a fan, drier air, or a night uncovered in the refrigerator."
        )
    if air_c > WARM_ROOM_C:
        warnings.append(
            f"At {air_c:.0f} °C every minute counts as warm time: a fan and 10 °C or less are better."
        )
    spent = add_time(NO_EXPOSURE, air_c, min(slow, 12 * 3600.0))
    return Drying(quick, usual, slow, surface, 3600.0 * rate, spent, tuple(warnings))
