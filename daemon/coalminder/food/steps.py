"""The steps of a plan with their times and words, stage by stage: brine, dry, fire, cook, cool, keep.

Owns: what is done when, backwards from the serving time. Must not know: how long each stage takes
(timeline.py) or how a step is shown (render_*.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from coalminder.food.brine_plan import MAKE_BRINE_S
from coalminder.food.fire_lay import FireLay
from coalminder.food.foodplan import PlanStep
from coalminder.food.hours import at_night, earlier, evening_before
from coalminder.food.request import PlanRequest
from coalminder.food.storage import Keeping

LIGHT_S = 25 * 60.0
SETTLE_S = 35 * 60.0
RINSE_S = 15 * 60.0
REST_S = 10 * 60.0
CHILL_AFTER_S = 60 * 60.0
THAW_S_PER_KG = 12 * 3600.0
"""In the refrigerator: a day for 2 kg [practice]."""
OVERNIGHT_S = 12 * 3600.0


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the timeline: the step with its local time and how long it takes (0: a moment)."""

    at: datetime
    lasts_s: float
    step: PlanStep


def plan_rows(
    request: PlanRequest,
    fire: FireLay,
    keeps: Keeping,
    brine_s: float,
    dry_s: float,
    in_fridge: bool,
    cook_s: float,
) -> tuple[Row, ...]:
    """Every step in order of time. in_fridge: it dries there, not in moving air."""
    off = earlier(request.serve_at, REST_S)
    load = load_time(request.serve_at, cook_s)
    dry = earlier(load, dry_s)
    rows = [
        *_brine(request, earlier(dry, RINSE_S), brine_s),
        *_dry(request, dry, dry_s, in_fridge),
        *_fire(load),
        *_cook(request, fire, load, off, cook_s),
        *_cool(request, off, keeps),
        *_keep(keeps, off),
    ]
    return tuple(sorted(rows, key=lambda row: row.at.timestamp()))  # an hour may come twice


def load_time(serve_at: datetime, cook_s: float) -> datetime:
    """When food that takes `cook_s` on the grill goes on, down to a step of 5 minutes."""
    at = earlier(earlier(serve_at, REST_S), cook_s)
    return earlier(at, 60.0 * (at.minute % 5) + at.second + 1e-6 * at.microsecond)


def _row(
    at: datetime,
    lasts_s: float,
    code: str,
    title: str,
    text: str,
    *sources: str,
    anchor: str = "",
    after_s: float = 0.0,
    reported: str = "",
) -> Row:
    step = PlanStep(code, title, text, at.timestamp(), anchor, after_s, reported, sources)
    return Row(at, lasts_s, step)


def _brine(request: PlanRequest, rinse: datetime, brine_s: float) -> list[Row]:
    brine = earlier(rinse, brine_s)
    make = earlier(brine, MAKE_BRINE_S)
    gutted = "gutted, the belly washed out, " if request.species.form == "whole fish" else ""
    rows = [
        _row(
            make,
            MAKE_BRINE_S,
            "make_brine",
            "Make the brine",
            f"weigh salt, sugar and water, stir until clear, chill to {request.brine_c:.3g} °C",
            "ny-brine",
        ),
        _row(
            brine,
            brine_s,
            "brine",
            "Brine",
            f"{gutted}all pieces under the surface, in the refrigerator; one kind of food only",
            *(("fda-gut",) if gutted else ()),
            "ny-brine",
            "salt-diffusion",
        ),
        _row(
            rinse,
            RINSE_S,
            "rinse",
            "Rinse",
            "a short rinse in cold water, pat dry, lay on a rack skin down",
            "practice",
        ),
    ]
    return [_thaw(request, make), *rows] if request.frozen else rows


def _thaw(request: PlanRequest, make: datetime) -> Row:
    """In the refrigerator it may lie longer: nobody gets up at night to lay it there."""
    at = earlier(make, max(OVERNIGHT_S, THAW_S_PER_KG * request.mass_kg / max(1, min(request.pieces, 3))))
    at = evening_before(at) if at_night(at) else at
    return _row(
        at,
        make.timestamp() - at.timestamp(),
        "thaw",
        "Thaw",
        "in the refrigerator, in a dish; never at room temperature; out of any airless pack first",
        "practice",
    )


