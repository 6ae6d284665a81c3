"""What a plan says beside its steps: figures with sources, warnings, cautions.

Owns: the words and the choice of figures. Must not know: how they are shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from coalminder.food.brine import LONG_S, brine_warnings
from coalminder.food.brine_plan import Brining
from coalminder.food.drying import Drying
from coalminder.food.ensemble import HORIZON_S
from coalminder.food.exposure import COLD_C, OUT_S, SCOMBROID_S, SOON_FRAC, Exposure, add_time, raw_clock
from coalminder.food.fire_lay import FIRE_CAUTIONS, FireLay, free_grate_m2
from coalminder.food.request import PlanRequest
from coalminder.food.salt import wps_after_loss_pct
from coalminder.food.sources import Figure
from coalminder.food.storage import PARASITE_NOTE, Cooling

FLESH_FREEZES_C = -2.2
"""Fish begins to freeze here [ASHRAE Refrigeration, ch. 9, table 3, from memory]."""
SMOKING_C = (80, 105)
"""The band of hot smoking [practice]."""
KEEPS_RAW_S = 48 * 3600.0
"""Raw fish, shellfish and poultry in the refrigerator [fridge-raw]."""
BIVALVES = frozenset({"mussels", "oysters", "scallops"})


def cautions(request: PlanRequest) -> tuple[str, ...]:
    """The trade's usual cautions for this food, local authority first."""
    lines = list(FIRE_CAUTIONS)
    lines.append(
        "Hot metal and coals: gloves, a level stand, nobody near who cannot look after themselves [practice]."
    )
    lines.append(
        "Food-safety figures here defer to your local authority. Old, ill, pregnant or very young people eat "
        "smoked fish hot only: straight from the grill, or heated to 74 °C again; never cold from the "
        "refrigerator [fda-ready]."
    )
    lines.append("What was chilled and is to be eaten warm: to 74 °C within 2 h, and only once [fc-reheat].")
    if request.species.code in BIVALVES:
        lines.append(
            "No heat takes the toxins of algae out of mussels, oysters and scallops: only from a shop, or "
            "from waters open for gathering them [fda-6]."
        )
    if request.species.kind in ("oily_fish", "lean_fish"):
        lines.append(PARASITE_NOTE)
    if request.done_rule.conditions:
        rule = request.done_rule
        lines.append(f"Done rule: {rule.text}. {rule.conditions} [{rule.source}].")
    return tuple(lines)


def warnings_of(
    request: PlanRequest,
    brining: Brining,
    dry: Drying,
    in_fridge: bool,
    raw_s: float,
    before: Exposure,
    cool: Cooling,
    fire: FireLay,
    cook_s: float,
    latest_s: float,
) -> tuple[str, ...]:
    """What in this plan a cook should think about twice, a line each. raw_s: from the brine to the grill."""
    return (
        *_of_limits(request, before, cook_s),
        *_of_brine(request, brining),
        *_of_drying(dry, in_fridge),
        *_of_raw(request, raw_s, before),
        *_of_histamine(request, before, cook_s),
        *_of_cold(request, cool),
        *_of_cook(request, cook_s, latest_s),
        *fire.warnings,
        *_layout(request),
    )


def _histamine_s(request: PlanRequest, before: Exposure, cook_s: float) -> tuple[float, float]:
    """Time above 4.4 °C until the food is hot, half of the cook at the most, and its limit."""
    limit_s = SCOMBROID_S[request.frozen or request.frozen_before, True]
    return add_time(before, 15.0, 0.5 * cook_s).above_4_s, limit_s


def _colder(before: Exposure) -> str:
    return "brine and dry it at 4 °C or less" if before.above_4_s > OUT_S else "thinner pieces, colder drying"


