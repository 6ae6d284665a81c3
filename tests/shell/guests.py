"""Grills that break the rules in one way each; a rehearsal must end in figures or in one line."""

from __future__ import annotations

import numpy as np
from foreign_grill import ForeignGrill


class Odd(ForeignGrill):
    """A foreign grill with one oddity."""

    def __init__(self, mode: str = "plain") -> None:
        super().__init__()
        self._mode, self._seconds = mode, 0

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        self._seconds += int(seconds)
        if self._mode == "raises" and self._seconds > 900:
            raise RuntimeError("burnt through")
        super().advance(seconds, lower, upper, lid_open)

    def pit_c(self):  # type: ignore[no-untyped-def]
        value = super().pit_c()
        if self._mode == "nan at first" and self._seconds < 3:
            return float("nan")
        if self._mode == "nan a while" and 1500 < self._seconds < 1505:
            return float("nan")
        return {"float32": np.float32(value), "int64": np.int64(value), "int": int(value)}.get(
            self._mode, value
        )

    def core_c(self):  # type: ignore[no-untyped-def]
        return {"no food": None, "text": "raw", "huge": 10**400}.get(self._mode, super().core_c())

    @property
    def alive(self):  # type: ignore[no-untyped-def]
        if self._mode == "alive as a method":
            return lambda: True
        if self._mode == "does not tell":
            raise RuntimeError("nobody looked")
        return np.bool_(True) if self._mode == "numpy alive" else super().alive


def make(mode: str = "plain") -> Odd:
    return Odd(mode)


def anything(**arguments: object) -> Odd:
    """A factory that names no argument, seed among them."""
    assert "seed" not in arguments
    return Odd(str(arguments.get("mode", "plain")))


class Slots:
    """A grill with slots and nothing but the protocol."""

    __slots__ = ("_grill",)

    def __init__(self) -> None:
        self._grill = ForeignGrill()

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        self._grill.advance(seconds, lower, upper, lid_open)

    def pit_c(self) -> float:
        return self._grill.pit_c()

    def core_c(self) -> float:
        return self._grill.core_c()

    def add_wood(self, kg: float, moisture: float = 0.2) -> None:
        self._grill.add_wood(kg, moisture)

    def add_charcoal(self, kg: float, lit: bool = False) -> None:
        self._grill.add_charcoal(kg, lit)
