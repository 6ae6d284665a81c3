"""Messages that must arrive although the broker is away: kept here until the broker has them.

The journal is the outbox of the daemon (it survives a power cut); `MemoryOutbox` serves where there is
none. All calls come from one thread, the one that runs the control steps.
"""

from __future__ import annotations

from collections import OrderedDict
from itertools import islice
from typing import Protocol

from coalminder.values import OutMessage


class Outbox(Protocol):
    """Where undelivered messages wait, oldest first."""

    def post(self, message: OutMessage) -> int:
        """Keep a message; return its id. Ids rise strictly, also over a restart if messages survive it."""
        ...

    def undelivered(self, limit: int) -> tuple[tuple[int, OutMessage], ...]:
        """The oldest `limit` messages not yet delivered, as (id, message), in order of id."""
        ...

    def delivered(self, message_id: int) -> None:
        """The broker has it: forget it. An unknown id is ignored."""
        ...


class MemoryOutbox:
    """An outbox that dies with the process and holds at most `limit` messages.

    When it is full the oldest goes: memory must stay bounded, and the newest alarm matters most.
    """

    def __init__(self, limit: int = 20_000) -> None:
        self._limit = limit
        self._waiting: OrderedDict[int, OutMessage] = OrderedDict()
        self._last_id = 0

    def post(self, message: OutMessage) -> int:
        self._last_id += 1
        self._waiting[self._last_id] = message
        if len(self._waiting) > self._limit:
            self._waiting.popitem(last=False)
        return self._last_id

    def undelivered(self, limit: int) -> tuple[tuple[int, OutMessage], ...]:
        return tuple(islice(self._waiting.items(), limit))

    def delivered(self, message_id: int) -> None:
        self._waiting.pop(message_id, None)

    def __len__(self) -> int:
        return len(self._waiting)