def _of_limits(request: PlanRequest, before: Exposure, cook_s: float) -> Iterator[str]:
    """Why it must not be made so."""
    warm_s, limit_s = _histamine_s(request, before, cook_s)
    if request.species.scombroid and warm_s > limit_s:
        yield (
            f"Do not make it so: {_at_least_h(warm_s)} h above 4.4 °C are over the histamine limit of "
            f"{limit_s / 3600:.0f} h, and nobody can taste or cook it away: {_colder(before)} [fda-7]."
        )
    clock = raw_clock(before)
    if clock.state == "over":
        yield (
            f"Do not make it so: before the cook it would be over 10 °C for {_at_least_h(clock.used_s)} h, "
            f"and {clock.limit_s / 3600:.0f} h is the limit: dry it colder, or in the refrigerator "
            f"[{clock.source}]."
        )


def _of_brine(request: PlanRequest, brining: Brining) -> Iterator[str]:
    brine_s, after_pct = brining.time_s, _after_pct(request, brining)
    # a long brine takes the temperature of the refrigerator it stands in
    places_c = (request.brine_c, request.fridge_c) if brine_s > LONG_S else (request.brine_c,)
    yield from brine_warnings(max(places_c), brine_s, after_pct, request.brine_reused)
    if min(places_c) <= max(brining.recipe.freezing_c, FLESH_FREEZES_C):
        what = "this brine" if min(places_c) <= brining.recipe.freezing_c else "the flesh in it"
        yield (
            f"At {min(places_c):.3g} °C {what} freezes, and takes up no salt as planned: brine at 0 to 3 °C "
            "[nacl-freezing]."
        )
    if after_pct < 0.9 * request.wps_pct:
        yield (
            f"In {brine_s / 3600:.0f} h salt reaches about {after_pct:.1f}, not {request.wps_pct:.1f} %: "
            "thinner pieces, a stronger brine, or skin off [salt-diffusion]."
        )
    if after_pct > 1.15 * request.wps_pct:
        yield (
            f"In {brine_s / 60:.0f} min salt reaches about {after_pct:.1f}, not {request.wps_pct:.1f} %: too "
            "salty for most; a weaker brine, or --equilibrium [salt-diffusion]."
        )


def _of_drying(dry: Drying, in_fridge: bool) -> Iterator[str]:
    if not in_fridge:
        yield from (f"{line} [estimate]" for line in dry.warnings)
    else:
        yield (
            "Dry it overnight in the refrigerator: this air is too damp, it must stay cold, or the night "
            "comes between [estimate]."
        )


def _of_raw(request: PlanRequest, raw_s: float, before: Exposure) -> Iterator[str]:
    """Of the time before the cook."""
    clock = raw_clock(before)
    if clock.state == "soon":
        yield (
            f"Before the cook it is warm for {clock.used_s / 3600:.1f} of {clock.limit_s / 3600:.0f} h: "
            f"dry it colder [{clock.source}]."
        )
    if raw_s > KEEPS_RAW_S and request.species.kind != "pork":
        yield (
            f"It lies raw for {raw_s / 3600:.0f} h before the cook, and raw it keeps 1 to 2 days: only what "
            "was caught or bought that day; better thinner pieces, skin off or a stronger brine [fridge-raw]."
        )
    if request.species.dries_cold and not request.species.scombroid and before.above_4_s > OUT_S:
        yield (
            f"Before the cook it is above 4 °C for {before.above_4_s / 3600:.1f} h, and 2 h is the limit for "
            "raw meat and shellfish: keep it, brine and dry it in a cold refrigerator [usda-2h]."
        )


def _of_histamine(request: PlanRequest, before: Exposure, cook_s: float) -> Iterator[str]:
    if not request.species.scombroid:
        return
    warm_s, limit_s = _histamine_s(request, before, cook_s)
    yield (
        f"{request.species.name.capitalize()} forms histamine when warm, and heat does not remove it: "
        f"buy it cold, keep it on ice. This plan counts about {_at_least_h(warm_s)} h above 4.4 °C until "
        f"it is hot; with the time before you got it the limit is {limit_s / 3600:.0f} h [fda-7] "
        "[fda-histamine]."
    )
    if SOON_FRAC * limit_s < warm_s <= limit_s:
        yield f"That is too near the limit: {_colder(before)} [fda-7]."


