"""Keeps the announcement for home hubs up to date on the broker: at every connection and hub's birth."""

from __future__ import annotations

import json
from typing import Any

from coalminder.messages.discovery import Described, announcement, birth_topic, config_topic, vanished
from coalminder.messages.link import Link


class Announcer:
    """Announces the grill of `link`, or takes it back. Make it before `link.start()`.

    enabled False removes what an earlier run may have left.
    """

    def __init__(
        self, link: Link, described: Described, *, prefix: str = "homeassistant", enabled: bool = True
    ) -> None:
        self._link, self._described, self._enabled = link, described, enabled
        self._topic = config_topic(prefix, link.topics)
        self._payload: dict[str, Any] = announcement(link.topics, described)
        if enabled:
            link.on_topic(birth_topic(prefix), self._birth)
            link.on_topic(self._topic, self._earlier)
        link.on_connect(self.announce)

    def announce(self) -> None:
        """Say what the grill is, or, when not enabled, that it is no more."""
        body = json.dumps(self._payload, ensure_ascii=False, separators=(",", ":")) if self._enabled else b""
        self._link.publish(self._topic, body, retain=True)

    def remove(self) -> None:
        """Take the grill out of every hub."""
        self._link.publish(self._topic, b"", retain=True)

    def _birth(self, payload: bytes, _retained: bool) -> None:
        if payload == b"online":
            self.announce()

    def _earlier(self, payload: bytes, retained: bool) -> None:
        """An announcement of an earlier run: what it had and we have not must be removed by name."""
        if not retained:
            return
        try:
            gone = vanished(json.loads(payload), self._payload)
        except ValueError:
            return
        if gone:
            once = announcement(self._link.topics, self._described, gone)
            self._link.publish(self._topic, json.dumps(once, ensure_ascii=False), retain=True)
            self.announce()
