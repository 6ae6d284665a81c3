"""Kitchen units, metric and US, and what is wrong with spoons.

Owns: conversions and their texts. Must not know: recipes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from coalminder.errors import UserError
from coalminder.units import LB_KG, OZ_KG, c_from_f, f_from_c, reworded

SALT_G_PER_TABLESPOON: dict[str, tuple[float, float]] = {
    "table": (17.0, 19.0),
    "fine_sea": (15.0, 18.0),
    "coarse": (12.0, 16.0),
    "flake": (8.0, 11.0),
}
"""Lightest and heaviest of each grain [practice]: a spoon of one is two of another."""


@dataclass(frozen=True, slots=True)
class Kitchen:
    """How figures are written. units: `metric` or `us`. year: the one that need not be told; None: none."""

    units: str = "metric"
    year: int | None = None

    def __post_init__(self) -> None:
        """Refuse other systems."""
        if self.units not in ("metric", "us"):
            raise UserError(f"units '{self.units}' are unknown: accepted metric, us")

    @property
    def us(self) -> bool:
        """Whether US kitchen units are wanted."""
        return self.units == "us"

    def temp(self, temp_c: float, digits: int = 0) -> str:
        """`93 °C` or `199 °F`."""
        value, unit = (f_from_c(temp_c), "°F") if self.us else (temp_c, "°C")
        return f"{_no_minus(value, digits)} {unit}"

    def words(self, text: str) -> str:
        """`text` with its `12 °C`, `10 to 12 °C`, `--set-point 93C`, `3 m`, `10 cm` in the wanted units."""
        if not self.us:
            return text
        text = reworded(text, lambda found: _no_minus(f_from_c(float(found))), "°F")
        text = _OPTION.sub(lambda found: f"{_no_minus(f_from_c(float(found[1])))}F", text)
        return _LENGTH.sub(lambda found: _us_length(float(found[1]), found[2]), text)

    def refusal(self, text: str) -> str:
        """A line that refuses a figure, in the wanted units; the range it accepts is rounded inwards."""
        return _FIGURE.sub(_us_figure, text) if self.us else text

    def mass(self, kg: float) -> str:
        """Weight, in g below 1 kg (oz below 1 lb). US gives the gram figure too: salt is weighed, and the
        decimals of 1.22 lb are no ounces.
        """
        small = f"{1000 * kg:.0f} g"
        if not self.us:
            return f"{kg:.2f} kg" if kg >= 1.0 else small
        if kg >= 1.0:
            return f"{kg / LB_KG:.2f} lb"
        return f"{kg / LB_KG:.2f} lb ({small})" if kg >= LB_KG else f"{kg / OZ_KG:.1f} oz ({small})"

    def length(self, metres: float) -> str:
        """Thickness in mm, or inches."""
        return f"{metres / 0.0254:.2f} in" if self.us else f"{1000 * metres:.0f} mm"


_OPTION = re.compile(r"\b(\d+)C\b")
_LENGTH = re.compile(r"\b(\d+(?:\.\d+)?) (m|cm)\b(?!/)")


_LIKE = {"°C": "°F", "kg": "lb", "mm": "in", "cm": "in", "m/s": "mph"}
_NUM = r"(-?[\d.]+(?:e[-+]\d+)?)"
_FIGURE = re.compile(rf"(?<![\w.-])(accepted )?(?:{_NUM}( to ))?{_NUM} (°C|kg|mm|cm|m/s)(?![\w/])")


def _us_figure(found: re.Match[str]) -> str:
    accepted, low, to, high, metric = found.groups()
    unit = _LIKE[metric]

    def us(figure: str, whole: Callable[[float], float]) -> str:
        value = f_from_c(float(figure)) if metric == "°C" else float(figure) * _SI[metric] / _SI[unit]
        grain = 10.0 ** (math.floor(math.log10(max(abs(value), 1e-9))) - 2)  # three digits
        return f"{whole(round(value / grain, 6)) * grain:.3g}"

    inwards = (math.ceil, math.floor) if accepted and low else (round, round)
    return (accepted or "") + (us(low, inwards[0]) + to if low else "") + f"{us(high, inwards[1])} {unit}"


def _us_length(value: float, unit: str) -> str:
    return f"{value / 0.3048:.0f} ft" if unit == "m" else f"{value / 2.54:.0f} in"


def _no_minus(value: float, digits: int = 0) -> str:
    """Rounded, and never "-0"."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


_NUMBER = re.compile(r"^\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(.*?)\s*$")
# kind -> unit -> factor to SI; the first is the metric default, the second the US one. Exact by definition.
_UNITS: dict[str, dict[str, float]] = {
    "weight": {"kg": 1.0, "lb": LB_KG, "g": 1e-3, "oz": OZ_KG},
    "length": {"mm": 1e-3, "in": 0.0254, "cm": 1e-2, "m": 1.0},
    "width": {"cm": 1e-2, "in": 0.0254, "mm": 1e-3, "m": 1.0},  # of a kettle
    "speed": {"m/s": 1.0, "mph": 0.44704, "km/h": 1 / 3.6},
    "temperature": {"c": 1.0, "f": 1.0, "°c": 1.0, "°f": 1.0},
}
_SI = {unit: factor for table in _UNITS.values() for unit, factor in table.items()}


def read_quantity(text: str, kind: str, what: str, units: str = "metric") -> float:
    """`1.6`, `1.6 kg`, `3.5lb`, `200 F` in SI (temperatures: °C); a bare number is in the wanted units."""
    table = _UNITS[kind]
    form = _NUMBER.match(text)
    if form is None:
        raise UserError(f"{what} '{text}' is not a number; write for example 20 or '20 {next(iter(table))}'")
    number = float(form.group(1).replace(",", "."))
    unit = form.group(2).lower() or list(table)[1 if units == "us" else 0]
    if unit not in table:
        raise UserError(f"{what} '{text}': unit '{form.group(2)}' is unknown: accepted {', '.join(table)}")
    if kind == "temperature":
        return c_from_f(number) if unit.endswith("f") else number
    return number * table[unit]


def salt_from_spoons_kg(tablespoons: float, grain: str = "table") -> tuple[float, float]:
    """(lightest, heaviest) weight in kg of heaped-level tablespoons of that grain."""
    try:
        low, high = SALT_G_PER_TABLESPOON[grain]
    except KeyError:
        accepted = ", ".join(SALT_G_PER_TABLESPOON)
        raise UserError(f"salt grain '{grain}' is unknown: accepted {accepted}") from None
    return tablespoons * low / 1000.0, tablespoons * high / 1000.0


def spoon_warning(salt_kg: float) -> str:
    """What a given weight of salt is in tablespoons, and why to weigh it."""
    most = 1000.0 * salt_kg / SALT_G_PER_TABLESPOON["flake"][0]
    least = 1000.0 * salt_kg / SALT_G_PER_TABLESPOON["table"][1]
    return (
        f"Weigh the salt: {1000 * salt_kg:.0f} g is {least:.0f} level tablespoons of table salt but up to "
        f"{most:.0f} of flakes; by the spoon it can be half or twice as salty [practice]."
    )
