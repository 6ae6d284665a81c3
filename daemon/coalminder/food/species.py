# ruff: noqa: E501  (one row of the table, one line)
"""What can be laid on: composition, kind, and what to beware of.

Owns: the table of foods. Must not know: plans. Compositions are means; a real piece differs by some per cent
(fat by far more), which the on-line estimate allows for.
"""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.errors import UserError
from coalminder.food.composition import Composition


@dataclass(frozen=True, slots=True)
class Species:
    """One food. kind: oily_fish, lean_fish, shellfish, poultry, pork. form: how it usually lies on the grate.

    scombroid: forms histamine when kept warm. thickness_mm: a usual piece. skin: closed on one side.
    """

    code: str
    name: str
    kind: str
    composition: Composition
    source: str
    scombroid: bool = False
    form: str = "fillet"
    thickness_mm: float = 22.0
    skin: bool = True

    @property
    def dries_cold(self) -> bool:
        """Whether it is kept in the refrigerator while its surface dries: histamine, or not fish at all.

        The limits for hours at 10 to 21 °C are for fish; meat and shellfish have the two hours [usda-2h].
        """
        return self.scombroid or self.kind not in ("oily_fish", "lean_fish")

    @property
    def rules(self) -> tuple[str, ...]:
        """Done rules that fit, the default first."""
        if self.kind == "poultry":
            return ("poultry-74",)
        if self.kind == "pork":
            return ("meat-71",)
        return ("home-71", "guidance-63")


def _s(
    code: str,
    name: str,
    kind: str,
    parts: tuple[float, float, float, float],
    source: str = "food-tables",
    *,
    scombroid: bool = False,
    form: str = "fillet",
    thickness_mm: float = 22.0,
    skin: bool = True,
) -> Species:
    """A row; parts: water, protein, fat, ash in %."""
    composition = Composition(*(part / 100.0 for part in parts))
    return Species(code, name, kind, composition, source, scombroid, form, thickness_mm, skin)


SPECIES: dict[str, Species] = {
    s.code: s
    for s in (
        _s("char", "arctic char, farmed", "oily_fish", (70.0, 19.8, 8.8, 1.3)),
        _s("salmon", "salmon, farmed", "oily_fish", (64.9, 20.4, 13.4, 1.1), thickness_mm=28.0),
        _s("salmon_pink", "pink salmon", "oily_fish", (76.35, 19.94, 3.45, 1.22), "ashrae-comp"),
        _s("trout", "rainbow trout, farmed", "oily_fish", (73.8, 19.9, 6.2, 1.4), form="whole fish", thickness_mm=32.0),
        _s("herring", "herring", "oily_fish", (72.0, 18.0, 9.0, 1.5), scombroid=True, form="whole fish", thickness_mm=24.0),
        _s("mackerel", "mackerel", "oily_fish", (63.55, 18.60, 13.89, 1.35), "ashrae-comp", scombroid=True,
           thickness_mm=20.0),
        _s("sardine", "sardine", "oily_fish", (69.0, 20.0, 9.0, 1.6), scombroid=True, form="whole fish",
           thickness_mm=20.0),
        _s("tuna", "tuna", "oily_fish", (70.6, 23.3, 4.9, 1.2), scombroid=True, thickness_mm=30.0, skin=False),
        _s("bluefish", "bluefish", "oily_fish", (70.9, 20.0, 4.2, 1.0), scombroid=True),
        _s("sablefish", "sablefish", "oily_fish", (71.0, 13.4, 15.3, 1.0), thickness_mm=30.0),
        _s("eel", "eel", "oily_fish", (68.3, 18.4, 11.7, 1.4), form="whole fish", thickness_mm=40.0),
        _s("whitefish", "lake whitefish", "oily_fish", (72.8, 19.1, 5.9, 1.1)),
        _s("cod", "cod", "lean_fish", (81.22, 17.81, 0.67, 1.16), "ashrae-comp", thickness_mm=25.0),
        _s("haddock", "haddock", "lean_fish", (80.0, 18.9, 0.7, 1.2)),
        _s("mussels", "mussel meats", "shellfish", (80.6, 11.9, 2.2, 1.6), form="pieces", thickness_mm=12.0, skin=False),
        _s("oysters", "oyster meats", "shellfish", (85.0, 9.0, 2.0, 1.3), form="pieces", thickness_mm=15.0, skin=False),
        _s("shrimp", "shrimp", "shellfish", (78.5, 19.0, 1.0, 1.4), form="pieces", thickness_mm=14.0, skin=False),
        _s("scallops", "scallops", "shellfish", (80.0, 15.0, 0.7, 1.5), form="pieces", thickness_mm=25.0, skin=False),
        _s("chicken_breast", "chicken breast", "poultry", (74.0, 22.5, 2.6, 1.1), thickness_mm=35.0, skin=False),
        _s("chicken_thigh", "chicken thigh", "poultry", (73.0, 19.0, 8.0, 0.9), thickness_mm=35.0),
        _s("duck_breast", "duck breast", "poultry", (60.0, 17.0, 22.0, 0.9), thickness_mm=30.0),
        _s("turkey_breast", "turkey breast", "poultry", (74.0, 23.0, 1.5, 1.1), thickness_mm=60.0, skin=False),
        _s("pork_loin", "pork loin", "pork", (72.0, 21.0, 5.7, 1.1), thickness_mm=60.0, skin=False),
        _s("pork_belly", "pork belly", "pork", (45.0, 11.5, 42.0, 0.7), thickness_mm=40.0),
    )
}  # fmt: skip


def species(code: str) -> Species:
    """The food of that code; a UserError lists the codes."""
    try:
        return SPECIES[code]
    except KeyError:
        raise UserError(f"food '{code}' is unknown: choose from {', '.join(SPECIES)}") from None
