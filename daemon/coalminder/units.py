"""Units for people: the pound and the ounce, and sentences with temperatures, in other units. A leaf."""

from __future__ import annotations

import re
from collections.abc import Callable

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
