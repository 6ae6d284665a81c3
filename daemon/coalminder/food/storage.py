"""After the cook: how long to cool, how long it keeps; and freezing against parasites.

Owns: storage limits (the shortest of the sources), cooling by model, the parasite note. Knows no plans.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.food import ensemble as slabs
from coalminder.food.checks import in_range
from coalminder.food.exposure import COLD_C, COOL_1_S, COOL_2_S, COOLED_TO_C, HOT_C, HOUR_S

FILM_W_M2K = 8.0  # of food that stands in still air

# Each source: rows (refrigerator no warmer than °C, days); its coldest row that still covers it counts.
# Home-smoked fish has no maker's date, so the row for cooked fish applies to it too.
_SOURCES: dict[str, tuple[tuple[str, tuple[tuple[float, float], ...]], ...]] = {
    "oily_fish": (
        ("msu-store", ((2.2, 14.0),)),
        ("sec-store", ((3.3, 6.0), (10.0, 2.0))),
        ("fridge-cooked", ((5.0, 3.0),)),
    ),
    "lean_fish": (
        ("msu-store", ((2.2, 14.0),)),
        ("sec-store", ((3.3, 8.0), (10.0, 4.0))),
        ("fridge-cooked", ((5.0, 3.0),)),
    ),
    "other": (("fridge-cooked", ((5.0, 3.0),)),),
}


@dataclass(frozen=True, slots=True)
class Keeping:
    """How long it keeps: days in the refrigerator, and the source that limits it."""

    days: float
    source: str
    text: str


def keeping(kind: str, fridge_c: float) -> Keeping:
    """Days at `fridge_c` (-2..10 °C): the shortest of the sources for that kind; they disagree.

    kind: oily_fish, lean_fish, shellfish, poultry, pork (species.Species.kind).
    """
    in_range("refrigerator", fridge_c, -2.0, 10.0, "°C", "3 °C or below keeps smoked fish")
    if fridge_c > COLD_C:
        return Keeping(0.0, "fc-holding", f"not at {fridge_c:.3g} °C: that is no cold storage; 5 °C at most")
    said = []
    for source, rows in _SOURCES.get(kind, _SOURCES["other"]):
        days = next((days for top, days in rows if fridge_c <= top), None)
        if days is not None:
            said.append((days, source))
    days, source = min(said)
    longest = max(said)[0]
    others = f" (the sources differ, up to {longest:.0f} d; the shortest counts)" if longest > days else ""
    return Keeping(days, source, f"{days:.0f} d at {fridge_c:.3g} °C{others}; freeze the rest")


@dataclass(frozen=True, slots=True)
class Cooling:
    """Cooling by model: seconds from 57 to 21 and to 5 °C (inf: never); passes: the rule is met."""

    to_21_s: float
    to_5_s: float
    passes: bool


def cooling(food: slabs.Food, start_c: float, air_c: float, fridge_c: float, bench_s: float) -> Cooling:
    """A slab that stands `bench_s` in air at `air_c` and then in a refrigerator.

    Without evaporation, the slow side. start_c: core and surface when it comes off.
    """
    in_range("time on the bench", bench_s / 60.0, 0.0, 240.0, "min")
    member = (
        math.log(food.half_m), math.log(food.capacity_j_m3k), 0.0, 0.0, 0.0, 0.0, 0.0, start_c,
        start_c, start_c, start_c,
    )  # fmt: skip
    family: slabs.Ensemble = (member,)
    step_s, now_s = 10.0, 0.0
    begin = 0.0 if start_c <= HOT_C else None
    at_21: float | None = None
    while now_s < 24 * HOUR_S:
        air = slabs.Air(air_c if now_s < bench_s else fridge_c, FILM_W_M2K, dries=False)
        family = slabs.advance(family, food, air, step_s)
        now_s += step_s
        core = slabs.core_of(family[0])
        if begin is None and core <= HOT_C:
            begin = now_s
        if at_21 is None and core <= COOLED_TO_C["cool_21"]:
            at_21 = now_s
        if core <= COOLED_TO_C["cool_5"] and begin is not None and at_21 is not None:
            to_21, to_5 = at_21 - begin, now_s - begin
            return Cooling(to_21, to_5, to_21 <= COOL_1_S and to_5 <= COOL_2_S)
    inf = float("inf")
    return Cooling(inf if at_21 is None or begin is None else at_21 - begin, inf, False)


PARASITE_NOTE = (
    "Fish eaten raw or only lightly cured must have been frozen first: -20 °C or colder for 7 days "
    "[fc-parasites]. A home freezer at -18 °C is not cold enough. Cooking to the done rule kills them too."
)