def _of_cold(request: PlanRequest, cool: Cooling) -> Iterator[str]:
    """Of the refrigerator."""
    if not cool.passes:
        colder = "a colder refrigerator, or" if cool.to_5_s == math.inf else "cut it thinner,"
        yield (
            f"Cooling in the refrigerator: {_hours(cool.to_21_s)} to 21 °C, {_hours(cool.to_5_s)} to 5 °C "
            f"(limits 2 and 6 h): too slow: {colder} lay it on ice [fc-cooling]."
        )
    if request.fridge_c > 3.3:
        yield f"Refrigerator at {request.fridge_c:.3g} °C: smoked fish needs 3.3 °C or less [chill-38]."
    if request.fridge_c > COLD_C:
        yield (
            f"A refrigerator at {request.fridge_c:.3g} °C is no cold storage (5 °C at most), for raw food "
            "neither: thaw, brine and dry it in a colder one, or on ice [fc-holding]."
        )


def _of_cook(request: PlanRequest, cook_s: float, latest_s: float) -> Iterator[str]:
    if request.done_rule.code == "guidance-63":
        yield "The 63 °C rule is milder than the home rule of 71 °C: eat it soon [fda-63] [home-71]."
    set_point_c = request.set_point_c
    if not SMOKING_C[0] <= set_point_c <= SMOKING_C[1]:
        yield (
            f"A pit of {set_point_c:.0f} °C is outside the {SMOKING_C[0]} to {SMOKING_C[1]} °C that smoke "
            "fish; the daemon takes it only if its [band] allows [practice]."
        )
    sooner = "thinner pieces"
    if set_point_c < SMOKING_C[1]:
        sooner += f", or a higher set point (up to {SMOKING_C[1]} °C)"
    if cook_s > 6 * 3600.0:
        yield f"The core would be slower than 6 h to be hot: {sooner} [home-71]."
    if cook_s > 3.5 * 3600.0 and set_point_c < 100.0:
        yield (
            "To be done sooner, smoke at the set point for 90 min and finish at 105 °C: plan again with "
            "--set-point 105C to see what that saves at most [practice]."
        )
    if latest_s == math.inf:
        yield (
            f"At {set_point_c:.0f} °C the core may need more than 8 h to get to "
            f"{request.done_rule.core_c:.0f} °C: {sooner} [estimate]."
        )


def _after_pct(request: PlanRequest, brining: Brining) -> float:
    """Water-phase salt after drying and smoking."""
    water_pct = 100.0 * request.species.composition.water_frac
    return wps_after_loss_pct(brining.salting.mean_salt_pct, water_pct, request.loss_frac)


def _hours(seconds: float) -> str:
    return "never" if seconds == math.inf else f"{seconds / 3600:.1f} h"


def _at_least_h(seconds: float) -> str:
    """Hours to a tenth, never rounded down to the limit they are over."""
    return f"{math.ceil(seconds / 360.0) / 10:.1f}"


def _layout(request: PlanRequest) -> list[str]:
    """Whether it fits beside the coals."""
    area_m2 = request.mass_kg / (1050.0 * request.thick_m)
    free_m2 = free_grate_m2(request.kettle_cm)
    if area_m2 <= free_m2:
        return []
    return [
        f"It covers {100 * area_m2 / free_m2:.0f} % of the grate away from the coals: a second rack or "
        f"{math.ceil(area_m2 / free_m2)} batches [practice]."
    ]


def _done_after(which: str, seconds: float) -> Figure:
    if seconds == math.inf:
        return Figure(f"done after, {which}: more than", HORIZON_S / 3600.0, "h", "slab-model", 0)
    return Figure(f"done after, {which}", seconds / 60.0, "min", "slab-model", 0)


