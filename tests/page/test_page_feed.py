"""What is pushed to the phones: what is so now, the whole plot, then what is new, nothing left out."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any

import pytest
from page_messages import FakeWire, later, state, tell

from coalminder.page import feed as feed_module
from coalminder.page.feed import Event, Feed
from coalminder.page.view import Shown
from coalminder.units import US


@pytest.fixture
async def feed(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[tuple[Feed, FakeWire]]:
    monkeypatch.setattr(feed_module, "LEAST_S", 0.01)
    wire = FakeWire()
    feed = Feed(wire, Shown())  # type: ignore[arg-type]
    task = asyncio.create_task(feed.run())
    yield feed, wire
    task.cancel()


def say(wire: FakeWire, at_s: float, pit_c: float, **fields: Any) -> None:
    tell(wire.board, state(utc=later(at_s), pit_c=pit_c, **fields))
    wire.on_news()


class PhoneCopy:
    """Puts the rows together as plot.js does."""

    def __init__(self) -> None:
        self.at: list[float] = []
        self.histories = 0

    def take(self, event: Event) -> dict[str, Any]:
        body: dict[str, Any] = json.loads(event["data"])
        if event["event"] == "history":
            self.at = body["at_s"]
            self.histories += 1
        else:
            rows = body["rows"] if event["event"] == "now" else body
            self.at += [t for t in rows["at_s"] if not self.at or t > self.at[-1]]
        return body


async def test_a_phone_that_keeps_up_misses_no_row_and_gets_the_whole_only_once(
    feed: tuple[Feed, FakeWire],
) -> None:
    pushed, wire = feed
    copy, stream = PhoneCopy(), pushed.stream(lambda: True)
    copy.take(await anext(stream))
    copy.take(await anext(stream))
    for i in range(1, 30):
        for j in range(3):  # several rows between two views
            say(wire, 15.0 * i + 5.0 * j, 90.0)
        body = copy.take(await anext(stream))
    assert body["pit"]["figure"] == 90.0
    assert copy.at == wire.board.history.columns()["at_s"]
    assert copy.histories == 1


async def test_a_word_that_no_view_can_be_made_of_does_not_stop_the_views_after_it(
    feed: tuple[Feed, FakeWire], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    pushed, wire = feed
    monkeypatch.setattr(pushed, "_shown", Shown(units=US))
    stream = pushed.stream(lambda: True)
    await anext(stream)
    say(wire, 5.0, 90.0, band={"low_c": 80.0, "high_c": 1e308})  # no number in °F
    await asyncio.sleep(0.1)
    assert "no view could be made" in caplog.text
    say(wire, 10.0, 91.0)
    async with asyncio.timeout(5.0):
        while True:
            event = await anext(stream)
            if event["event"] == "now" and json.loads(event["data"])["pit"]["figure"] == 195.8:
                break


async def test_a_phone_that_missed_a_view_gets_what_it_missed(feed: tuple[Feed, FakeWire]) -> None:
    pushed, wire = feed
    copy, stream = PhoneCopy(), pushed.stream(lambda: True)
    copy.take(await anext(stream))
    copy.take(await anext(stream))
    for i in range(1, 6):
        say(wire, 5.0 * i, 90.0)
        await asyncio.sleep(0.05)
    copy.take(await anext(stream))
    assert copy.histories == 1
    assert copy.at == wire.board.history.columns()["at_s"]


async def test_a_long_plot_comes_in_parts_after_what_is_so_now(feed: tuple[Feed, FakeWire]) -> None:
    pushed, wire = feed
    for i in range(500):
        say(wire, 5.0 * i, 90.0)
    whole = wire.board.history.columns()["at_s"]
    copy, stream, kinds = PhoneCopy(), pushed.stream(lambda: True), list[str]()
    while copy.at != whole or not copy.histories:
        event = await anext(stream)
        kinds.append(event["event"])
        assert len(event["data"]) < 6000, "some seconds of a bad network, at most"
        copy.take(event)
        wire.on_news()  # meanwhile there are others
    assert kinds[:3] == ["now", "history", "rows"]
    assert copy.histories == 1


async def test_a_new_food_probe_makes_the_whole_come_again(feed: tuple[Feed, FakeWire]) -> None:
    pushed, wire = feed
    copy, stream = PhoneCopy(), pushed.stream(lambda: True)
    copy.take(await anext(stream))
    copy.take(await anext(stream))
    say(wire, 5.0, 90.0, foods=[{"name": "thin", "temp_c": 20.0}])
    copy.take(await anext(stream))
    body = copy.take(await anext(stream))
    assert copy.histories == 2
    assert body["food:thin"] == [None, 20.0]


async def test_a_stream_ends_with_its_session(feed: tuple[Feed, FakeWire]) -> None:
    pushed, wire = feed
    open_ = [True]
    stream = pushed.stream(lambda: open_[0])
    await anext(stream)
    await anext(stream)
    open_[0] = False
    say(wire, 5.0, 90.0)
    assert await anext(stream) == {"event": "bye", "data": "login"}
    with pytest.raises(StopAsyncIteration):
        await anext(stream)


async def test_the_oldest_stream_ends_when_there_are_too_many(
    feed: tuple[Feed, FakeWire], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feed_module, "MAX_STREAMS", 2)
    pushed, wire = feed
    streams = [pushed.stream(lambda: True) for _ in range(3)]
    for stream in streams:
        await anext(stream)
    say(wire, 5.0, 90.0)
    await asyncio.sleep(0.05)
    async with asyncio.timeout(5.0):
        rest = [event["event"] async for event in streams[0]]
    assert len(rest) <= 1, "at most what was already on its way"
    assert (await anext(streams[2]))["event"] in ("now", "history")
