"""The page's one connection to the broker: topics in, commands out, each command waits for its reply.

The network thread fills the board; `look` and `ask` are called from the web server's event loop. There is
no other way from the page to the grill: nothing here can reach a probe or a vent.
"""

from __future__ import annotations

import asyncio
import secrets
import threading
import time
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, TypeVar

import paho.mqtt.client as paho
from pydantic import ValidationError

from coalminder.messages.connection import Connection
from coalminder.messages.options import LinkOptions
from coalminder.messages.payloads import COMMANDS, ReplyMessage, first_trouble
from coalminder.messages.topics import Topics
from coalminder.page.board import Board
from coalminder.page.history import History
from coalminder.page.order import Order
from coalminder.page.view import Link

REPLY_WITHIN_S = 6.0
MAX_WAITING = 64
TOGETHER = timedelta(seconds=0.5)  # asked for so close together, no order can be told
OLDEST_S = 86_400.0
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a command. result: accepted, refused, unsent (it never left), silent (no reply)."""

    result: Literal["accepted", "refused", "unsent", "silent"]
    reason: str = ""


class Wire:
    """Start it, look at the board, ask for things."""

    def __init__(self, options: LinkOptions, *, points: int = 720) -> None:
        self._topics = Topics(options.grill)
        self._board = Board(self._topics, History(points))
        self._order = Order()
        self._issued = datetime.min.replace(tzinfo=UTC)
        self._lock = threading.Lock()
        self._waiting: dict[str, tuple[asyncio.AbstractEventLoop, asyncio.Future[ReplyMessage]]] = {}
        self.on_news: Callable[[], None] = lambda: None
        """Called from the network thread after each message."""
        self._connection = Connection(
            options.named(f"coalminder-page-{secrets.token_hex(4)}"),
            will=None,
            on_message=self._arrived,
            on_sent=lambda _number, _taken: None,
        )
        self._connection.subscribe(self._board.filters())

    def start(self) -> None:
        """Begin to dial."""
        self._connection.start()

    def stop(self) -> None:
        """Disconnect."""
        self._connection.stop(5.0)

    def link(self) -> Link:
        """How it stands with the broker now."""
        return Link(self._connection.connected, self._connection.trouble)

    def look(self, reader: Callable[[Board], T]) -> T:
        """What `reader` makes of the board; no message comes in meanwhile."""
        with self._lock:
            return reader(self._board)

    async def ask(
        self, kind: str, fields: Mapping[str, Any], client: str, asked_s: float | None = None
    ) -> Answer:
        """Send a command with a fresh id and the time at which it was asked for; wait for the daemon's reply.

        asked_s: steady clock of the page, None for now.
        """
        model = COMMANDS.get(kind)
        if model is None:
            return Answer("refused", "there is no such command")
        if kind == "snuff":
            fields = {}  # nothing that goes with it may hold it up
        command_id = str(uuid.uuid4())
        body: dict[str, Any] = {**fields, "id": command_id, "client": client[:64]}
        loop = asyncio.get_running_loop()
        reply: asyncio.Future[ReplyMessage] = loop.create_future()
        with self._lock:
            now_s = time.monotonic()
            asked_s = now_s if asked_s is None else asked_s
            if trouble := self._order.trouble(kind, asked_s, now_s):
                return Answer("refused", trouble)
            body["issued_utc"] = self._issue(now_s - asked_s)
            try:
                payload = model.model_validate(body).model_dump_json()
            except ValidationError as error:
                return Answer("refused", first_trouble(error))
            if len(self._waiting) >= MAX_WAITING and kind != "snuff":
                return Answer("unsent", "too many commands wait for an answer")
            self._waiting[command_id] = (loop, reply)
            sent = self._connection.publish(self._topics.command(kind), payload, qos=1)
        try:
            if sent is None:
                return Answer("unsent", "the broker is away")  # why stands at the top of the page
            answer = await asyncio.wait_for(reply, REPLY_WITHIN_S)
        except TimeoutError:
            return Answer("silent", "the daemon did not answer; it may not have got it")
        finally:
            with self._lock:
                self._waiting.pop(command_id, None)
        return Answer("accepted" if answer.accepted else "refused", answer.reason)

    def _issue(self, age_s: float) -> datetime:
        """UTC of a command's tap. The daemon refuses one that is older than the one before it."""
        issued = datetime.now(UTC) - timedelta(seconds=min(max(age_s, 0.0), OLDEST_S))
        if not timedelta() < self._issued - issued < TOGETHER:
            self._issued = issued
        return self._issued

    def _arrived(self, message: paho.MQTTMessage) -> None:
        with self._lock:
            reply = self._board.take(
                message.topic, bytes(message.payload), retained=message.retain, mono_s=time.monotonic()
            )
            waiting = self._waiting.pop(reply.id, None) if reply is not None else None
        if waiting is not None and reply is not None:
            loop, future = waiting
            loop.call_soon_threadsafe(_settle, future, reply)
        self.on_news()


def _settle(future: asyncio.Future[ReplyMessage], reply: ReplyMessage) -> None:
    if not future.done():
        future.set_result(reply)
