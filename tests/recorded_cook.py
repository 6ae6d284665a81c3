"""A made-up cook to record: the core is not needed to test how it is written down."""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.journal import Journal
from coalminder.values import (
    Action,
    Alarm,
    AlarmState,
    Decision,
    FireEstimate,
    Inputs,
    Phase,
    ProbeFault,
    ProbeFaultKind,
    Reading,
    Terms,
)

UTC_S = 1_775_900_000.0  # some afternoon in April


@dataclass(frozen=True, slots=True)
class CookState:
    """Stands for the core's state."""

    count: int = 0
    pit_c: float | None = None
    history: tuple[float, ...] = ()


def alarm(code: str, state: AlarmState = AlarmState.UNACKNOWLEDGED, *, active: bool = True) -> Alarm:
    return Alarm(
        code, state, Action.WARN, "high", active, 12.0, f"{code} is not as it should be.", "Go and look."
    )


def cook_step(i: int, *alarms: Alarm, phase: Phase = Phase.TENDING) -> tuple[Inputs, Decision, CookState]:
    """Step `i` with numbers as busy as real ones: noise in every probe, all digits used."""

    def noise(k: int) -> float:
        return math.sin(i * 12.9898 + k * 78.233) * 0.37

    pit_c = 93.0 + 4.0 * math.sin(i / 300) + noise(0)
    inputs = Inputs(
        pit=Reading(pit_c, 0.02),
        pit_2=Reading(pit_c + 1.0 + noise(1), 0.02),
        dome=Reading(pit_c + 8.0 + noise(2), 0.02),
        ambient=Reading(9.0 + noise(3)) if i % 50 else ProbeFault(ProbeFaultKind.TIMEOUT, "no answer"),
        foods=(
            ("thick", Reading(40.0 + i * 0.002 + noise(4))),
            ("thin", Reading(45.0 + i * 0.002 + noise(5))),
        ),
        lid_open=False,
    )
    decision = Decision(
        phase,
        93.0,
        0.06 + 0.01 * noise(6),
        0.25,
        pit_c,
        alarms,
        terms=Terms(0.1 * noise(0), -0.4 + 0.01 * noise(7), 0.01 * noise(8), -0.3 + noise(9)),
        fire=FireEstimate(
            950.0 + noise(10), 0.1 + 0.01 * noise(11), 180.0 - i / 60, 150.0 - i / 60, 210.0 - i / 60
        ),
        in_band=True,
    )
    return inputs, decision, CookState(i, pit_c, tuple(noise(k) for k in range(20)))


def write_steps(journal: Journal, first: int, last: int, *alarms: Alarm) -> None:
    """Steps first..last, one a second."""
    for i in range(first, last + 1):
        inputs, decision, state = cook_step(i, *alarms)
        journal.record(float(i), UTC_S + i, inputs, decision, state)
