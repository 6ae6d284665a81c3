"""Somebody else's grill, made safe to tend: plain floats out, and a failure is one line that says when."""

from __future__ import annotations

import math
from typing import Any

from coalminder.errors import UserError
from coalminder.rehearse.view import clock
from coalminder.seams import Grill


class Guest:
    """A Grill around a Grill. What is no number comes out as NaN; what raises becomes a UserError."""

    def __init__(self, grill: Grill, name: str) -> None:
        self.grill, self._name, self._time_s = grill, name, 0.0

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        """Let time pass."""
        self._call("advance", seconds, lower, upper, lid_open)
        self._time_s += seconds

    def pit_c(self) -> float:
        """The pit in °C, NaN when the grill gives none."""
        return _number(self._call("pit_c"))

    def core_c(self) -> float:
        """The core in °C, NaN when the grill gives none."""
        return _number(self._call("core_c"))

    def add_wood(self, kg: float, moisture: float = 0.2) -> None:
        """Lay wood on the coals."""
        self._call("add_wood", kg, moisture)

    def add_charcoal(self, kg: float, lit: bool = False) -> None:
        """Lay charcoal on the bed."""
        self._call("add_charcoal", kg, lit)

    def __getattr__(self, name: str) -> Any:
        """What else the grill offers (food, an ash sweeper)."""
        return getattr(self.grill, name)

    def fuel_left_kg(self) -> float | None:
        """Charcoal left; None when the grill does not tell."""
        number = self._optional("fuel_kg")
        return number if math.isfinite(number) else None

    def fire_lives(self) -> bool | None:
        """Whether the fire lives; None when the grill does not tell."""
        number = self._optional("alive")
        return number != 0.0 if math.isfinite(number) else None

    def _optional(self, name: str) -> float:
        """NaN when the grill has none, or fails to tell: no cook is lost for a figure of its summary."""
        try:
            value = getattr(self.grill, name, None)
            return _number(value() if callable(value) else value)
        except Exception:  # noqa: BLE001 - somebody else's code
            return math.nan

    def _call(self, method: str, *arguments: Any) -> Any:
        try:
            return getattr(self.grill, method)(*arguments)
        except Exception as error:
            when = clock(self._time_s)
            raise UserError(
                f"{self._name}: {method} failed at {when}: {type(error).__name__}: {error}; mend the grill"
            ) from error


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError, OverflowError):
        return math.nan
