"""What is remembered of one row of the fault table that is pending or not normal."""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.values import AlarmState


@dataclass(frozen=True, slots=True)
class Record:
    """What is remembered of one row that is pending or not normal.

    since_s: since when the condition differs from `active` (a delay is running), None if it does not.
    """

    code: str
    state: AlarmState = AlarmState.NORMAL
    active: bool = False
    since_s: float | None = None
    raised_s: float = 0.0
    cleared_s: float | None = None
    shelved_until_s: float | None = None
    first_out: bool = False
    detail: str = ""
    members: tuple[str, ...] = ()
