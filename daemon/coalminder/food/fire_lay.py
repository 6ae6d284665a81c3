"""Charcoal and wood to lay: how much, where, how many pieces and when.

Owns: a steady heat balance of the kettle and the feeding plan for smoke. Must not know: the timeline. It uses
the physics and sizes of the simulated kettle, written as one steady balance; a test holds the two together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.food.checks import in_range

CHARCOAL_NCV_MJ_KG = 28.0
"""Lump charcoal as weighed: GCV 29 to 33 [en1860, read] less 5 % moisture and what hydrogen there is."""

BURN_FRAC = 0.80
"""Share of that heat set free when carbon burns partly to CO at low air [estimate]."""

SPARE_FRAC = 0.35
"""More charcoal than the balance asks: a starved end of the bed does not come back [practice]."""

BED_LEFT_KG = 0.30
"""Charcoal that must still be there at the end for the bed to hold its heat [estimate]."""

LIGHTING_KG = 0.25
"""Burnt while lighting and settling with open vents [estimate]."""

WOOD_PIECE_KG = 0.08
WOOD_SMOKE_MIN = 40.0
"""One piece of 60 to 100 g smokes for 30 to 50 min on a low fire [practice]."""

SMOKE_MIN = 90.0
WOOD_NCV0_MJ_KG = 19.0


@dataclass(frozen=True, slots=True)
class FireLay:
    """What to lay and when. Minutes count from the loading of the food."""

    heat_w: float
    charcoal_kg_h: float
    charcoal_kg: float
    lit_kg: float
    wood_pieces: int
    wood_piece_kg: float
    wood_at_min: tuple[float, ...]
    wood_ncv_mj_kg: float
    text: tuple[str, ...]
    warnings: tuple[str, ...]


def kettle_heat_w(
    set_point_c: float, ambient_c: float, wind_m_s: float, kettle_cm: float = 57.0, rain: bool = False
) -> float:
    """Steady heat that a lidded kettle loses at `set_point_c`, in W.

    Walls: two caps of a sphere; inside 40 W/m2K (the coals shine on them, so they are nearly as hot as the
    pit), outside 5.8 + 5.5 v^0.8 and radiation 6.5, with half of the wind (sizes and outside films of the
    simulated kettle; the inside film is set to agree with it). Gas: the air of the fire, leaving hot.
    """
    in_range("kettle", kettle_cm, 30.0, 90.0, "cm")
    in_range("wind", wind_m_s, 0.0, 20.0, "m/s", "do not light a fire in a gale")
    in_range("ambient temperature", ambient_c, -30.0, 45.0, "°C")
    in_range("set point", set_point_c, 60.0, 121.0, "°C")
    area_m2 = 0.82 * (kettle_cm / 57.0) ** 2
    outside = 5.8 + 5.5 * math.pow(0.5 * wind_m_s, 0.8) + 6.5
    inside = 40.0
    rise = set_point_c - ambient_c
    walls = area_m2 * rise * inside * outside / (inside + outside)
    if rain:
        walls *= 1.3
    # air: 2.85 MJ per kg of air if all its oxygen burnt; at low fire about half of it does
    gas_share = 1010.0 * 1.25 * rise / (0.5 * 2.85e6)
    return walls / (1.0 - gas_share)


def wood_ncv_mj_kg(moisture_frac: float) -> float:
    """Net heating value of wood at wet-basis moisture 0..0.6: NCV0 (1 - M) - 2.44 M [wood-ncv, read]."""
    in_range("wood moisture", 100 * moisture_frac, 0.0, 60.0, "%")
    return WOOD_NCV0_MJ_KG * (1.0 - moisture_frac) - 2.44 * moisture_frac


def fire_lay(
    hours: float,
    set_point_c: float = 93.0,
    ambient_c: float = 15.0,
    wind_m_s: float = 3.0,
    kettle_cm: float = 57.0,
    food_kg: float = 1.6,
    wood_moisture_frac: float = 0.18,
    wood_soaked: bool = False,
    rain: bool = False,
    smoke_min: float = SMOKE_MIN,
) -> FireLay:
    """Charcoal for `hours` (0.5..12) of cooking and wood for `smoke_min` (0..240) of smoke."""
    in_range("cook", hours, 0.5, 12.0, "h")
    in_range("smoke", smoke_min, 0.0, 240.0, "min", "about 90 min is plenty for fish")
    heat = kettle_heat_w(set_point_c, ambient_c, wind_m_s, kettle_cm, rain)
    # 65 K of warming and 12 % of water to drive off, over the cook
    heat += food_kg * (3450.0 * 65.0 + 0.12 * 2.4e6) / (hours * 3600.0)
    rate = heat * 3600.0 / (CHARCOAL_NCV_MJ_KG * 1e6 * BURN_FRAC)
    total = rate * hours * (1.0 + SPARE_FRAC) + LIGHTING_KG + BED_LEFT_KG
    lit = min(0.35, max(0.15, 1.3 * rate))
    pieces = math.ceil(smoke_min / WOOD_SMOKE_MIN - 1e-9)
    times = tuple(i * WOOD_SMOKE_MIN for i in range(pieces))
    text = (
        "Bank the charcoal against one side of the bowl; the other side stays free, and the food lies over "
        "it, nothing within 10 cm of the coals.",
        "Light the small part in a starter and lay it on one end of the bed, so that it burns along.",
        "One piece of dry hardwood at a time on glowing coals, with little air: thin blue smoke, no flame.",
    )
    warnings = []
    if wood_soaked or wood_moisture_frac > 0.25:
        warnings.append(
            "Wet or green wood steams and smoulders cold: bitter, sooty smoke, and it steals heat from a "
            "small fire. Use wood below 20 % moisture; do not soak it [practice]."
        )
    if wood_moisture_frac < 0.08:
        warnings.append("Very dry wood flames at once: larger pieces, less air [practice].")
    if wind_m_s > 8.0:
        warnings.append(
            "Strong wind: sparks travel and the fire is hard to hold. Wait for a calmer day [nfpa]."
        )
    if rain:
        warnings.append(
            "Rain takes heat off the lid: shelter the kettle, never under a roof, awning or tree [co]."
        )
    return FireLay(
        heat_w=heat,
        charcoal_kg_h=rate,
        charcoal_kg=total,
        lit_kg=lit,
        wood_pieces=pieces,
        wood_piece_kg=WOOD_PIECE_KG,
        wood_at_min=times,
        wood_ncv_mj_kg=wood_ncv_mj_kg(wood_moisture_frac),
        text=text,
        warnings=tuple(warnings),
    )


def free_grate_m2(kettle_cm: float) -> float:
    """Grate away from the coals that food can cover, in m2 [practice].

    60 % of the grate (3 cm narrower than the kettle), three quarters of it, so that smoke passes between.
    """
    return 0.6 * 0.75 * math.pi / 4.0 * (0.01 * (kettle_cm - 3.0)) ** 2


FIRE_CAUTIONS = (
    "Outdoors only, in the open: charcoal makes carbon monoxide as long as it glows; never in a house, "
    "garage, tent or vehicle, not even while cooling [co].",
    "At least 3 m from walls, eaves, branches and anything that burns; children and pets 1 m or more away; "
    "follow local fire rules and bans [nfpa].",
    "Let ash go cold for 48 h before it goes into a metal bin [nfpa].",
)