def _dry(request: PlanRequest, dry: datetime, dry_s: float, in_fridge: bool) -> list[Row]:
    where = (
        "uncovered in the refrigerator"
        if in_fridge
        else f"in moving air at {request.drying_c:.3g} °C or less"
    )
    return [
        _row(
            dry,
            dry_s,
            "dry",
            "Dry",
            f"{where}, on a rack, until the surface is tacky (pellicle)",
            "lewis",
            "estimate",
        )
    ]


def _fire(load: datetime) -> list[Row]:
    light = earlier(load, LIGHT_S + SETTLE_S)
    return [
        _row(
            light,
            LIGHT_S,
            "light",
            "Light",
            "outdoors, one end of the bed; vents open until it glows",
            "co",
            "nfpa",
        ),
        _row(
            earlier(light, -LIGHT_S),
            SETTLE_S,
            "settle",
            "Settle",
            "lid on; wait until the pit stays in the band",
            "practice",
        ),
    ]


def _cook(request: PlanRequest, fire: FireLay, load: datetime, off: datetime, cook_s: float) -> list[Row]:
    rule = request.done_rule
    return [
        _row(
            load,
            5 * 60.0,
            "load",
            "Load",
            "away from the coals, skin down, thickest pieces nearest to the fire but none above it; core "
            "probe into the middle of the thickest",
            "practice",
            reported="loaded",
        ),
        *(_wood(load, i + 1, 60.0 * minute) for i, minute in enumerate(fire.wood_at_min)),
        *_rotate(load, cook_s, 60.0 * rule.hold_min),
        _row(
            off,
            REST_S,
            "off",
            "Off the grill",
            f"only when the core was measured: {rule.text}; onto a clean tray, not that of the raw food",
            rule.source,
            "practice",
            anchor="loaded",
            after_s=off.timestamp() - load.timestamp(),
            reported="off",
        ),
    ]


def _wood(load: datetime, piece: int, after_s: float) -> Row:
    return _row(
        earlier(load, -after_s),
        0.0,
        "wood",
        f"Wood, piece {piece}",
        "one piece on glowing coals; lid back on at once",
        "practice",
        anchor="loaded",
        after_s=after_s,
        reported="wood",
    )


def _rotate(load: datetime, cook_s: float, hold_s: float) -> list[Row]:
    turns = 2 if cook_s > 3.5 * 3600 else 1
    rows = []
    for i in range(turns):
        # half of the heating done: what was near the fire goes to the far side
        after_s = 300.0 * round((cook_s - hold_s) * (i + 1) / (turns + 1) / 300.0)
        rows.append(
            _row(
                earlier(load, -after_s),
                0.0,
                "rotate",
                "Rotate",
                "swap the row nearest to the fire with the far row and turn each piece end for end",
                "practice",
                anchor="loaded",
                after_s=after_s,
                reported="rotated",
            )
        )
    return rows


def _cool(request: PlanRequest, off: datetime, keeps: Keeping) -> list[Row]:
    fridge = f"refrigerator ({request.fridge_c:.3g} °C)"
    where = (
        f"flat on cold trays into the {fridge}; loose paper, not airtight"
        if keeps.days > 0.0
        else f"under ice, not in this {fridge}; what cannot be is thrown away"
    )
    return [
        _row(
            request.serve_at,
            0.0,
            "serve",
            "Serve",
            "serve hot, or cool at once",
            "fc-holding",
            anchor="off",
            after_s=REST_S,
        ),
        _row(
            earlier(off, -CHILL_AFTER_S),
            0.0,
            "store",
            "Chill what is left",
            where,
            "a2-cooked",
            "fc-cooling",
            "chill-38",
            anchor="off",
            after_s=CHILL_AFTER_S,
            reported="chilled",
        ),
    ]


def _keep(keeps: Keeping, off: datetime) -> list[Row]:
    after_s = max(86400.0 * keeps.days, REST_S)  # not before it is served
    return [
        _row(
            earlier(off, -after_s),
            0.0,
            "eat_by",
            "Eat by",
            keeps.text,
            keeps.source,
            anchor="off",
            after_s=after_s,
        )
    ]
