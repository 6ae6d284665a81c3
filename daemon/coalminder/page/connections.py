"""Connections of phones: who sends no whole request in time goes, and a crowd of them locks nobody out."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Iterable

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

WHOLE_REQUEST_S = 10.0
MOST = 128  # a phone has at most 6


class PhoneConnection(H11Protocol):
    """HTTP as uvicorn speaks it, with a limit of time for a request and room for whoever comes."""

    _limit: asyncio.TimerHandle | None = None
    _came_s = 0.0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Let it in; one too many makes another go."""
        super().connection_made(transport)
        self._came_s = self.loop.time()
        self._watch()
        ours = [c for c in self.connections if isinstance(c, PhoneConnection)]
        if len(ours) > MOST:
            _least_missed(ours).transport.abort()

    def data_received(self, data: bytes) -> None:
        """Part of a request, or all of it."""
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """It is gone."""
        super().connection_lost(exc)
        if self._limit is not None:
            self._limit.cancel()

    @property
    def idle(self) -> bool:
        """Whether no request is being answered."""
        return self.cycle is None or self.cycle.response_complete

    @property
    def address(self) -> str:
        """Who is at the other end."""
        return self.client[0] if self.client else ""

    def _watch(self) -> None:
        """The time runs from the first byte that is awaited to the last, however slowly they come."""
        whole = self.conn.their_state not in (h11.IDLE, h11.SEND_BODY)
        if whole and self._limit is not None:
            self._limit.cancel()
            self._limit = None
        elif not whole and self._limit is None:
            self._limit = self.loop.call_later(WHOLE_REQUEST_S, self.transport.abort)


def _least_missed(connections: Iterable[PhoneConnection]) -> PhoneConnection:
    """An idle one before one at work, of the address that has most of them, the oldest."""
    every = list(connections)
    crowd = Counter(c.address for c in every)
    return max(every, key=lambda c: (c.idle, crowd[c.address], -c._came_s))
