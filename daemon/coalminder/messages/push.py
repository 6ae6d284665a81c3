"""What is worth waking somebody for: alarm messages in, notices out. Pure; push_command.py delivers them.

A notice goes out when an alarm of enough priority asks for an answer, once more every few minutes until
somebody acknowledges it, and when it is over. A daemon that falls silent is told as well: nobody else
would notice.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import IntEnum

from coalminder.messages.payloads import AlarmMessage
from coalminder.values import AlarmState


class Priority(IntEnum):
    """Priorities of alarms, to compare."""

    LOW = 0
    MEDIUM = 1
    HIGH = 2


ASKS = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
OVER = frozenset({AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED})


@dataclass(frozen=True, slots=True)
class Notice:
    """One message to a person. `urgency`: how the push service should show it."""

    title: str
    body: str
    urgency: Priority


@dataclass(frozen=True, slots=True)
class PushRules:
    """When to tell. Times in s. repeat_times: how often an unanswered high alarm is told again."""

    at_least: Priority = Priority.MEDIUM
    repeat_s: float = 300.0
    repeat_times: int = 6
    silent_s: float = 60.0


@dataclass(slots=True)
class _Open:
    """An alarm that was told and waits for an answer."""

    notice: Notice
    key: tuple[str, object]
    next_s: float
    left: int


@dataclass(slots=True)
class Bridge:
    """Remembers what was told. Feed it messages and time, send what it returns."""

    rules: PushRules = field(default_factory=PushRules)
    _open: dict[tuple[str, str], _Open] = field(default_factory=dict)
    _silent_since_s: dict[str, float] = field(default_factory=dict)
    _told_silent: set[str] = field(default_factory=set)

    def on_alarm(self, message: AlarmMessage, now_s: float) -> list[Notice]:
        """An alarm message came in, retained or fresh. `now_s`: any clock that only goes forward."""
        where = (message.grill, message.code)
        state = AlarmState(message.state)
        known = self._open.get(where)
        if state in ASKS and Priority[message.priority.upper()] >= self.rules.at_least:
            key = (state.value, message.raised_utc)
            if known is not None and known.key == key:
                return []  # a repeat, or a retained copy
            notice = _raised(message)
            left = self.rules.repeat_times if notice.urgency is Priority.HIGH else 0
            self._open[where] = _Open(notice, key, now_s + self.rules.repeat_s, left)
            return [notice]
        if known is None:
            return []
        del self._open[where]
        return [_over(message, known.notice)] if state in OVER else []

    def on_availability(self, grill: str, online: bool, now_s: float) -> list[Notice]:
        """The daemon of `grill` came or went."""
        if not online:
            self._silent_since_s.setdefault(grill, now_s)
            return []
        self._silent_since_s.pop(grill, None)
        if grill in self._told_silent:
            self._told_silent.discard(grill)
            return [Notice(f"{grill}: the daemon is back", "It tends the grill again.", Priority.LOW)]
        return []

    def tick(self, now_s: float) -> list[Notice]:
        """Call it now and then: what became due."""
        return [*self._repeats(now_s), *self._silences(now_s)]

    def _repeats(self, now_s: float) -> Iterable[Notice]:
        for entry in self._open.values():
            if entry.left > 0 and now_s >= entry.next_s:
                entry.left -= 1
                entry.next_s = now_s + self.rules.repeat_s
                yield Notice(f"{entry.notice.title} (again)", entry.notice.body, entry.notice.urgency)

    def _silences(self, now_s: float) -> Iterable[Notice]:
        for grill, since_s in self._silent_since_s.items():
            if grill not in self._told_silent and now_s - since_s >= self.rules.silent_s:
                self._told_silent.add(grill)
                yield Notice(
                    f"{grill}: the daemon is silent",
                    "Nobody watches the fire. Go and look; if it cannot be tended by hand, shut both vents.",
                    Priority.HIGH,
                )


def _raised(message: AlarmMessage) -> Notice:
    late = ""
    if message.late and message.raised_utc is not None:
        late = f" (late: it was raised at {message.raised_utc:%H:%M} UTC)"
    text = message.message or message.code
    return Notice(f"{message.grill}: {text}", (message.remedy or "Go and look.") + late, _urgency(message))


def _over(message: AlarmMessage, told: Notice) -> Notice:
    return Notice(f"Over: {told.title}", "The condition is gone.", Priority.LOW)


def _urgency(message: AlarmMessage) -> Priority:
    return Priority[message.priority.upper()]
