"""Choosing the brine: how strong, how long, and not at night.

Owns: strength and time for the salt wanted after smoking. Must not know: the rest of the day (timeline.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from coalminder.food.brine import (
    BrineRecipe,
    Salting,
    equilibrium_salt_kg,
    equilibrium_wps_pct,
    immersion_s,
    recipe,
    salting,
)
from coalminder.food.hours import at_night, earlier, evening_before
from coalminder.food.request import PlanRequest
from coalminder.food.salt import water_phase_salt_pct

MAKE_BRINE_S = 30 * 60.0
NATURAL_WPS_PCT = 0.4
USUAL_BRINE_FRAC = 0.185
"""70 °salometer [practice]."""
LONGEST_BRINE_S = 48 * 3600.0
SHORTEST_BRINE_S = 3600.0
"""In less, some minutes at the sink decide how salty it gets: a weaker brine then [estimate]."""
LEAST_BRINE_S = 900.0
STEP_S = 300.0


@dataclass(frozen=True, slots=True)
class Brining:
    """Recipe, what it gives, and the time in it."""

    recipe: BrineRecipe
    salting: Salting
    time_s: float


def _target_pct(request: PlanRequest) -> tuple[float, float]:
    """(water-phase salt to reach in the raw food, water in %), so that drying and smoking end at the wish."""
    water_pct = 100.0 * request.species.composition.water_frac
    salt_pct = request.wps_pct * (water_pct - 100.0 * request.loss_frac) / (100.0 - request.wps_pct)
    return water_phase_salt_pct(salt_pct, water_pct), water_pct


def _of_strength(request: PlanRequest, brine_frac: float, time_s: float | None = None) -> Brining:
    """A brine of that strength; its time when None is asked for."""
    target_pct, water_pct = _target_pct(request)
    made = recipe(_water_kg(request), brine_frac, request.sugar_frac, request.brine_c)
    # the brine weakens as the food takes salt up: half of the way to the common strength counts
    strong = 100.0 * brine_frac / (1.0 - request.sugar_frac)
    whole_kg = made.water_kg + made.salt_kg
    common = equilibrium_wps_pct(whole_kg, made.salt_kg / whole_kg, request.mass_kg, water_pct / 100.0)
    outside = strong - 0.5 * min(1.0, target_pct / common) * (strong - common)
    if time_s is None:
        time_s = min(
            LONGEST_BRINE_S, immersion_s(request.thick_m, request.skin, outside, target_pct, NATURAL_WPS_PCT)
        )
        time_s = max(LEAST_BRINE_S, STEP_S * round(time_s / STEP_S))
    return _after(request, made, outside, time_s)


def _equilibrium(request: PlanRequest) -> Brining:
    """Salt weighed for food and water together: it cannot get too salty, but it takes its time."""
    target_pct, water_pct = _target_pct(request)
    water_kg = _water_kg(request)
    salt_kg = equilibrium_salt_kg(request.mass_kg, water_pct / 100.0, water_kg, target_pct)
    made = recipe(
        water_kg,
        max(0.005, salt_kg * (1.0 - request.sugar_frac) / (water_kg + salt_kg)),
        request.sugar_frac,
        request.brine_c,
    )
    bath = water_kg / (request.mass_kg * water_pct / 100.0)
    time_s = min(
        LONGEST_BRINE_S,
        immersion_s(request.thick_m, request.skin, target_pct, 0.95 * target_pct, NATURAL_WPS_PCT, bath=bath),
    )
    return _after(request, made, target_pct, LEAST_BRINE_S * max(1, math.ceil(time_s / LEAST_BRINE_S)), bath)


def _water_kg(request: PlanRequest) -> float:
    """Water for the brine: twice the food [practice]."""
    return round(max(0.5, 2.0 * request.mass_kg), 1)


def _after(
    request: PlanRequest, made: BrineRecipe, outside_wps_pct: float, time_s: float, bath: float = math.inf
) -> Brining:
    """The brine `made` with what `time_s` in it gives; outside_wps_pct, bath: as in `salting`."""
    water_frac = request.species.composition.water_frac
    given = salting(time_s, request.thick_m, request.skin, outside_wps_pct, water_frac, NATURAL_WPS_PCT, bath)
    return Brining(made, given, time_s)


def plan_brine(request: PlanRequest, rinse_at: datetime) -> Brining:
    """The brine for food that is rinsed at `rinse_at`: nobody gets up at night to lay fish in it."""
    if request.equilibrium:
        return _equilibrium(request)
    if request.brine_frac is not None:
        return _of_strength(request, request.brine_frac)
    usual = _of_strength(request, USUAL_BRINE_FRAC)
    if usual.time_s < SHORTEST_BRINE_S:
        usual = _weaker(request, SHORTEST_BRINE_S)
    begin = earlier(rinse_at, usual.time_s + MAKE_BRINE_S)
    if not at_night(earlier(rinse_at, usual.time_s)) and not at_night(begin):
        return usual
    evening = evening_before(begin)
    time_s = (rinse_at.astimezone(UTC) - evening.astimezone(UTC)).total_seconds() - MAKE_BRINE_S
    return _weaker(request, time_s)


def _weaker(request: PlanRequest, time_s: float) -> Brining:
    """The brine that gives the salt wanted in `time_s`, which is longer than the usual one takes."""
    target_pct, _ = _target_pct(request)
    low, high = 0.02, USUAL_BRINE_FRAC
    for _ in range(30):
        middle = 0.5 * (low + high)
        if _of_strength(request, middle, time_s).salting.mean_wps_pct < target_pct:
            low = middle
        else:
            high = middle
    return _of_strength(request, round(high, 3), time_s)
