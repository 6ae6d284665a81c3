"""Range checks with one clear line: what, accepted range, next step."""

from __future__ import annotations

import math

from coalminder.errors import UserError


def in_range(name: str, value: float, low: float, high: float, unit: str = "", hint: str = "") -> float:
    """`value` itself when finite and within [low, high]; else a UserError that names the accepted range."""
    if not (math.isfinite(value) and low <= value <= high):
        unit_text = f" {unit}" if unit else ""
        tail = f"; {hint}" if hint else ""
        raise UserError(
            f"{name} {value:g}{unit_text} is out of range: accepted {low:g} to {high:g}{unit_text}{tail}"
        )
    return value
