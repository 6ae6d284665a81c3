"""Recipes for brine, and how salty the food gets.

Owns: immersion and equilibrium brining, times, warnings. Must not know: the timeline. Uptake: Crank's
slab with the salt diffusivity of flesh; a brine is named by its mass fraction of salt (salt / whole brine).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.food.checks import in_range
from coalminder.food.diffusion import fourier_for, slab_centre, slab_uptake
from coalminder.food.salt import (
    brine_density_kg_m3,
    brine_freezing_c,
    salometer_deg,
    salt_pct_for_wps,
)

DIFFUSIVITY_M2_S = (1.0e-10, 2.0e-10, 3.0e-10)
"""Slow, middle and fast diffusion of salt in flesh near 4 °C. The slow end is the top of the read range for
flesh, the fast end the top of a recalled range for salmon [salt-diffusion]. Skin with its fat is 100 times
tighter: closed."""

MAX_START_C = 15.6
MAX_LONG_C = 3.3
LONG_S = 4 * 3600.0
"""Brine temperatures of the New York rules [ny-brine, read]."""

REDUCED_OXYGEN_WPS_PCT = 3.5

TARGET_WPS_PCT = (0.2, 12.0)
"""In the raw food; after drying and smoking it is more."""


@dataclass(frozen=True, slots=True)
class BrineRecipe:
    """What to weigh. Masses in kg; density at `temp_c`."""

    water_kg: float
    salt_kg: float
    sugar_kg: float
    salt_frac: float
    sugar_frac: float
    temp_c: float
    salometer: float
    density_kg_m3: float
    freezing_c: float


@dataclass(frozen=True, slots=True)
class Salting:
    """What a stay in the brine gives: water-phase salt, mean with range, and core; salt in % of flesh."""

    time_s: float
    mean_wps_pct: float
    low_wps_pct: float
    high_wps_pct: float
    core_wps_pct: float
    mean_salt_pct: float


def recipe(water_kg: float, salt_frac: float, sugar_frac: float = 0.0, temp_c: float = 4.0) -> BrineRecipe:
    """Salt and sugar for `water_kg` of water. salt_frac 0.005..0.26 of the brine, sugar_frac 0..0.2."""
    in_range("water for the brine", water_kg, 0.05, 200.0, "kg")
    in_range("salt in brine", 100 * salt_frac, 0.5, 26.0, "%", "10 to 20 % is usual")
    in_range("sugar in brine", 100 * sugar_frac, 0.0, 20.0, "%")
    in_range("brine temperature", temp_c, -5.0, 40.0, "°C")
    whole = water_kg / (1.0 - salt_frac - sugar_frac)
    as_salt_only = salt_frac / (1.0 - sugar_frac)
    return BrineRecipe(
        water_kg=water_kg,
        salt_kg=whole * salt_frac,
        sugar_kg=whole * sugar_frac,
        salt_frac=salt_frac,
        sugar_frac=sugar_frac,
        temp_c=temp_c,
        salometer=salometer_deg(as_salt_only),
        density_kg_m3=brine_density_kg_m3(salt_frac, temp_c, sugar_frac),
        freezing_c=brine_freezing_c(salt_frac, sugar_frac),
    )


def equilibrium_wps_pct(
    brine_kg: float, salt_frac: float, food_kg: float, water_frac: float, salt_food_frac: float = 0.003
) -> float:
    """Water-phase salt (100 salt/(salt + water)) when brine and food have come to the same strength."""
    in_range("brine", brine_kg, 0.0, 500.0, "kg")
    in_range("food", food_kg, 0.01, 100.0, "kg")
    salt = brine_kg * salt_frac + food_kg * salt_food_frac
    water = brine_kg * (1.0 - salt_frac) + food_kg * water_frac
    return 100.0 * salt / (salt + water)


def equilibrium_salt_kg(
    food_kg: float, water_frac: float, water_kg: float, target_wps_pct: float, salt_food_frac: float = 0.003
) -> float:
    """Salt to add to food and water together so that all ends at `target_wps_pct`; never below 0."""
    in_range("target water-phase salt", target_wps_pct, *TARGET_WPS_PCT, "%", "3 to 5 % is usual")
    share = target_wps_pct / 100.0
    water = water_kg + food_kg * water_frac
    return max(0.0, water * share / (1.0 - share) - food_kg * salt_food_frac)


def diffusion_path_m(thickness_m: float, skin_on: bool) -> float:
    """The l of the Fourier number: half the thickness, or all of it when skin closes one side."""
    in_range("thickness", 1000 * thickness_m, 3.0, 150.0, "mm", "measure the thickest piece")
    return thickness_m if skin_on else 0.5 * thickness_m


def immersion_s(
    thickness_m: float,
    skin_on: bool,
    brine_wps_pct: float,
    target_wps_pct: float,
    start_wps_pct: float = 0.4,
    diffusivity_m2_s: float = DIFFUSIVITY_M2_S[1],
    bath: float = math.inf,
) -> float:
    """Seconds until the mean reaches `target_wps_pct`; inf when the brine is too weak.

    bath: as in `salting`.
    """
    in_range("target water-phase salt", target_wps_pct, *TARGET_WPS_PCT, "%", "3 to 5 % is usual")
    if target_wps_pct <= start_wps_pct:
        return 0.0
    share = (
        (target_wps_pct - start_wps_pct) / (brine_wps_pct - start_wps_pct)
        if brine_wps_pct > start_wps_pct
        else 2.0
    )
    if share > 0.98:
        return float("inf")
    fourier = fourier_for(share, lambda f: slab_uptake(f, bath))
    return fourier * diffusion_path_m(thickness_m, skin_on) ** 2 / diffusivity_m2_s


def salting(
    time_s: float,
    thickness_m: float,
    skin_on: bool,
    brine_wps_pct: float,
    water_frac: float,
    start_wps_pct: float = 0.4,
    bath: float = math.inf,
) -> Salting:
    """Mean, range (slow to fast diffusion) and core after `time_s` in brine of `brine_wps_pct`.

    bath: water in the brine over that in the food; the brine then begins stronger, and `brine_wps_pct` is
    what both come to in the end. inf: it stays as strong as that.
    """
    in_range("time in the brine", time_s / 3600.0, 0.0, 240.0, "h")
    path = diffusion_path_m(thickness_m, skin_on)
    slow, middle, fast = (time_s * d / path**2 for d in DIFFUSIVITY_M2_S)
    gap = brine_wps_pct - start_wps_pct
    mean = start_wps_pct + gap * slab_uptake(middle, bath)
    return Salting(
        time_s=time_s,
        mean_wps_pct=mean,
        low_wps_pct=start_wps_pct + gap * slab_uptake(slow, bath),
        high_wps_pct=start_wps_pct + gap * slab_uptake(fast, bath),
        core_wps_pct=start_wps_pct + gap * slab_centre(middle, bath),
        mean_salt_pct=salt_pct_for_wps(mean, 100.0 * water_frac),
    )


def brine_warnings(temp_c: float, time_s: float, wps_pct: float, reused: bool = False) -> tuple[str, ...]:
    """One line for each thing that is wrong or must be said, worst first."""
    lines = []
    if reused:
        lines.append("Do not reuse brine: it carries the last batch's blood and bacteria [ny-brine].")
    if temp_c > MAX_START_C:
        lines.append(
            f"Brine at {temp_c:.3g} °C is too warm: cool it below {MAX_START_C:.1f} °C first [ny-brine]."
        )
    elif time_s > LONG_S and temp_c > MAX_LONG_C:
        lines.append(
            f"Brining over 4 h must stay at {MAX_LONG_C:.1f} °C or below: refrigerate it, in a colder one or "
            "under ice [ny-brine]."
        )
    told_pct = math.floor(10.0 * wps_pct) / 10.0  # 3.46 is not 3.5
    below = "below" if wps_pct < REDUCED_OXYGEN_WPS_PCT else "computed, not measured, even if above"
    lines.append(
        f"Do not pack without air (vacuum, jars, oil): water-phase salt is {told_pct:.1f} %, {below} the "
        f"{REDUCED_OXYGEN_WPS_PCT} % that the trade must prove by test; no plan makes it safe [fda-63]."
    )
    return tuple(lines)
