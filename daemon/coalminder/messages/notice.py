"""One message to a person, on its way to a push service."""

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

    def again(self) -> Notice:
        """The same, told once more."""
        return replace(self, title=f"{self.title} (again)")
