"""Publishing with confirmation: a message stays in the outbox until the broker has it.

Owns: what is on its way, what is late, which topics the broker refuses. Must not know: what a message says.
The control steps' thread calls all of it but `answered`.
"""

from __future__ import annotations

import json
import logging
import time
from collections import deque
from typing import Any

from coalminder.messages.connection import AGAIN_S, Connection
from coalminder.messages.outbox import Outbox
from coalminder.values import OutMessage

log = logging.getLogger(__name__)

LATE_AFTER_S = 5.0
DEAF_S = 30.0  # a broker that confirms nothing for so long is none, though it answers pings
HISTORY = 20  # messages on their way beyond which late states wait: an alarm must not queue behind them
WINDOW = 1000  # messages of the outbox looked at in one step, beside those that are held


class Delivery:
    """Hands an outbox to a connection and takes out of it what the broker confirmed."""

    def __init__(self, outbox: Outbox, connection: Connection) -> None:
        self._outbox, self._connection = outbox, connection
        self._answered: deque[tuple[int, int, bool]] = deque()  # filled by the network thread
        self._in_flight: dict[int, tuple[int, OutMessage]] = {}  # number on the wire -> id in the outbox
        self._tried: set[int] = set()  # ids in the outbox that were handed to the network before
        self._held_until_s: dict[str, float] = {}  # topics on which the broker refuses messages
        self._held = 0  # messages passed over in the last step: they must not fill the window
        self._seen_all = False  # the last step looked at the whole outbox
        self._waiting_since_s: float | None = None  # for the broker to confirm anything (monotonic)
        self._generation = 0
        self.deaf = False
        """The broker confirms nothing."""

    @property
    def idle(self) -> bool:
        """No alarm is on its way; late states may be."""
        return self._seen_all and not any(message.retain for _, message in self._in_flight.values())

    def keep(self, message: OutMessage, *, late: bool) -> int:
        """Put a message into the outbox; its id there. late: it will not arrive when it happens."""
        message_id = self._outbox.post(message)
        if late:
            self._tried.add(message_id)
        return message_id

    def answered(self, number: int, taken: bool) -> None:
        """From the network thread: the broker took the publish `number`, or refused it."""
        self._answered.append((self._connection.generation, number, taken))

    def renew(self) -> bool:
        """Whether there is a new connection; what the old one had not confirmed is then sent again."""
        generation = self._connection.generation
        if generation == self._generation or not self._connection.connected:
            return False
        self._generation = generation
        self._in_flight.clear()
        self._seen_all = False
        self._waiting_since_s = None
        self._held_until_s.clear()
        return True

    def settle(self) -> set[int]:
        """Take what the broker confirmed out of the outbox; the numbers confirmed on this connection.

        What it refused stays there, with all that follows on that topic, and is offered again in a minute.
        """
        numbers = set()
        while self._answered:
            generation, number, taken = self._answered.popleft()
            if generation != self._generation:
                continue
            if taken:
                numbers.add(number)
            if number not in self._in_flight:
                continue  # none of the outbox; one of QoS 0 counts as sent without a word of the broker
            message_id, message = self._in_flight.pop(number)
            topic = message.topic
            self._waiting_since_s, self.deaf = None, False
            if taken:
                self._held_until_s.pop(topic, None)
                self._forget(message_id)
                continue
            self._held_until_s[topic] = time.monotonic() + AGAIN_S
        return numbers

    def pump(self, utc_s: float) -> None:
        """Hand waiting messages to the network, alarms first, each kind oldest first. utc_s: UTC in s."""
        self.settle()
        if not self._connection.connected or self._generation != self._connection.generation:
            return
        flying = {message_id for message_id, _ in self._in_flight.values()}
        topics_flying = {message.topic for _, message in self._in_flight.values()}
        most = WINDOW + self._held
        waiting = self._outbox.undelivered(most)
        self._held, self._seen_all = 0, len(waiting) < most
        for message_id, message in sorted(waiting, key=lambda item: not item[1].retain):
            if message_id in flying:
                continue
            if not message.retain and len(self._in_flight) >= HISTORY:
                self._held += 1
                continue
            held_s = self._held_until_s.get(message.topic)
            if held_s is not None and (time.monotonic() < held_s or message.topic in topics_flying):
                self._held += 1
                continue  # one at a time, so that what is refused now is not overtaken
            said = _read_back(message)
            if said is None:
                log.warning("a message on %r is damaged and left out", message.topic)
                self._forget(message_id)  # else it would hold up all that follows
                continue
            late = message_id in self._tried or utc_s - message.utc_s > LATE_AFTER_S
            self._tried.add(message_id)
            body = json.dumps(said | {"seq": message_id, "late": late}, ensure_ascii=False).encode()
            number = self._connection.publish(message.topic, body, qos=1, retain=message.retain)
            if number is None:
                if self._connection.fits(message.topic, body):
                    return
                self._forget(message_id)  # left out, else all that follows would wait for ever
                continue
            self._in_flight[number] = message_id, message
            topics_flying.add(message.topic)

    def _forget(self, message_id: int) -> None:
        self._outbox.delivered(message_id)
        self._tried.discard(message_id)

    def watch(self) -> None:
        """Dial again when the broker confirms nothing: MQTT sends again only on a new connection."""
        if not self._connection.connected:
            return
        now_s = time.monotonic()
        if not self._in_flight:
            self._waiting_since_s, self.deaf = None, False
        elif self._waiting_since_s is None:
            self._waiting_since_s = now_s
        elif now_s - self._waiting_since_s > DEAF_S:
            self._waiting_since_s, self.deaf = None, True
            self._connection.redial(f"the broker has confirmed no message for {DEAF_S:g} s; restart it")


def _read_back(message: OutMessage) -> dict[str, Any] | None:
    """What it says; None for what a worn disk has spoilt, the body or the topic."""
    try:
        said = json.loads(message.body)
    except ValueError:
        return None
    return said if isinstance(said, dict) and not set(message.topic) & set("+#\0") else None
