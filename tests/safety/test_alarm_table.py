"""The alarm tables against the state figure of ISA-18.2 (2016) / IEC 62682 (from memory)."""

from __future__ import annotations

import itertools

import pytest

from coalminder.safety.alarms import LATCHED, UNLATCHED, Signal, move
from coalminder.values import AlarmState as S

# (from, what happens, to): the arrows of the figure; shelved, suppressed and out of service can be
# entered from any state and left to the state that the condition then calls for.
ARROWS = [
    (S.NORMAL, Signal.RAISE, S.UNACKNOWLEDGED),
    (S.UNACKNOWLEDGED, Signal.ACKNOWLEDGE, S.ACKNOWLEDGED),
    (S.ACKNOWLEDGED, Signal.CLEAR, S.NORMAL),
    (S.UNACKNOWLEDGED, Signal.CLEAR, S.RETURNED_UNACKNOWLEDGED),
    (S.RETURNED_UNACKNOWLEDGED, Signal.ACKNOWLEDGE, S.NORMAL),
    (S.RETURNED_UNACKNOWLEDGED, Signal.RAISE, S.UNACKNOWLEDGED),
    (S.SHELVED, Signal.BACK_ACTIVE, S.UNACKNOWLEDGED),
    (S.SHELVED, Signal.BACK_CLEAR, S.NORMAL),
    (S.SUPPRESSED, Signal.BACK_ACTIVE, S.UNACKNOWLEDGED),
    (S.OUT_OF_SERVICE, Signal.BACK_ACTIVE, S.UNACKNOWLEDGED),
    (S.OUT_OF_SERVICE, Signal.BACK_CLEAR, S.NORMAL),
]
JOINED = [  # one more member of a grouped alarm is a new alarm to whoever has seen the others
    (S.ACKNOWLEDGED, Signal.JOIN, S.UNACKNOWLEDGED),
    (S.SHELVED, Signal.JOIN, S.SHELVED),
]
LATCHED_ARROWS = [
    (S.NORMAL, Signal.RAISE, S.UNACKNOWLEDGED),
    (S.UNACKNOWLEDGED, Signal.CLEAR, S.LATCHED_UNACKNOWLEDGED),
    (S.UNACKNOWLEDGED, Signal.ACKNOWLEDGE, S.ACKNOWLEDGED),
    (S.ACKNOWLEDGED, Signal.CLEAR, S.LATCHED_ACKNOWLEDGED),
    (S.LATCHED_UNACKNOWLEDGED, Signal.ACKNOWLEDGE, S.LATCHED_ACKNOWLEDGED),
    (S.LATCHED_UNACKNOWLEDGED, Signal.RESET, S.NORMAL),
    (S.LATCHED_ACKNOWLEDGED, Signal.RESET, S.NORMAL),
]


@pytest.mark.parametrize(("state", "signal", "after"), ARROWS + JOINED, ids=lambda value: str(value))
def test_alarm_follows_the_standards_figure(state: S, signal: Signal, after: S) -> None:
    assert move(False, state, signal) is after


@pytest.mark.parametrize(("state", "signal", "after"), LATCHED_ARROWS, ids=lambda value: str(value))
def test_latched_alarm_follows_the_standards_figure(state: S, signal: Signal, after: S) -> None:
    assert move(True, state, signal) is after


def test_every_state_has_a_row_for_every_signal() -> None:
    for table in (UNLATCHED, LATCHED):
        for state, signal in itertools.product(table, Signal):
            assert table[state][signal] in table, (state, signal)


def test_both_tables_together_use_every_state_of_the_standard() -> None:
    assert set(UNLATCHED) | set(LATCHED) == set(S)


def test_a_pair_without_a_row_is_an_error() -> None:
    with pytest.raises(KeyError):
        move(True, S.SHELVED, Signal.RAISE)


def test_only_a_reset_makes_a_latched_alarm_normal() -> None:
    ways = [
        (s, g) for s, row in LATCHED.items() for g, to in row.items() if to is S.NORMAL and s is not S.NORMAL
    ]
    assert {signal for _, signal in ways} == {Signal.RESET}
    assert {state for state, _ in ways} == {S.LATCHED_UNACKNOWLEDGED, S.LATCHED_ACKNOWLEDGED}


def test_no_alarm_becomes_normal_unseen_by_clearing() -> None:
    assert UNLATCHED[S.UNACKNOWLEDGED][Signal.CLEAR] is not S.NORMAL


def test_acknowledging_never_makes_a_condition_that_holds_normal() -> None:
    for table in (UNLATCHED, LATCHED):
        assert table[S.UNACKNOWLEDGED][Signal.ACKNOWLEDGE] is S.ACKNOWLEDGED
        assert table[S.ACKNOWLEDGED][Signal.ACKNOWLEDGE] is S.ACKNOWLEDGED


def test_every_state_can_be_left_and_reached() -> None:
    for table in (UNLATCHED, LATCHED):
        reached, front = {S.NORMAL}, [S.NORMAL]
        while front:
            for after in table[front.pop()].values():
                if after not in reached:
                    reached.add(after)
                    front.append(after)
        assert reached == set(table)
