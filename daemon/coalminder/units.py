"""Units for people: °C and kg inside, at the edge also °F and lb, in figures and in sentences. A leaf."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

LB_KG = 0.45359237  # exact, international avoirdupois pound (agreement of 1959)
OZ_KG = LB_KG / 16.0

WHOLE = 0.09
"""°F: a tenth of 1 °C is 0.18 °F, and what was rounded to it is off by half of that at most."""

_NUMBER = r"(?:-|(?<!\d))\d+(?:\.\d+)?"  # from its beginning only, or long ones take time as their square
_TEMPERATURE = {
    unit: re.compile(rf"(?:({_NUMBER})( to | and |\.\.))?({_NUMBER})([ \N{{NO-BREAK SPACE}}]){unit}")
    for unit in ("°C", "°F")
}


def f_from_c(temp_c: float) -> float:
    """°C to °F."""
    return temp_c * 1.8 + 32.0


def c_from_f(temp_f: float) -> float:
    """°F to °C, to the bit as the settings read it."""
    return 5 / 9 * (temp_f - 32.0)


def reworded(text: str, number: Callable[[str], str], unit: str, of: str = "°C") -> str:
    """`text` with its `57 °C`, `5 to 57 °C`, `5 and 57 °C`, `5..57 °C` in `unit`; number: a figure as found,
    there; of: the unit that it is in.
    """

    def ours(match: re.Match[str]) -> str:
        low, between, high, space = match.groups()
        return (number(low) + between if low else "") + f"{number(high)}{space}{unit}"

    return _TEMPERATURE[of].sub(ours, text)


def in_unit(text: str, shown: Callable[[float], float], unit: str) -> str:
    """`text` with its temperatures as `shown` makes them of °C; decimals as were there, one at most.

    4.4 °C is 40 °F: what comes within `WHOLE` of a whole number was one, and was rounded to a tenth of 1 °C.
    """

    def number(found: str) -> str:
        temp_c, told = float(found), shown(float(found))
        digits = min(len(found.partition(".")[2]), 1)
        whole = told != temp_c and abs(told - round(told)) < WHOLE
        return f"{told:.{0 if whole else digits}f}"

    return reworded(text, number, unit)


def in_fahrenheit(text: str) -> str:
    """`text` with its temperatures in °F; see `in_unit`."""
    return in_unit(text, f_from_c, "°F")


def in_celsius(text: str) -> str:
    """`text` with its temperatures in °C, decimals as were there."""

    def number(found: str) -> str:
        return f"{c_from_f(float(found)):.{len(found.partition('.')[2])}f}"

    return reworded(text, number, "°C", "°F")


@dataclass(frozen=True, slots=True)
class Units:
    """What temperatures and masses are shown in. Shown = scale * °C + offset: the phone draws with these."""

    temp: str = "°C"
    scale: float = 1.0
    offset: float = 0.0
    mass: str = "kg"
    mass_kg: float = 1.0

    def shown(self, temp_c: float) -> float:
        """From °C to the unit shown."""
        return f_from_c(temp_c) if self.temp == "°F" else temp_c

    def celsius(self, shown: float) -> float:
        """From the unit shown to °C."""
        return c_from_f(shown) if self.temp == "°F" else shown

    def text(self, temp_c: float | None, digits: int = 0) -> str:
        """'93 °C' with a space that does not break, or 'not known'."""
        return (
            "not known" if temp_c is None else f"{self.shown(temp_c):.{digits}f}\N{NO-BREAK SPACE}{self.temp}"
        )

    def limit(self, temp_c: float) -> str:
        """A limit as a figure; whole where it is, or nearly (121 °C is 250 °F): no excess may be hidden."""
        value = self.shown(temp_c)
        return f"{value:.{0 if abs(value - round(value)) < NEARLY else 1}f}"

    def words(self, text: str) -> str:
        """A sentence with its `57 °C` and `5 to 57 °C` in these units."""
        return in_unit(text, self.shown, self.temp)

    def apart(self, kelvin: float) -> float:
        """How far two temperatures are apart, in the unit shown: 1 K is 1.8 °F."""
        return self.scale * kelvin


NEARLY = 0.25
METRIC = Units()
US = Units("°F", 1.8, 32.0, "lb", LB_KG)


def units(name: str) -> Units:
    """'metric' or 'us'."""
    return US if name == "us" else METRIC


def in_its_unit(text: str, shown: Units) -> str:
    """A temperature as a person typed it, with the unit shown where it has none: '200' -> '200 °F'."""
    return text if shown.temp == "°C" or text.strip()[-1:].isalpha() else f"{text} °F"
