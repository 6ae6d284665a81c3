"""From the serving time back to the freezer, and on to the refrigerator: the whole job as steps.

Owns: build_plan, which joins brine, drying, fire, cook, exposure and storage into one Timeline with a
FoodPlan for the daemon. Must not know: how it is shown (render_*.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from coalminder.errors import UserError
from coalminder.food import ensemble as slabs
from coalminder.food.brine import BrineRecipe, Salting
from coalminder.food.brine_plan import MAKE_BRINE_S, at_night, evening_before, plan_brine
from coalminder.food.drying import Drying, pellicle
from coalminder.food.exposure import NO_EXPOSURE, add_time
from coalminder.food.fire_lay import FireLay, fire_lay
from coalminder.food.foodplan import FoodPlan, PlanStep
from coalminder.food.plan_notes import cautions, figures_of, warnings_of
from coalminder.food.request import PlanRequest
from coalminder.food.sources import Figure
from coalminder.food.storage import Cooling, Keeping, cooling, keeping

LIGHT_S = 25 * 60.0
SETTLE_S = 35 * 60.0
RINSE_S = 15 * 60.0
REST_S = 10 * 60.0
CHILL_AFTER_S = 60 * 60.0
MEASURED_SD = 0.12
THAW_S_PER_KG = 12 * 3600.0
"""In the refrigerator: a day for 2 kg [practice]."""
OVERNIGHT_S = 12 * 3600.0
LEAST_NIGHT_S = 7 * 3600.0
WARMEST_SMOKING_C = 105


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the timeline: the step with its local time and how long it takes (0: a moment)."""

    at: datetime
    lasts_s: float
    step: PlanStep


@dataclass(frozen=True, slots=True)
class Timeline:
    """The plan for people (rows, figures, warnings, cautions) and for the daemon (`daemon`)."""

    request: PlanRequest
    rows: tuple[Row, ...]
    recipe: BrineRecipe
    salting: Salting
    drying: Drying
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
        warmer = range(5 * math.ceil((plan.set_point_c + 1.0) / 5.0), WARMEST_SMOKING_C + 1, 5)
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
    # histamine forms in warm fish of some kinds: those dry in the refrigerator unless asked otherwise
    in_fridge = dry.usual_s > 5 * 3600.0 or (kind.scombroid and request.dry_c is None)
    low_s, middle_s, high_s, planned_s = _cook_s(food_plan, request.thickness_m is not None)
    on_grill_s = planned_s + (20 * 60.0 if request.texture == "firm" else 0.0)
    load_at = _to_5_min(_earlier(request.serve_at, REST_S + on_grill_s))
    dry_s = OVERNIGHT_S if in_fridge else 300.0 * math.ceil(dry.usual_s / 300.0)
    rinse_at = _earlier(load_at, dry_s + RINSE_S)
    evening = evening_before(rinse_at)
    night_s = load_at.timestamp() - evening.timestamp() - RINSE_S
    if at_night(rinse_at) and night_s > LEAST_NIGHT_S:  # nobody gets up to rinse: it dries all night, cold
        in_fridge, rinse_at, dry_s = True, evening, night_s
    brining = plan_brine(request, rinse_at)
    made, salted, brine_s = brining.recipe, brining.salting, brining.time_s
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
        min(request.smoke_min, on_grill_s / 60.0),
    )
    cool = cooling(food_plan.food(), 72.0, max(5.0, request.ambient_c), request.fridge_c, CHILL_AFTER_S)
    keeps = keeping(kind.kind, request.fridge_c)

    before = add_time(NO_EXPOSURE, max(request.drying_c, 12.0), RINSE_S)
    before = add_time(before, request.fridge_c if in_fridge else request.drying_c, dry_s)
    before = add_time(before, max(request.brine_c, request.fridge_c), brine_s)
    rows = _rows(request, fire, keeps, brine_s, dry_s, in_fridge, on_grill_s)
    warnings = warnings_of(request, salted, brine_s, dry, in_fridge, before, cool, fire, on_grill_s, high_s)
    plan = replace(food_plan, before=before, steps=tuple(row.step for row in rows))
    return Timeline(
        request=request,
        rows=rows,
        recipe=made,
        salting=salted,
        drying=dry,
        fire=fire,
        cook_min=(low_s / 60.0, middle_s / 60.0, high_s / 60.0),
        cooling=cool,
        figures=figures_of(request, made, salted, brine_s, dry, fire, (low_s, middle_s, high_s), cool),
        warnings=warnings,
        cautions=cautions(request),
        daemon=plan,
    )


