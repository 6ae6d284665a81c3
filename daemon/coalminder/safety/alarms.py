"""The life of one alarm, as a table: ISA-18.2 (2016) / IEC 62682 states and terms.

Two tables, because a latched alarm lives another life: it cannot be shelved, suppressed or taken out
of service, and only `reset` (a person, and the cause gone) ends it. A signal without a row is an
error; a signal that must do nothing has a row back to its own state.
"""

from __future__ import annotations

from enum import StrEnum

from coalminder.values import AlarmState as S


class Signal(StrEnum):
    """What can happen to an alarm."""

    RAISE = "raise"  # the condition holds, on-delay over
    JOIN = "join"  # the condition holds for one more thing
    CLEAR = "clear"  # the condition is gone, off-delay over
    ACKNOWLEDGE = "acknowledge"  # a person has seen it
    RESET = "reset"  # a person un-latches it, the cause gone
    SHELVE = "shelve"  # a person silences it for a time
    SUPPRESS = "suppress"  # the phase makes it meaningless, or a flood and it is of low priority
    REMOVE = "remove"  # a person took it out of service
    BACK_ACTIVE = "back_active"  # unshelved, unsuppressed or back in service, the condition holding
    BACK_CLEAR = "back_clear"  # the same, the condition gone


Table = dict[S, dict[Signal, S]]

# Every row keeps its state for the signals it does not name in `moves`.
_ALL = tuple(Signal)


def _row(state: S, moves: dict[Signal, S]) -> dict[Signal, S]:
    return {signal: moves.get(signal, state) for signal in _ALL}


def _rows(moves: Table) -> Table:
    return {state: _row(state, row) for state, row in moves.items()}


UNLATCHED: Table = _rows({
    S.NORMAL: {
        Signal.RAISE: S.UNACKNOWLEDGED, Signal.SHELVE: S.SHELVED, Signal.REMOVE: S.OUT_OF_SERVICE,
    },
    S.UNACKNOWLEDGED: {
        Signal.CLEAR: S.RETURNED_UNACKNOWLEDGED, Signal.ACKNOWLEDGE: S.ACKNOWLEDGED,
        Signal.SHELVE: S.SHELVED, Signal.SUPPRESS: S.SUPPRESSED, Signal.REMOVE: S.OUT_OF_SERVICE,
    },
    S.ACKNOWLEDGED: {
        Signal.CLEAR: S.NORMAL, Signal.JOIN: S.UNACKNOWLEDGED,
        Signal.SHELVE: S.SHELVED, Signal.SUPPRESS: S.SUPPRESSED, Signal.REMOVE: S.OUT_OF_SERVICE,
    },
    S.RETURNED_UNACKNOWLEDGED: {
        Signal.RAISE: S.UNACKNOWLEDGED, Signal.ACKNOWLEDGE: S.NORMAL,
        Signal.SHELVE: S.SHELVED, Signal.REMOVE: S.OUT_OF_SERVICE,
    },
    S.SHELVED: {
        Signal.BACK_ACTIVE: S.UNACKNOWLEDGED, Signal.BACK_CLEAR: S.NORMAL, Signal.REMOVE: S.OUT_OF_SERVICE,
    },
    S.SUPPRESSED: {
        Signal.CLEAR: S.NORMAL, Signal.BACK_ACTIVE: S.UNACKNOWLEDGED, Signal.BACK_CLEAR: S.NORMAL,
        Signal.SHELVE: S.SHELVED, Signal.REMOVE: S.OUT_OF_SERVICE,
    },
    S.OUT_OF_SERVICE: {Signal.BACK_ACTIVE: S.UNACKNOWLEDGED, Signal.BACK_CLEAR: S.NORMAL},
})  # fmt: skip

LATCHED: Table = _rows({
    S.NORMAL: {Signal.RAISE: S.UNACKNOWLEDGED},
    S.UNACKNOWLEDGED: {Signal.CLEAR: S.LATCHED_UNACKNOWLEDGED, Signal.ACKNOWLEDGE: S.ACKNOWLEDGED},
    S.ACKNOWLEDGED: {Signal.CLEAR: S.LATCHED_ACKNOWLEDGED},
    S.LATCHED_UNACKNOWLEDGED: {
        Signal.RAISE: S.UNACKNOWLEDGED, Signal.ACKNOWLEDGE: S.LATCHED_ACKNOWLEDGED, Signal.RESET: S.NORMAL,
    },
    S.LATCHED_ACKNOWLEDGED: {Signal.RAISE: S.UNACKNOWLEDGED, Signal.RESET: S.NORMAL},
})  # fmt: skip


def table_of(latched: bool) -> Table:
    """The table that an alarm of this kind lives by."""
    return LATCHED if latched else UNLATCHED


def move(latched: bool, state: S, signal: Signal) -> S:
    """The state after `signal`; KeyError for a pair without a row (a defect, never ignored)."""
    return table_of(latched)[state][signal]
