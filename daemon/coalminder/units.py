"""Sentences with temperatures, in other units. A leaf: plans and the page write for the same people."""

from __future__ import annotations

import re
from collections.abc import Callable

_NUMBER = r"-?\d+(?:\.\d+)?"
_CELSIUS = re.compile(rf"(?:({_NUMBER})( to | and ))?({_NUMBER})([ \N{{NO-BREAK SPACE}}])°C")


def reworded(text: str, number: Callable[[str], str], unit: str) -> str:
    """`text` with its `57 °C`, `5 to 57 °C` and `5 and 57 °C` in `unit`; number: a figure as found, there."""

    def ours(match: re.Match[str]) -> str:
        low, between, high, space = match.groups()
        return (number(low) + between if low else "") + f"{number(high)}{space}{unit}"

    return _CELSIUS.sub(ours, text)
