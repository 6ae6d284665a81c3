"""A latched fault outlives an upgrade and a long power cut; a cook without one does not haunt the next."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from cutoffs import settled, view

from coalminder.core import Config, State, initial, step
from coalminder.journal import Journal, Refusal, Start, resume
from coalminder.safety.assess import Record, SafetyState
from coalminder.service.latched import keep_latched
from coalminder.values import HEALTHY, Decision, Inputs, Phase, Reading

UTC_S = 1_776_000_000.0


@dataclass(frozen=True, slots=True)
class FormerState:
    """A state as another version stored it: fields that nobody knows, others missing."""

    last_s: float
    safety: SafetyState
    forgotten_field: float = 0.0


def stored(folder: Path, safety: SafetyState, phase: Phase) -> None:
    journal = Journal(folder, Start("former", {}, UTC_S, FormerState(0.0, safety)), None)
    decision = Decision(phase=phase, set_point_c=93.0, lower=0.0, upper=0.0)
    for second in range(3):
        former = FormerState(float(second), safety, 3.0)
        journal.record(float(second), UTC_S + second, Inputs(Reading(90.0)), decision, former)
    assert journal.close()


def cut_off() -> SafetyState:
    watch = settled()
    watch.run(10.0, lambda s: view(s, machine=replace(HEALTHY, vent_driver_failed=True)))
    assert watch.verdict.cut_off
    return watch.state


@pytest.mark.parametrize("later_s", [10.0, 30 * 3600.0], ids=["at once", "after thirty hours"])
def test_latched_fault_of_a_state_that_cannot_be_read_keeps_the_vents_shut(
    tmp_path: Path, later_s: float
) -> None:
    stored(tmp_path, cut_off(), Phase.CUT_OFF)
    assert isinstance(resume(tmp_path, State, UTC_S + later_s), Refusal)
    state = keep_latched(initial(Config()), tmp_path, UTC_S + later_s)
    assert state.phase is Phase.CUT_OFF
    for second in range(600):
        state, decision = step(state, Inputs(Reading(90.0 + second % 7)), float(second))
        assert decision.phase is Phase.CUT_OFF
        assert (decision.lower, decision.upper) == (0.0, 0.0)
    assert [alarm.code for alarm in decision.alarms] == ["vent_driver_failed"]


def test_nothing_latched_begins_afresh(tmp_path: Path) -> None:
    stored(tmp_path, settled().state, Phase.TENDING)
    fresh = initial(Config())
    assert keep_latched(fresh, tmp_path, UTC_S + 10.0) is fresh


def test_no_record_begins_afresh(tmp_path: Path) -> None:
    fresh = initial(Config())
    assert keep_latched(fresh, tmp_path, UTC_S) is fresh


def test_a_row_that_an_upgrade_dropped_does_no_harm() -> None:
    watch = settled()
    watch.state = replace(watch.state, records=(Record("row_of_old"),))
    assert watch.step(view(0.0)).alarms == ()
