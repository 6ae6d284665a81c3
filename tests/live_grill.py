"""The demo's kettle with a pit probe that becomes noisy: an alarm comes and stays, the fire goes on.

coalminder rehearse --grill live_grill:noisy --grill-arg after_s=900
"""

from __future__ import annotations

from typing import Any

from coalminder.grill.scenario import demo


class Noisy:
    """A grill (coalminder.seams.Grill) around another; after `after_s` its pit probe jumps by `by_c`."""

    def __init__(self, grill: Any, after_s: float, by_c: float) -> None:
        self._grill, self._after_s, self._by_c = grill, after_s, by_c
        self._at_s, self._sign = 0.0, 1.0

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        self._at_s += seconds
        self._sign = -self._sign
        self._grill.advance(seconds, lower, upper, lid_open)

    def pit_c(self) -> float:
        noise_c = self._sign * self._by_c if self._at_s >= self._after_s else 0.0
        return float(self._grill.pit_c()) + noise_c

    def core_c(self) -> float:
        return float(self._grill.core_c())

    def add_wood(self, kg: float, moisture: float = 0.2) -> None:
        self._grill.add_wood(kg, moisture)

    def add_charcoal(self, kg: float, lit: bool = False) -> None:
        self._grill.add_charcoal(kg, lit)


def noisy(after_s: float = 900.0, by_c: float = 5.0) -> Noisy:
    """The demo's kettle with that probe."""
    return Noisy(demo().kettle(1), float(after_s), float(by_c))
