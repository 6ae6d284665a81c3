"""From the serving time back to the freezer, and on to the refrigerator: the whole job as steps.

Owns: build_plan, which joins brine, drying, fire, cook, exposure and storage into one Timeline with a
FoodPlan for the daemon. Must not know: how it is shown (render_*.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.errors import UserError
from coalminder.food import ensemble as slabs
from coalminder.food.brine_plan import Brining, plan_brine
from coalminder.food.drying import pellicle
from coalminder.food.exposure import NO_EXPOSURE, add_time
from coalminder.food.fire_lay import FireLay, fire_lay
from coalminder.food.foodplan import FoodPlan
from coalminder.food.hours import at_night, earlier, evening_before
from coalminder.food.plan_notes import SMOKING_C, cautions, figures_of, warnings_of
from coalminder.food.request import PlanRequest
from coalminder.food.sources import Figure
from coalminder.food.steps import CHILL_AFTER_S, OVERNIGHT_S, RINSE_S, Row, load_time, plan_rows
from coalminder.food.storage import Cooling, cooling, keeping
from coalminder.frozen import replace

MEASURED_SD = 0.12
LEAST_NIGHT_S = 7 * 3600.0
LAST_WOOD_MIN = 15.0
"""Wood laid on later, before the food comes off, lifts the lid for next to no smoke [practice]."""


@dataclass(frozen=True, slots=True)
class Timeline:
    """The plan for people (rows, figures, warnings, cautions) and for the daemon (`daemon`)."""

    request: PlanRequest
    rows: tuple[Row, ...]
    brining: Brining
    fire: FireLay
    cook_min: tuple[float, float, float]
    cooling: Cooling
    figures: tuple[tuple[str, tuple[Figure, ...]], ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    daemon: FoodPlan

    def source_keys(self) -> tuple[str, ...]:
        """Keys of every source used, in order of use."""
        keys = [f.source for _, figures in self.figures for f in figures]
        keys += [k for row in self.rows for k in row.step.sources]
        for line in (*self.warnings, *self.cautions):
            keys += [part.split("]")[0] for part in line.split("[")[1:]]
        return tuple(dict.fromkeys(keys))


def _cook_s(plan: FoodPlan, measured: bool) -> tuple[float, float, float, float]:
    """(low, middle, high, to plan with) seconds from loading until the rule is met.

    middle, high: inf when half of the family, or one, would not get there within 8 h. measured:
    somebody held a ruler to the thickest piece (12 %), rather than taking the usual size (25 %). Raises
    UserError when none would, with the set point that would do.
    """
    family = slabs.start(plan.food(), MEASURED_SD if measured else slabs.THICKNESS_SD)

    def times_s(set_point_c: float) -> list[float]:
        air = slabs.Air(set_point_c)
        return slabs.heating_times_s(family, plan.food(), air, plan.done_rule.core_c)

    times = times_s(plan.set_point_c)
    low, middle, high = slabs.interval_s(times)
    if low == math.inf:
        warmer = range(5 * math.ceil((plan.set_point_c + 1.0) / 5.0), SMOKING_C[1] + 1, 5)
        enough = (c for c in warmer if slabs.interval_s(times_s(c))[1] < math.inf)
        accepted = next((f"accepted from {c} °C" for c in enough), "no set point does; cut thinner pieces")
        raise UserError(
            f"set point {plan.set_point_c:.0f} °C: the core of pieces {1000 * plan.thickness_m:.0f} mm thick "
            f"would not reach {plan.done_rule.core_c:.0f} °C in {slabs.HORIZON_S / 3600:.0f} h: {accepted}"
        )
    hold = 60.0 * plan.done_rule.hold_min
    # two in three cooks are done by then and kept hot; the others are eaten a little later
    planned = (
        min(slabs.HORIZON_S, sorted(times)[2 * len(times) // 3])
        if high == math.inf
        else (middle + 300.0) * math.pow((high + 300.0) / (middle + 300.0), 0.43 / slabs.Z90) - 300.0
    )
    return low + hold, middle + hold, high + hold, planned + hold


def build_plan(request: PlanRequest) -> Timeline:
    """The whole job, backwards from `request.serve_at`, in steps of 5 minutes."""
    kind = request.species
    food_plan = FoodPlan(
        name=kind.name,
        species=kind.code,
        mass_kg=request.mass_kg,
        thickness_m=request.thick_m,
        water_frac=kind.composition.water_frac,
        protein_frac=kind.composition.protein_frac,
        fat_frac=kind.composition.fat_frac,
        start_c=min(8.0, max(request.fridge_c + 2.0, 0.0)),
        set_point_c=request.set_point_c,
        ambient_c=request.ambient_c,
        fridge_c=request.fridge_c,
        rule=request.done_rule.code,
        scombroid=kind.scombroid,
        frozen_before=request.frozen or request.frozen_before,
    )
    dry = pellicle(request.drying_c, request.humidity_frac, request.dry_speed_m_s)
    in_fridge = dry.usual_s > 5 * 3600.0 or (kind.dries_cold and request.dry_c is None)
    low_s, middle_s, high_s, planned_s = _cook_s(food_plan, request.thickness_m is not None)
    on_grill_s = planned_s + (20 * 60.0 if request.texture == "firm" else 0.0)
    load_at = load_time(request.serve_at, on_grill_s)
    dry_s = OVERNIGHT_S if in_fridge else 300.0 * math.ceil(dry.usual_s / 300.0)
    rinse_at = earlier(load_at, dry_s + RINSE_S)
    evening = evening_before(rinse_at)
    night_s = load_at.timestamp() - evening.timestamp() - RINSE_S
    if at_night(rinse_at) and night_s > LEAST_NIGHT_S:  # nobody gets up to rinse: it dries all night, cold
        in_fridge, rinse_at, dry_s = True, evening, night_s
    brining = plan_brine(request, rinse_at)
    fire = fire_lay(
        min(12.0, max(0.5, on_grill_s / 3600.0)),
        request.set_point_c,
        request.ambient_c,
        request.wind_m_s,
        request.kettle_cm,
        request.mass_kg,
        request.wood_moisture_frac,
        request.wood_soaked,
        request.rain,
        min(request.smoke_min, max(LAST_WOOD_MIN, on_grill_s / 60.0 - LAST_WOOD_MIN)),
    )
    cool = cooling(food_plan.food(), 72.0, max(5.0, request.ambient_c), request.fridge_c, CHILL_AFTER_S)
    keeps = keeping(kind.kind, request.fridge_c)

    rows = plan_rows(request, fire, keeps, brining.time_s, dry_s, in_fridge, on_grill_s)
    before = add_time(NO_EXPOSURE, max(request.drying_c, 12.0), RINSE_S)
    before = add_time(before, request.fridge_c if in_fridge else request.drying_c, dry_s)
    before = add_time(before, max(request.brine_c, request.fridge_c), brining.time_s)
    thaw_s = sum(row.lasts_s for row in rows if row.step.code == "thaw")
    before = add_time(before, request.fridge_c, thaw_s)  # its outside is soon as warm as that
    raw_s = brining.time_s + RINSE_S + dry_s
    warnings = warnings_of(request, brining, dry, in_fridge, raw_s, before, cool, fire, on_grill_s, high_s)
    plan = replace(food_plan, before=before, steps=tuple(row.step for row in rows))
    return Timeline(
        request=request,
        rows=rows,
        brining=brining,
        fire=fire,
        cook_min=(low_s / 60.0, middle_s / 60.0, high_s / 60.0),
        cooling=cool,
        figures=figures_of(request, brining, dry, in_fridge, fire, (low_s, middle_s, high_s), cool),
        warnings=warnings,
        cautions=cautions(request),
        daemon=plan,
    )
