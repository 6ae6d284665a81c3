"""One message to a person, on its way to a push service, and when it is told."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum


class Priority(IntEnum):
    """Priorities of alarms, to compare."""

    LOW = 0
    MEDIUM = 1
    HIGH = 2


@dataclass(frozen=True, slots=True)
class Notice:
    """`urgency`: how the push service should show it."""

    title: str
    body: str
    urgency: Priority


@dataclass(slots=True)
class Standing:
    """A notice of what stands: due at `next_s`, `left` times. told: it was told before."""

    notice: Notice
    next_s: float
    left: int
    told: bool = False

    def due(self, now_s: float, repeat_s: float) -> list[Notice]:
        """The notice, if it is to be told now; the next time is `repeat_s` later."""
        if self.left <= 0 or now_s < self.next_s:
            return []
        notice = replace(self.notice, title=f"{self.notice.title} (again)") if self.told else self.notice
        self.left, self.told, self.next_s = self.left - 1, True, now_s + repeat_s
        return [notice]