def _rows(
    request: PlanRequest,
    fire: FireLay,
    keeps: Keeping,
    brine_s: float,
    dry_s: float,
    in_fridge: bool,
    cook_s: float,
) -> tuple[Row, ...]:
    serve = request.serve_at
    off = _earlier(serve, REST_S)
    load = _to_5_min(_earlier(off, cook_s))
    light = _earlier(load, LIGHT_S + SETTLE_S)
    dry = _earlier(load, dry_s)
    rinse = _earlier(dry, RINSE_S)
    brine = _earlier(rinse, brine_s)
    make = _earlier(brine, MAKE_BRINE_S)
    rule = request.done_rule
    rows: list[Row] = []

    def add(
        at: datetime,
        lasts_s: float,
        code: str,
        title: str,
        text: str,
        *sources: str,
        anchor: str = "",
        after_s: float = 0.0,
        reported: str = "",
    ) -> None:
        rows.append(
            Row(at, lasts_s, PlanStep(code, title, text, at.timestamp(), anchor, after_s, reported, sources))
        )

    if request.frozen:
        thaw_s = max(OVERNIGHT_S, THAW_S_PER_KG * request.mass_kg / max(1, min(request.pieces, 3)))
        add(
            _earlier(make, thaw_s),
            thaw_s,
            "thaw",
            "Thaw",
            "in the refrigerator, in a dish; never at room temperature; out of any airless pack first",
            "practice",
        )
    add(
        make,
        MAKE_BRINE_S,
        "make_brine",
        "Make the brine",
        f"weigh salt, sugar and water, stir until clear, chill to {request.brine_c:.0f} °C",
        "ny-brine",
    )
    add(
        brine,
        brine_s,
        "brine",
        "Brine",
        "all pieces under the surface, in the refrigerator; one kind of food only",
        "ny-brine",
        "salt-diffusion",
    )
    add(
        rinse,
        RINSE_S,
        "rinse",
        "Rinse",
        "a short rinse in cold water, pat dry, lay on a rack skin down",
        "practice",
    )
    where = (
        "uncovered in the refrigerator"
        if in_fridge
        else f"in moving air at {request.drying_c:.0f} °C or less"
    )
    add(
        dry,
        dry_s,
        "dry",
        "Dry",
        f"{where}, on a rack, until the surface is tacky (pellicle)",
        "lewis",
        "estimate",
    )
    add(
        light,
        LIGHT_S,
        "light",
        "Light",
        "outdoors, one end of the bed; vents open until it glows",
        "co",
        "nfpa",
    )
    add(
        _earlier(light, -LIGHT_S),
        SETTLE_S,
        "settle",
        "Settle",
        "lid on; wait until the pit stays in the band",
        "practice",
    )
    add(
        load,
        5 * 60.0,
        "load",
        "Load",
        "away from the coals, skin down, thickest pieces nearest to the fire but none above it; core probe "
        "into the middle of the thickest",
        "practice",
        reported="loaded",
    )
    for i, minute in enumerate(fire.wood_at_min):
        add(
            _earlier(load, -60.0 * minute),
            0.0,
            "wood",
            f"Wood, piece {i + 1}",
            "one piece on glowing coals; lid back on at once",
            "practice",
            anchor="loaded",
            after_s=60.0 * minute,
            reported="wood",
        )
    turns = 2 if cook_s > 3.5 * 3600 else 1
    for i in range(turns):
        # half of the heating done: what was near the fire goes to the far side
        after_s = 300.0 * round((cook_s - 60.0 * rule.hold_min) * (i + 1) / (turns + 1) / 300.0)
        add(
            _earlier(load, -after_s),
            0.0,
            "rotate",
            "Rotate",
            "swap the row nearest to the fire with the far row and turn each piece end for end",
            "practice",
            anchor="loaded",
            after_s=after_s,
            reported="rotated",
        )
    add(
        off,
        REST_S,
        "off",
        "Off the grill",
        f"only when the core was measured: {rule.text}",
        rule.source,
        anchor="loaded",
        after_s=off.timestamp() - load.timestamp(),
        reported="off",
    )
    add(
        serve, 0.0, "serve", "Serve", "serve hot, or cool at once", "fc-holding", anchor="off", after_s=REST_S
    )
    add(
        _earlier(off, -CHILL_AFTER_S),
        0.0,
        "store",
        "Chill what is left",
        f"flat on cold trays into the refrigerator ({request.fridge_c:.0f} °C); loose paper, not airtight",
        "a2-cooked",
        "fc-cooling",
        "chill-38",
        anchor="off",
        after_s=CHILL_AFTER_S,
        reported="chilled",
    )
    add(
        off + timedelta(days=max(keeps.days, 0.0)),
        0.0,
        "eat_by",
        "Eat by",
        keeps.text,
        keeps.source,
        anchor="off",
        after_s=86400.0 * max(keeps.days, 0.0),
    )
    return tuple(sorted(rows, key=lambda row: row.at.timestamp()))  # an hour may come twice


def _earlier(at: datetime, seconds: float) -> datetime:
    """`seconds` before `at` in real time, shown in its own zone: a night may have 23 or 25 hours."""
    return (at.astimezone(UTC) - timedelta(seconds=seconds)).astimezone(at.tzinfo)


def _to_5_min(at: datetime) -> datetime:
    return at - timedelta(minutes=at.minute % 5, seconds=at.second, microseconds=at.microsecond)
