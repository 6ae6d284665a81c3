"""Second thoughts about a reading: is it within reach, fresh, possible, alive? Pure.

A driver knows its chip; this knows how a temperature behaves. A sample that fails becomes a ProbeFault;
a fault passes through unchanged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from coalminder.values import COARSE_C, ProbeFault, ProbeFaultKind, Sample

SLACK_C = 2.0
"""For the probe's noise [estimate]."""
GAP_S = 60.0
"""Of a longer time without a good reading it is not known that the probe stood still [estimate]."""


@dataclass(frozen=True, slots=True)
class GuardLimits:
    """What is believed. Temperatures in °C, times in s; `stuck_s` 0 turns that check off.

    max_rate_c_per_s: a change of more than SLACK_C + rate * time is impossible. stuck_s: no change at all for
    so long, at `stuck_above_c` or hotter, is no living probe (cold air may well stand still).
    """

    lowest_c: float = -40.0
    highest_c: float = 450.0
    max_rate_c_per_s: float = 15.0
    stuck_s: float = 1800.0
    stuck_above_c: float = 40.0
    max_age_s: float = 5.0


@dataclass(frozen=True, slots=True)
class GuardState:
    """What the guard remembers of one probe: last good reading, since when it is unchanged, finest step."""

    limits: GuardLimits = GuardLimits()
    last_c: float | None = None
    last_s: float = 0.0
    same_since_s: float = 0.0
    finest_c: float | None = None


def guard(state: GuardState, sample: Sample, now_s: float) -> tuple[GuardState, Sample]:
    """The sample, or the fault that it really is; and the state for the next call. `now_s` never goes back.

    An impossible jump is a fault until there has been time for it to be true at the greatest rate, so a
    spike costs one sample and a real change is believed after a while.
    """
    if isinstance(sample, ProbeFault):
        return state, sample
    limits, temp_c = state.limits, sample.temp_c
    if temp_c != temp_c or not limits.lowest_c <= temp_c <= limits.highest_c:
        why = "; are a thermocouple's two wires swapped, or is a thermistor's plug bad or its kind another?"
        return state, ProbeFault(
            ProbeFaultKind.OUT_OF_RANGE,
            f"{temp_c:.1f} °C is outside {limits.lowest_c:g}..{limits.highest_c:g} °C"
            f"{why if temp_c < limits.lowest_c else ''}",
        )
    if not 0.0 <= sample.age_s <= limits.max_age_s:
        return state, ProbeFault(
            ProbeFaultKind.STALE,
            f"the reading is {sample.age_s:.0f} s old; the limit is {limits.max_age_s:g} s",
        )
    if state.last_c is None:
        return replace(state, last_c=temp_c, last_s=now_s, same_since_s=now_s), sample
    change_c, elapsed_s = abs(temp_c - state.last_c), max(0.0, now_s - state.last_s)
    if change_c > SLACK_C + limits.max_rate_c_per_s * elapsed_s:
        return state, ProbeFault(
            ProbeFaultKind.IMPLAUSIBLE_RATE,
            f"from {state.last_c:.1f} to {temp_c:.1f} °C in {elapsed_s:.1f} s; look for a loose or wet plug",
        )
    alive = change_c > 0.0 or temp_c < limits.stuck_above_c or limits.stuck_s == 0.0
    same_since_s = now_s if alive or elapsed_s > GAP_S else state.same_since_s
    finest_c = state.finest_c
    if change_c > 0.0:
        finest_c = change_c if finest_c is None else min(finest_c, change_c)
    following = replace(state, last_c=temp_c, last_s=now_s, same_since_s=same_since_s, finest_c=finest_c)
    if finest_c is not None and finest_c >= COARSE_C:
        # in a kettle that is held well it may stand still; the cut-offs, who know the vents, judge it
        return following, sample
    if now_s - same_since_s > limits.stuck_s > 0.0:
        return following, ProbeFault(
            ProbeFaultKind.STUCK,
            f"exactly {temp_c:.2f} °C for {now_s - same_since_s:.0f} s; restart, then try another chip",
        )
    return following, sample
