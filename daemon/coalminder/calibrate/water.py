"""Fixed points of water. The ice point is 0 °C; the boiling point follows from the pressure of the air."""

from __future__ import annotations

from coalminder.errors import UserError

ICE_C = 0.0  # melting ice in air-saturated water: 0.0 °C within 0.01 °C
SEA_LEVEL_HPA = 1013.25  # ICAO standard atmosphere (Doc 7488)
EARTH_M = 6_356_766.0  # radius of the earth for geopotential height, ICAO Doc 7488
LOWEST_HPA, HIGHEST_HPA = 500.0, 1100.0  # about 5500 m up, and the highest ever seen at sea level


def pressure_hpa(altitude_m: float, sea_level_hpa: float = SEA_LEVEL_HPA) -> float:
    """Pressure at an altitude, hPa: standard atmosphere, troposphere (ICAO Doc 7488), -500..6000 m.

    `sea_level_hpa`: what a weather report gives, which is reduced to sea level.
    """
    if not -500.0 <= altitude_m <= 6000.0:
        raise UserError(f"--altitude-m {altitude_m:g}: -500 to 6000")
    geopotential_m = EARTH_M * altitude_m / (EARTH_M + altitude_m)
    # 1 - L h / T0 to the power g M / (R L): 0.0065 K/m, 288.15 K, 5.25588
    return float(sea_level_hpa * (1.0 - 0.0065 * geopotential_m / 288.15) ** 5.25588)


def boiling_point_c(at_hpa: float) -> float:
    """Boiling point of pure water, °C, at a pressure of 500..1100 hPa; CoolProp, after IAPWS-95."""
    if not LOWEST_HPA <= at_hpa <= HIGHEST_HPA:
        raise UserError(
            f"{at_hpa:g} hPa is no pressure of air on earth ({LOWEST_HPA:g} to {HIGHEST_HPA:g}); "
            "give --pressure-hpa as a barometer shows it, or --altitude-m"
        )
    from CoolProp.CoolProp import PropsSI  # of an extra: cli.py tells how to come by it

    return float(PropsSI("T", "P", at_hpa * 100.0, "Q", 0, "Water")) - 273.15
