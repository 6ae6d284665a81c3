"""Pushes what the page shows to every phone that looks: one view made for all, at most twice a second."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import math
import time
from collections.abc import AsyncGenerator, AsyncIterator, Callable
from typing import Any

from coalminder.page.board import Board
from coalminder.page.broker import Wire
from coalminder.page.view import Shown, view

log = logging.getLogger(__name__)

LEAST_S = 0.5  # between two views
MOST_S = 2.0  # without news: the phone sees that the page lives, and how old the state is
MAX_STREAMS = 24
PART = 40  # rows of the plot in one event: some 5 kB with eight probes, a second or two of a bad network

Event = dict[str, str]


class Feed:
    """Makes views while `run` runs; `stream` gives them to one phone."""

    def __init__(self, wire: Wire, shown: Shown) -> None:
        self._wire, self._shown = wire, shown
        self._news = asyncio.Event()
        self._fresh = asyncio.Condition()
        self._now = ""
        self._serial = 0
        self._generation = -1
        self._told_s = -math.inf  # start of the newest bucket in the last view
        self._streams: dict[int, bool] = {}
        self._next_stream = 0

    async def run(self) -> None:
        """Make a view whenever there is news, until cancelled."""
        loop = asyncio.get_running_loop()

        def news() -> None:
            loop.call_soon_threadsafe(self._news.set)

        self._wire.on_news = news
        while True:
            try:
                await self._make()
            except Exception:  # by a word that nobody foresaw; the next one may do
                log.exception("no view could be made of what came")
            await asyncio.sleep(LEAST_S)
            try:
                await asyncio.wait_for(self._news.wait(), MOST_S - LEAST_S)
            except TimeoutError:
                pass

    async def _plot(self, since_s: float = -math.inf) -> AsyncIterator[Event]:
        """The plot from bucket `since_s` on, or all of it, in parts: each shows a phone that more comes."""
        columns = self._wire.look(lambda board: board.history.columns(since_s))
        for first in range(0, max(1, len(columns["at_s"])), PART):
            part = {name: values[first : first + PART] for name, values in columns.items()}
            event = "rows" if first or since_s > -math.inf else "history"
            yield {"event": event, "data": json.dumps(part, separators=(",", ":"))}
            await asyncio.sleep(0)  # a phone that has gone is noticed

    async def events(self, holds: Callable[[], bool]) -> AsyncIterator[Event]:
        """What `stream` says, and the program's clock before it: the plot may be long on its way."""
        yield {"event": "clock", "data": f"{time.monotonic():.2f}"}
        async with contextlib.aclosing(self.stream(holds)) as stream:
            async for event in stream:
                yield event

    async def stream(self, holds: Callable[[], bool]) -> AsyncGenerator[Event, None]:
        """Events for one phone: `now` at each view; at first, and when it changed as a whole, `history` and
        `rows` after it, for the plot may take long; what the phone missed of it as `rows` before.

        Ends when `holds()` is no longer true (logged out), or when too many others came later.
        """
        number = self._next_stream = self._next_stream + 1
        self._streams[number] = True
        while len(self._streams) > MAX_STREAMS:
            del self._streams[next(iter(self._streams))]
        seen, generation, since_s = -1, -1, -math.inf
        try:
            while True:
                async with self._fresh:
                    while self._serial == seen:
                        await self._fresh.wait()
                    missed, seen = self._serial != seen + 1, self._serial
                    body, wanted, told_s = self._now, self._generation, self._told_s
                if number not in self._streams:
                    return
                if not holds():
                    yield {"event": "bye", "data": "login"}
                    return
                whole = wanted != generation
                if missed and not whole:
                    async for event in self._plot(since_s):
                        yield event
                yield {"event": "now", "data": body}
                if whole:
                    async for event in self._plot():
                        yield event
                generation, since_s = wanted, told_s
        finally:
            self._streams.pop(number, None)

    async def _make(self) -> None:
        self._news.clear()
        link = self._wire.link()
        utc_s, mono_s = time.time(), time.monotonic()

        def read(board: Board) -> tuple[dict[str, Any], int, float]:
            document = view(board, link, self._shown, utc_s, mono_s)
            document["rows"] = board.history.columns(self._told_s)
            return document, board.history.generation, board.history.last_start_s()

        document, generation, last_s = self._wire.look(read)
        async with self._fresh:
            self._now = json.dumps(document, separators=(",", ":"))
            self._generation, self._told_s = generation, last_s
            self._serial += 1
            self._fresh.notify_all()
