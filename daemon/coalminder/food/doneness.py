"""Lethality and the rules by which food counts as cooked.

Owns: lethal rates, published time-temperature tables, done rules. Must not know: where the temperature came
from. No rule is ever met by time alone: each needs a measured core temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

REFERENCE_C = 70.0
Z_C = 7.5
"""Listeria, FDA Appendix 4 Table A-3 [fda-a3, from memory; 70 °C, 2 min read in a review]."""

SIX_D_MIN = 2.0


def lethal_rate(temp_c: float) -> float:
    """Minutes at REFERENCE_C that one minute at `temp_c` is worth: 10^((T - Tref)/z) (Bigelow, Ball)."""
    return float(10.0 ** ((temp_c - REFERENCE_C) / Z_C))


def lethality_min(times_min: Sequence[float], temps_c: Sequence[float]) -> float:
    """F = integral of the lethal rate, by the trapezoid rule over a log; times must not fall."""
    total = 0.0
    for t0, t1, a, b in zip(times_min, times_min[1:], temps_c, temps_c[1:], strict=False):
        if t1 < t0:
            raise ValueError("times must not go back")
        total += 0.5 * (t1 - t0) * (lethal_rate(a) + lethal_rate(b))
    return total


@dataclass(frozen=True, slots=True)
class DoneRule:
    """Core at `core_c` or above for `hold_min` without a break. `source` is a key of sources.SOURCES."""

    code: str
    core_c: float
    hold_min: float
    source: str
    text: str
    conditions: str = ""


DONE_RULES: dict[str, DoneRule] = {
    rule.code: rule
    for rule in (
        DoneRule("home-71", 71.0, 30.0, "home-71", "core at 71 °C for 30 min",
                 "home rule; reach 71 °C within 6 h of loading; keep refrigerated"),
        DoneRule("guidance-63", 63.0, 30.0, "fda-63", "core at 63 °C for 30 min",
                 "milder than the home rule: check the core probe in melting ice and boiling water, for at "
                 "61 °C the time is too short; keep it below 3.3 °C; never pack it without air: that needs a "
                 "tested salt process"),
        DoneRule("poultry-74", 74.0, 1.0, "usda-chart", "core at 74 °C", "poultry: every piece"),
        DoneRule("meat-71", 71.0, 1.0, "usda-chart", "core at 71 °C", "pork: the ground-meat figure"),
    )
}  # fmt: skip

DEFAULT_RULE = "home-71"


TOLERANCE_C = 0.5
"""A fall by no more than this below the rule is the probe's noise."""


def held_s(before_s: float, dt_s: float, core_c: float, rule: DoneRule) -> float:
    """Time at or above the rule's core temperature after another `dt_s` at `core_c`.

    Counts only at or above the limit; a fall by more than TOLERANCE_C (probe noise) starts the count again,
    as the rule asks for the time without a break; in between the count stands still.
    """
    if core_c >= rule.core_c:
        return before_s + dt_s
    return before_s if core_c >= rule.core_c - TOLERANCE_C else 0.0