def figures_of(
    request: PlanRequest,
    brining: Brining,
    dry: Drying,
    in_fridge: bool,
    fire: FireLay,
    cook_s: tuple[float, float, float],
    cool: Cooling,
) -> tuple[tuple[str, tuple[Figure, ...]], ...]:
    """Every figure of the plan with its source, by section."""
    kind, rule = request.species, request.done_rule
    made, salted = brining.recipe, brining.salting
    sweet = made.sugar_frac > 0.0
    return (
        ("Food", (
            Figure("water", 100.0 * kind.composition.water_frac, "%", kind.source),
            Figure("protein", 100.0 * kind.composition.protein_frac, "%", kind.source),
            Figure("fat", 100.0 * kind.composition.fat_frac, "%", kind.source),
            Figure("thickness", 1000.0 * request.thick_m, "mm", "estimate", 0),
        )),
        ("Brine", (
            Figure("water", made.water_kg, "kg", "practice", 2),
            Figure("salt", 1000.0 * made.salt_kg, "g", "salometer", 0),
            Figure("sugar", 1000.0 * made.sugar_kg, "g", "practice", 0),
            Figure("strength", 100.0 * made.salt_frac, "% salt by weight", "salometer"),
            Figure("strength", made.salometer, "°salometer", "salometer", 0),
            Figure("density", made.density_kg_m3, "kg/m3", "sucrose" if sweet else "nacl-density", 0),
            Figure("freezes at", made.freezing_c, "°C", "nacl-freezing"),
            Figure("time in it", brining.time_s / 3600.0, "h", "salt-diffusion-fast"),
            Figure("water-phase salt, raw, mean", salted.mean_wps_pct, "%", "salt-diffusion-fast"),
            Figure("water-phase salt, raw, low", salted.low_wps_pct, "%", "salt-diffusion"),
            Figure("water-phase salt, raw, high", salted.high_wps_pct, "%", "salt-diffusion-fast"),
            Figure("water-phase salt, raw, core", salted.core_wps_pct, "%", "crank"),
            Figure("water-phase salt after smoking", _after_pct(request, brining), "%", "wps"),
        )),
        ("Drying, if it is done in air" if in_fridge else "Drying", (
            Figure("air", request.drying_c, "°C", "estimate", 0),
            Figure("surface", dry.surface_c, "°C", "hyland-wexler"),
            Figure("water leaves", 1000.0 * dry.rate_kg_m2h, "g/m2 h", "lewis", 0),
            Figure("tacky, quick", dry.quick_s / 3600.0, "h", "estimate"),
            Figure("tacky, usual", dry.usual_s / 3600.0, "h", "estimate"),
            Figure("tacky, slow", dry.slow_s / 3600.0, "h", "estimate"),
        )),
        ("Fire", (
            Figure("heat", fire.heat_w, "W", "estimate", 0),
            Figure("burns", fire.charcoal_kg_h, "kg/h", "en1860", 2),
            Figure("charcoal in all", fire.charcoal_kg, "kg", "practice"),
            Figure("of it lit", fire.lit_kg, "kg", "practice", 2),
            Figure("wood pieces", float(fire.wood_pieces), "", "practice", 0),
            Figure("each", 1000.0 * fire.wood_piece_kg, "g", "practice", 0),
            Figure("wood's heat", fire.wood_ncv_mj_kg, "MJ/kg", "wood-ncv"),
        )),
        ("Cook", (
            Figure("set point", request.set_point_c, "°C", "practice", 0),
            Figure("core", rule.core_c, "°C", rule.source, 0),
            Figure("held for", rule.hold_min, "min", rule.source, 0),
            _done_after("earliest", cook_s[0]),
            _done_after("middle", cook_s[1]),
            _done_after("latest", cook_s[2]),
        )),
        ("After", (
            Figure("57 to 21 °C", cool.to_21_s / 3600.0, "h (limit 2)", "slab-model"),
            Figure("57 to 5 °C", cool.to_5_s / 3600.0, "h (limit 6)", "slab-model"),
        )),
    )  # fmt: skip
