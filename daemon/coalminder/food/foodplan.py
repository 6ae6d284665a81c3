"""What the daemon follows: the food, the rule, and the steps with their times; with a JSON form.

Owns: FoodPlan and its JSON. Must not know: how a plan is made (timeline.py) or followed (follow.py).
Times `due_s` are Unix seconds as written; `FoodPlan.on_clock` moves them to another clock.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from coalminder.errors import UserError
from coalminder.food.checks import in_range
from coalminder.food.composition import Composition, thermal
from coalminder.food.doneness import DEFAULT_RULE, DONE_RULES, DoneRule
from coalminder.food.ensemble import Food
from coalminder.food.exposure import NO_EXPOSURE, Exposure
from coalminder.food.species import species
from coalminder.frozen import replace
from coalminder.values import Settings

FORMAT = "coalminder-food-plan/1"
MOST_BEFORE_S = 30 * 86400.0
_OF_THE_FOOD = ("species", "mass_kg", "thickness_m")
"""What no cook may leave to a default: how long it takes and which limits count hang on them."""
_HINT = "make one with `coalminder plan --json FILE`"


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One thing to do. due_s: when, on the plan's clock. anchor: "" or the reported step from which
    `after_s` counts once that happened ("loaded", "off"). reported: the report that settles it, the `step` of
    events.FoodStep ("wood": events.WoodAdded), or "".
    """

    code: str
    title: str
    text: str
    due_s: float
    anchor: str = ""
    after_s: float = 0.0
    reported: str = ""
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FoodPlan(Settings):
    """All that `follow` needs. Fractions 0..1 of raw flesh; °C, kg, m."""

    name: str = "food"
    species: str = ""
    mass_kg: float = 1.0
    thickness_m: float = 0.022
    water_frac: float = 0.70
    protein_frac: float = 0.20
    fat_frac: float = 0.09
    start_c: float = 5.0
    set_point_c: float = 93.0
    ambient_c: float = 15.0
    fridge_c: float = 3.0
    rule: str = DEFAULT_RULE
    scombroid: bool = False
    frozen_before: bool = False
    before: Exposure = NO_EXPOSURE
    steps: tuple[PlanStep, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what no cook can mean."""
        if self.rule not in DONE_RULES:
            raise UserError(f"done rule '{self.rule}' is unknown: accepted {', '.join(DONE_RULES)}")
        in_range("weight", self.mass_kg, 0.02, 50.0, "kg")
        in_range("thickness", 1000 * self.thickness_m, 3.0, 150.0, "mm", "measure the thickest piece")
        in_range("starting temperature", self.start_c, -2.0, 30.0, "°C")
        in_range("set point", self.set_point_c, 60.0, 121.0, "°C")
        in_range("ambient temperature", self.ambient_c, -30.0, 45.0, "°C")
        in_range("refrigerator", self.fridge_c, -2.0, 10.0, "°C", "3 °C or below keeps smoked fish")
        Composition(self.water_frac, self.protein_frac, self.fat_frac).shares()

    @property
    def done_rule(self) -> DoneRule:
        """The rule by which the food counts as done."""
        return DONE_RULES[self.rule]

    def food(self) -> Food:
        """Properties for the on-line model, at 50 °C (the middle of the cook)."""
        t = thermal(Composition(self.water_frac, self.protein_frac, self.fat_frac), 50.0)
        return Food(
            half_m=0.5 * self.thickness_m,
            capacity_j_m3k=t.density_kg_m3 * t.cp_j_kgk,
            conductivity_w_mk=t.conductivity_w_mk,
            density_kg_m3=t.density_kg_m3,
            start_c=self.start_c,
        )

    def on_clock(self, unix_s: float, now_s: float) -> FoodPlan:
        """The same plan with its times on a clock that shows `now_s` when Unix time is `unix_s`."""
        return replace(self, steps=tuple(replace(s, due_s=s.due_s - unix_s + now_s) for s in self.steps))

    def to_json(self) -> str:
        """The JSON form, stable and readable."""
        return json.dumps({"format": FORMAT, **asdict(self)}, indent=2, ensure_ascii=False) + "\n"

    @classmethod
    def from_json(cls, text: str, where: str = "plan") -> FoodPlan:
        """Read `to_json`'s form; a UserError names what is wrong."""
        try:
            data = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise UserError(f"{where}: not JSON ({error}); {_HINT}") from error
        if not isinstance(data, dict) or data.pop("format", None) != FORMAT:
            raise UserError(f"{where}: not a food plan ({FORMAT}); {_HINT}")
        if lacking := [key for key in _OF_THE_FOOD if key not in data]:
            raise UserError(f"{where}: does not say what is cooked: lacks {', '.join(lacking)}; {_HINT}")
        before = _build(Exposure, data.pop("before", {}), f"{where}: before")
        listed = data.pop("steps", [])
        if not isinstance(listed, list):
            raise UserError(f"{where}: 'steps' must be a list, not {listed!r}; {_HINT}")
        steps = tuple(_build(PlanStep, step, f"{where}: step {i + 1}") for i, step in enumerate(listed))
        plan: FoodPlan = _build(cls, data, where)
        _check_limits(plan, before, where)
        return replace(plan, before=before, steps=steps)


def _check_limits(plan: FoodPlan, before: Exposure, where: str) -> None:
    """Refuse what no plan has: a milder rule than the food's, a histamine clock left out, time given back."""
    try:
        kind = species(plan.species) if plan.species else None
    except UserError as error:
        raise UserError(f"{where}: {error}") from None
    rules, what = (kind.rules, kind.name) if kind else ((DEFAULT_RULE,), "food without a 'species'")
    if plan.rule not in rules:
        raise UserError(f"{where}: done rule '{plan.rule}' does not fit {what}: accepted {', '.join(rules)}")
    if kind and kind.scombroid and not plan.scombroid:
        raise UserError(f"{where}: 'scombroid' must be true for {what}: it forms histamine when kept warm")
    for name, time_s in (("above_4_s", before.above_4_s), ("growth_s", before.growth_s)):
        in_range(f"{where}: before: {name}", time_s, 0.0, MOST_BEFORE_S, "s")


def _build(cls: type[Any], data: Mapping[str, Any], where: str) -> Any:
    """A dataclass from plain values, with each key and type checked."""
    if not isinstance(data, dict):
        raise UserError(f"{where}: an object is needed")
    known = {f.name: f for f in fields(cls)}
    values: dict[str, Any] = {}
    for key, value in data.items():
        if key not in known:
            raise UserError(f"{where}: unknown key '{key}'; known: {', '.join(known)}")
        kind = str(known[key].type)
        if kind == "float":
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e300:
                raise UserError(f"{where}: '{key}' must be a finite number, not {str(value)[:40]}")
            value = float(value)
        elif kind == "bool" and not isinstance(value, bool):
            raise UserError(f"{where}: '{key}' must be true or false, not {value!r}")
        elif kind == "str" and not isinstance(value, str):
            raise UserError(f"{where}: '{key}' must be text, not {value!r}")
        elif kind.startswith("tuple"):
            if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
                raise UserError(f"{where}: '{key}' must be a list of texts")
            value = tuple(value)
        values[key] = value
    try:
        return cls(**values)
    except TypeError as error:
        raise UserError(f"{where}: a key is missing ({error})") from error
