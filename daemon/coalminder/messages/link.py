"""The grill's side of MQTT, as the shells use it: offer decisions, take events, answer them.

Every method returns at once (`stop` within its time). One thread, the one of the control steps, calls
them all; the network has threads of its own (coalminder.messages.connection) and only fills queues here.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable

import paho.mqtt.client as paho
from pydantic import BaseModel

from coalminder.events import Event
from coalminder.messages.commands import DEFAULT_LIMITS, CommandLimits
from coalminder.messages.connection import Connection
from coalminder.messages.delivery import Delivery
from coalminder.messages.inbox import Inbox
from coalminder.messages.options import LinkOptions
from coalminder.messages.outbox import MemoryOutbox, Outbox
from coalminder.messages.payloads import AlarmMessage, Band
from coalminder.messages.topics import OFFLINE, ONLINE, Topics
from coalminder.messages.views import (
    DEFAULT_BAND,
    alarm_changed,
    alarm_message,
    normal_message,
    state_message,
)
from coalminder.values import NO_FIRE, Alarm, CommandRecord, Decision, Inputs, Machine, Outcome, OutMessage

log = logging.getLogger(__name__)

TopicCallback = Callable[[bytes, bool], None]

ONLINE_EVERY_S = 60.0  # a will that comes late, or another's word, must not leave a grill 'offline'
STATE_EXPIRY_S = 3600  # MQTT 5: a retained state of a fire this old helps nobody
# While the broker is away one state in so many seconds is kept: 10 for the first 2 h, then 60 to 12 h.
# The bound leaves most of the outbox to alarms.
LATE_STATES = ((720, 10.0), (1320, 60.0))


class Link:
    """A link between one grill and its broker. It starts, and goes on, with no broker at all."""

    def __init__(
        self,
        options: LinkOptions,
        *,
        limits: CommandLimits = DEFAULT_LIMITS,
        outbox: Outbox | None = None,
        band: Band = DEFAULT_BAND,
        alarm_codes: Iterable[str] = (),
        clock: Callable[[], float] = time.time,
    ) -> None:
        """`alarm_codes`: every alarm there is, so that each has a retained topic from the start.

        clock: UTC in s, for judging the age of commands (the phone's clock is real even in a rehearsal).
        """
        self.topics = Topics(options.grill)
        self._options, self._band, self._clock = options, band, clock
        self._codes = tuple(dict.fromkeys(alarm_codes))
        self._connection = Connection(
            options,
            will=(self.topics.availability, OFFLINE),
            on_message=self._arrived,
            on_sent=self._sent,
            on_up=self._came_up,
        )
        self._delivery = Delivery(MemoryOutbox() if outbox is None else outbox, self._connection)
        # a command that somebody retains would come again with every connection: its flag tells
        self._connection.subscribe([self.topics.command("+")], as_published=True)
        self._inbox = Inbox(self.topics, limits, self._connection.publish, clock)
        # called by the network thread
        self._callbacks: dict[str, list[TopicCallback]] = {}
        self._on_connect: list[Callable[[], None]] = []
        # owned by the caller's thread
        self._alarms: dict[str, Alarm] = {}
        self._seq: dict[str, int] = {}  # of the last message on each alarm
        self._snapshot_due = False
        self._last_state: tuple[object, float] | None = None
        self._said_online_s: float | None = None  # on this connection (monotonic)
        self._late_states = 0
        self._last_late_s: float | None = None
        self._parts: dict[str, str] = {}
        self._parts_sent: dict[str, str] = {}
        self._last_up_s: float | None = None

    # --- life ----------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to dial the broker; returns at once."""
        self._connection.start()

    def stop(self, timeout_s: float = 2.0, *, gone: bool = False) -> None:
        """Send what waits, say 'offline', disconnect. Returns within `timeout_s`.

        gone: there is no such grill any more; instead of 'offline' all that it retained is cleared.
        """
        deadline = time.monotonic() + timeout_s
        said = False
        if self.connected:
            self._check_generation()
            self._delivery.pump(self._clock())
            if gone:
                self._clear()
            last_word = "" if gone else OFFLINE
            farewell = self._connection.publish(self.topics.availability, last_word, qos=1, retain=True)
            while self.connected and time.monotonic() < deadline - 0.2:
                said = said or farewell in self._delivery.settle()
                if said and self._delivery.idle:
                    break
                time.sleep(0.005)
        self._connection.stop(max(0.1, deadline - time.monotonic()), farewell=said)

    def _clear(self) -> None:
        """Take back what the broker keeps of this grill, but for its availability: that is the last word."""
        alarms = {self.topics.alarm(code) for code in (*self._codes, *self._alarms)}
        for topic in (self.topics.state, *map(self.topics.part, self._parts), *sorted(alarms)):
            self._connection.publish(topic, "", qos=1, retain=True)

    @property
    def connected(self) -> bool:
        return self._connection.connected

    @property
    def trouble(self) -> str:
        """Why there is no connection, one line; "" while there is one."""
        return self._connection.trouble

    @property
    def protocol(self) -> str:
        """'5' or '3.1.1'."""
        return self._connection.protocol

    def lost_s(self, now_s: float) -> float:
        """How long there has been no broker that takes messages, in control time; 0 while there is one."""
        if (self.connected and not self._delivery.deaf) or self._last_up_s is None:
            self._last_up_s = now_s
        return max(0.0, now_s - self._last_up_s)

    # --- each control step ---------------------------------------------------------------------

    def offer(
        self, decision: Decision, machine: Machine, now_s: float, utc_s: float, inputs: Inputs | None = None
    ) -> None:
        """Tell the world of one step: alarms at once on every change, state when it changed or is due.

        now_s: control time; utc_s: UTC in s. `inputs` adds the other probes to the state.
        """
        self.lost_s(now_s)
        try:
            self._check_generation()
            self._note_alarms(decision.alarms, now_s, utc_s)
            self._delivery.pump(utc_s)
            self._delivery.watch()
            if self._snapshot_due and self.connected and self._delivery.idle:
                self._publish_snapshot(now_s, utc_s)
            self._offer_state(decision, machine, now_s, utc_s, inputs)
            self._offer_parts()
            self._offer_online()
        except Exception:  # telling must never stop tending
            log.exception("a step could not be told")

    def offer_part(self, name: str, part: BaseModel | None) -> None:
        """Keep a further view on `part/<name>`, retained, sent when it changes; None removes it."""
        self._parts[name] = "" if part is None else part.model_dump_json()
        self._offer_parts()

    def take_events(self) -> tuple[Event, ...]:
        """Commands that passed every check since the last call, in order of arrival.

        Those that did not are answered here and now. Give the core's outcomes to `answer`.
        """
        return self._inbox.take()

    def answer(self, outcomes: Iterable[Outcome]) -> None:
        """Reply to the senders of commands that the core has answered; other outcomes are ignored."""
        self._inbox.answer(outcomes)

    def take_records(self) -> tuple[CommandRecord, ...]:
        """Answered commands since the last call, for the journal: sender, request, answer."""
        return self._inbox.take_records()

    # --- others on the same connection ---------------------------------------------------------

    def on_topic(self, topic: str, callback: TopicCallback) -> None:
        """Call `callback(payload, retained)` from the network thread for each message on `topic`.

        For probes behind a gateway, several of which may share a topic. `topic` may be a filter. Call before
        `start`; QoS 1.
        """
        if topic not in self._callbacks:
            self._connection.subscribe([topic])
        self._callbacks.setdefault(topic, []).append(callback)

    def on_connect(self, callback: Callable[[], None]) -> None:
        """Call `callback` from the network thread at each new connection; it may use `publish`."""
        self._on_connect.append(callback)

    def publish(self, topic: str, payload: str | bytes, *, qos: int = 1, retain: bool = False) -> bool:
        """Publish now or not at all; False when there is no connection. Safe from any thread."""
        return self._connection.publish(topic, payload, qos=qos, retain=retain) is not None

    # --- the network thread --------------------------------------------------------------------

    def _came_up(self) -> None:
        for callback in self._on_connect:
            callback()

    def _arrived(self, message: paho.MQTTMessage) -> None:
        if self.topics.kind_of(message.topic) is not None:
            self._inbox.put(message)
            return
        for topic, callbacks in self._callbacks.items():
            if not paho.topic_matches_sub(topic, message.topic):
                continue
            for callback in callbacks:
                try:
                    callback(bytes(message.payload), message.retain)
                except Exception:
                    log.exception("the reader of %s failed on a message", topic)

    def _sent(self, number: int, taken: bool) -> None:
        self._delivery.answered(number, taken)

    # --- inside one step -----------------------------------------------------------------------

    def _check_generation(self) -> None:
        """Whatever a broken connection had not confirmed must be said again on the new one."""
        if self._delivery.renew():
            self._last_state = None
            self._parts_sent.clear()
            self._snapshot_due = True
            self._said_online_s = None

    def _offer_online(self) -> None:
        """Say it after all else: who sees us online takes what is retained for what is so."""
        said_s, now_s = self._said_online_s, time.monotonic()
        if (
            not self.connected
            or self._snapshot_due
            or (said_s is not None and now_s - said_s < ONLINE_EVERY_S)
        ):
            return
        self._said_online_s = now_s
        # again with QoS 0, or they would fill the queue of a phone asleep
        self._connection.publish(
            self.topics.availability, ONLINE, qos=1 if said_s is None else 0, retain=True
        )

    def _note_alarms(self, alarms: tuple[Alarm, ...], now_s: float, utc_s: float) -> None:
        present = {alarm.code: alarm for alarm in alarms}
        grill = self._options.grill
        for code, alarm in present.items():
            if alarm_changed(self._alarms.get(code), alarm):
                self._keep(alarm_message(grill, alarm, 0, now_s, utc_s), utc_s)
        for code, before in self._alarms.items():
            if code not in present:
                self._keep(normal_message(grill, code, 0, utc_s, before=before), utc_s)
        self._alarms = present

    def _keep(self, message: AlarmMessage, utc_s: float) -> None:
        kept = OutMessage(self.topics.alarm(message.code), message.model_dump_json(), utc_s)
        self._seq[message.code] = self._delivery.keep(kept, late=not self.connected)

    def _publish_snapshot(self, now_s: float, utc_s: float) -> None:
        """Retain every alarm as it is now: the broker may have lost its store, or be a new one."""
        self._snapshot_due = False
        grill = self._options.grill
        for code in dict.fromkeys((*self._codes, *self._alarms)):
            alarm, seq = self._alarms.get(code), self._seq.get(code, 0)
            message = (
                alarm_message(grill, alarm, seq, now_s, utc_s, change=False)
                if alarm
                else normal_message(grill, code, seq, utc_s, change=False)
            )
            self._connection.publish(self.topics.alarm(code), message.model_dump_json(), qos=1, retain=True)

    def _offer_state(
        self, decision: Decision, machine: Machine, now_s: float, utc_s: float, inputs: Inputs | None
    ) -> None:
        if not self.connected:
            self._keep_state(decision, machine, now_s, utc_s, inputs)
            return
        self._late_states, self._last_late_s = 0, None
        message = state_message(self._options.grill, decision, machine, utc_s, inputs, self._band)
        what = message.model_dump(exclude={"utc"})
        if self._last_state is not None:
            before, at_s = self._last_state
            if what == before and now_s - at_s < self._options.state_every_s:
                return
        # that no fire burned stays true: who hears 'offline' tomorrow need not go and look
        expiry_s = STATE_EXPIRY_S if decision.phase not in NO_FIRE else None
        number = self._connection.publish(
            self.topics.state, message.model_dump_json(), retain=True, expiry_s=expiry_s
        )
        if number is not None:
            self._last_state = (what, now_s)

    def _keep_state(
        self, decision: Decision, machine: Machine, now_s: float, utc_s: float, inputs: Inputs | None
    ) -> None:
        """Keep a thinned record of the outage, so that those who draw the cook have no hole in it."""
        every_s = next((every for below, every in LATE_STATES if self._late_states < below), None)
        if every_s is None or (self._last_late_s is not None and now_s - self._last_late_s < every_s):
            return
        self._late_states, self._last_late_s = self._late_states + 1, now_s
        message = state_message(self._options.grill, decision, machine, utc_s, inputs, self._band)
        kept = OutMessage(self.topics.state_late, message.model_dump_json(), utc_s, retain=False)
        self._delivery.keep(kept, late=True)

    def _offer_parts(self) -> None:
        for name, body in self._parts.items():
            if not self.connected or self._parts_sent.get(name) == body:
                continue
            # QoS 1 would fill the queue of a phone asleep: what comes every 10 s is soon there again
            if self._connection.publish(self.topics.part(name), body, retain=True) is not None:
                self._parts_sent[name] = body
