"""Keeps the announcement for home hubs up to date on the broker: at every connection and hub's birth."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from coalminder.messages.discovery import Described, announcement, birth_topic, config_topic, vanished
from coalminder.messages.link import Link
from coalminder.values import Inputs


class Announcer:
    """Announces the grill of `link`, or takes it back. Make it before `link.start()`.

    enabled False takes back what an earlier run may have left. complete False: what probes there are is known
    from the first `notice` only, and nothing is announced before, for a hub forgets what it does not see.
    """

    def __init__(
        self,
        link: Link,
        described: Described,
        *,
        prefix: str = "homeassistant",
        enabled: bool = True,
        complete: bool = True,
    ) -> None:
        self._link, self._described, self._enabled = link, described, enabled
        self._topic = config_topic(prefix, link.topics)
        self._payload: dict[str, Any] = announcement(link.topics, described)
        self._complete, self._before = complete, b""
        self._born = False
        self._probes: tuple[tuple[str, ...], tuple[str, ...]] = (described.foods, described.others)
        if enabled:
            link.on_topic(birth_topic(prefix), self._birth)
            link.on_topic(self._topic, self._earlier)
        link.on_connect(self.announce)

    def notice(self, inputs: Inputs) -> None:
        """Announce again when other probes are there than were announced. Cheap; call it in every step."""
        others = tuple(name for name in ("pit_2", "dome", "ambient") if getattr(inputs, name) is not None)
        probes = (tuple(name for name, _ in inputs.foods), others)
        if probes != self._probes or not self._complete:
            self._probes = probes
            self._described = replace(self._described, foods=probes[0], others=probes[1])
            before, self._payload = self._payload, announcement(self._link.topics, self._described)
            if self._complete:
                self._announce_without(vanished(before, self._payload))
                return
            self._complete = True
            self._announce_without(self._gone(self._before))
        if self._born:
            self._born = False
            self.announce()

    def announce(self) -> None:
        """Say what the grill is, or, when not enabled, that it is no more."""
        if self._enabled and not self._complete:
            return
        body = json.dumps(self._payload, ensure_ascii=False, separators=(",", ":")) if self._enabled else b""
        self._link.publish(self._topic, body, retain=True)

    def take_back(self) -> None:
        """The grill is no more; nothing is announced after this."""
        self._enabled = False
        self.announce()

    def _birth(self, payload: bytes, _retained: bool) -> None:
        if payload == b"online":
            self._born = True  # answered by the next step, once for a flood of them

    def _earlier(self, payload: bytes, retained: bool) -> None:
        """An announcement of an earlier run: what it had and we have not must be removed by name."""
        if not retained:
            return
        self._before = payload
        if self._complete and (gone := self._gone(payload)):
            self._announce_without(gone)

    def _gone(self, before: bytes) -> tuple[tuple[str, str], ...]:
        try:
            return vanished(json.loads(before), self._payload)
        except (ValueError, RecursionError):
            return ()

    def _announce_without(self, gone: tuple[tuple[str, str], ...]) -> None:
        if not self._enabled:
            return
        if gone:
            once = announcement(self._link.topics, self._described, gone)
            self._link.publish(self._topic, json.dumps(once, ensure_ascii=False), retain=True)
        self.announce()
