"""Messages of a daemon, for tests of the page: made with the daemon's own models."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from coalminder.messages.payloads import AlarmMessage, StateMessage
from coalminder.messages.topics import Topics
from coalminder.page.board import Board
from coalminder.page.broker import Answer
from coalminder.page.view import Link

TOPICS = Topics("kettle")
T = TypeVar("T")
NOW = datetime(2026, 4, 11, 15, 0, tzinfo=UTC)  # the demo's day


def state(**fields: Any) -> StateMessage:
    """A state while tending at 93 °C, with some fields of your own."""
    values: dict[str, Any] = {
        "grill": "kettle", "utc": NOW, "daemon": "0.1.0", "phase": "tending", "set_point_c": 93.0,
        "pit_c": 92.4, "lower_frac": 0.061, "upper_frac": 0.3, "lid_off": False, "in_band": True,
        "probe_ok": True, "foods": [{"name": "thick", "temp_c": 48.1}],
        "fire": {"fuel_left_min": 190.0, "fuel_left_low_min": 150.0, "fuel_left_high_min": 230.0},
    }  # fmt: skip
    return StateMessage.model_validate(values | fields)


def alarm(code: str = "fire_out", **fields: Any) -> AlarmMessage:
    """A high alarm that nobody has acknowledged, with some fields of your own."""
    values: dict[str, Any] = {
        "grill": "kettle", "utc": NOW, "code": code, "seq": 1, "state": "unacknowledged", "active": True,
        "action": "warn", "priority": "high", "message": "The fire is out", "remedy": "Go and look",
        "raised_utc": NOW,
    }  # fmt: skip
    return AlarmMessage.model_validate(values | fields)


def tell(
    board: Board, message: StateMessage | AlarmMessage, *, mono_s: float = 0.0, retained: bool = False
) -> None:
    """Put a message on the board as the broker would."""
    topic = TOPICS.alarm(message.code) if isinstance(message, AlarmMessage) else TOPICS.state
    board.take(topic, message.model_dump_json().encode(), retained=retained, mono_s=mono_s)


def later(seconds: float) -> datetime:
    """`seconds` after NOW."""
    return NOW + timedelta(seconds=seconds)


class FakeWire:
    """A wire without a broker: keeps what was asked for."""

    def __init__(self) -> None:
        self.board = Board(TOPICS)
        self.asked: list[tuple[str, dict[str, Any], str]] = []
        self.answer = Answer("accepted")
        self.asked_s: list[float | None] = []
        self.on_news: Callable[[], None] = lambda: None
        tell(self.board, state())

    def look(self, reader: Callable[[Board], T]) -> T:
        return reader(self.board)

    def link(self) -> Link:
        return Link(connected=True)

    def start(self) -> None: ...

    def stop(self) -> None: ...

    async def ask(
        self, kind: str, fields: Mapping[str, Any], client: str, asked_s: float | None = None
    ) -> Answer:
        self.asked_s.append(asked_s)
        self.asked.append((kind, dict(fields), client))
        return self.answer
