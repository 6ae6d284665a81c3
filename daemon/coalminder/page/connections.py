"""Connections of phones: who sends no whole request in time goes, and a crowd of them locks nobody out."""

from __future__ import annotations

import asyncio
import ssl
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

WHOLE_REQUEST_S = 10.0
MOST = 128  # a phone has at most 6


class PhoneConnection(H11Protocol):
    """HTTP as uvicorn speaks it, with a limit of time for a request and room for whoever comes.

    tls: what to speak it over. The handshake is begun here and not by the server, which counts no connection
    before its end: who never ends it would hold a place that nobody clears.
    """

    _limit: asyncio.TimerHandle | None = None
    _came_s = 0.0
    _handshake: asyncio.Task[None] | None = None

    def __init__(self, *, tls: ssl.SSLContext | None = None, **others: Any) -> None:
        super().__init__(**others)
        self._tls = tls
        self._early: bytes | None = None  # what came together with the end of the handshake

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Let it in; one too many makes another go."""
        super().connection_made(transport)
        self._came_s = self.loop.time()
        if self._tls is not None:
            transport.pause_reading()  # until the task runs
            self._early = b""
            self._handshake = self.loop.create_task(self._shake_hands(transport, self._tls))
        self._watch()
        ours = [
            c for c in self.connections if isinstance(c, PhoneConnection) and not c.transport.is_closing()
        ]
        if len(ours) > MOST:
            _least_missed(ours).transport.abort()

    def data_received(self, data: bytes) -> None:
        """Part of a request, or all of it."""
        if self._early is not None:
            self._early += data
            return
        super().data_received(data)
        self._watch()

    async def _shake_hands(self, bare: asyncio.Transport, tls: ssl.SSLContext) -> None:
        secure = None
        with suppress(OSError):  # of which ssl's are a kind
            secure = await self.loop.start_tls(bare, self, tls, server_side=True)
        early, self._early = self._early, None
        if secure is None or secure.is_closing():
            self.connection_lost(None)  # nobody else tells
            return
        super().connection_made(secure)
        if early:
            self.data_received(early)

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
