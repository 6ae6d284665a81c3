"""The alarms as the page shows them, and which of them a tap acknowledges. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coalminder.messages.payloads import CALLS_NOBODY, AlarmMessage
from coalminder.messages.push import LASTING, asks
from coalminder.page.board import Board
from coalminder.page.words import ALARM_STATES, TO_ACKNOWLEDGE, plain
from coalminder.values import AlarmState

BARE_AFTER_S = 2.0  # a state and the messages of its alarms do not come in one moment
_RANK = {"high": 0, "medium": 1, "low": 2}


def rows(board: Board, mono_s: float) -> list[dict[str, Any]]:
    """What to show, those that ask first. An alarm of which only the code is known is shown by its code."""
    bare = [code for code, since_s in board.bare.items() if mono_s - since_s >= BARE_AFTER_S]
    return [_bare(code) for code in bare] + [_row(alarm) for alarm in _ordered(board)]


def to_acknowledge(board: Board, shown: Mapping[str, float | None]) -> list[str] | None:
    """Codes for a tap on a page that showed `shown` (code -> when raised): only what was seen goes.

    [""] when nothing waits: somebody is there. None when only others wait, which nobody has seen.
    """
    waiting: dict[str, float | None] = dict.fromkeys(board.bare)
    waiting |= {code: _raised_s(a) for code, a in board.alarms.items() if a.state in TO_ACKNOWLEDGE}
    seen = [code for code, raised_s in shown.items() if code in waiting and waiting[code] == raised_s]
    return seen or (None if waiting else [""])


def _ordered(board: Board) -> list[AlarmMessage]:
    return sorted(
        (alarm for alarm in board.alarms.values() if alarm.state not in CALLS_NOBODY),
        key=lambda a: (
            a.state not in TO_ACKNOWLEDGE,
            not asks(a.code, a.state),
            _RANK[a.priority],
            a.raised_utc or a.utc,
        ),
    )


def _row(alarm: AlarmMessage) -> dict[str, Any]:
    known = alarm.state in set(AlarmState)
    asking = asks(alarm.code, alarm.state)
    ended = alarm.state == AlarmState.RETURNED_UNACKNOWLEDGED and alarm.code not in LASTING
    return {
        "code": alarm.code,
        "title": alarm.message or plain(alarm.code),
        "remedy": alarm.remedy,
        "state": ALARM_STATES.get(AlarmState(alarm.state), alarm.state) if known else plain(alarm.state),
        "priority": alarm.priority,
        "first_out": alarm.first_out,
        "since_s": (alarm.raised_utc or alarm.utc).timestamp(),
        "raised_s": _raised_s(alarm),
        "can_acknowledge": alarm.state in TO_ACKNOWLEDGE,
        "asks": asking,
        "over": ended and not asking,
    }


def _bare(code: str) -> dict[str, Any]:
    return {
        "code": code,
        "title": plain(code),
        "remedy": "Go and look",
        "state": "no more is known: its message was not received",
        "priority": None,
        "first_out": False,
        "since_s": None,
        "raised_s": None,
        "can_acknowledge": True,
        "asks": True,
        "over": False,
    }


def _raised_s(alarm: AlarmMessage) -> float | None:
    return None if alarm.raised_utc is None else alarm.raised_utc.timestamp()
