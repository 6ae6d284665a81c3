"""Commands between the network and the core: queued, judged, answered, and kept for the journal.

`put` is called by the network thread; everything else by the thread of the control steps.
"""

from __future__ import annotations

import logging
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Protocol

import paho.mqtt.client as paho

from coalminder.events import Event
from coalminder.messages.commands import Accepted, CommandLimits, Memory, Received, Refusal, judge
from coalminder.messages.payloads import ReplyMessage, utc
from coalminder.messages.topics import Topics
from coalminder.values import CommandRecord, Outcome

log = logging.getLogger(__name__)

REPLY_EXPIRY_S = 60
WAITING = 1000  # commands waiting for the next step; one step takes them all
SURE_REPLIES = 10  # in one step with QoS 1; the rest of a flood's with 0, for an alarm must not queue behind
MOST_CORRELATION_BYTES = 256  # of an asker's: they go with each answer, a thousand of them in a second
MOST_TOPIC = 128  # that of a kind there is has at most 84
RECORDS = 50.0  # kept at once of a flood; after them one in a second, for it would fill the disk


class Publish(Protocol):
    """Connection.publish."""

    def __call__(
        self,
        topic: str,
        payload: str | bytes,
        *,
        qos: int = 0,
        retain: bool = False,
        expiry_s: int | None = None,
        correlation: bytes | None = None,
    ) -> int | None:
        """Queue a message; None when it cannot be sent now."""
        ...


@dataclass(slots=True)
class _Asked:
    """A command that the core has not answered yet."""

    received: Received
    kind: str
    client: str
    command_id: str


@dataclass(slots=True)
class _Ration:
    """How many records `may` be kept now; at_s: UTC of the last; left_out: how many since one was kept."""

    may: float = RECORDS
    at_s: float = 0.0
    left_out: int = 0

    def keeps(self, record: CommandRecord) -> CommandRecord | None:
        """The record with how many were left out before it; None: it is left out itself."""
        self.may = min(RECORDS, self.may + max(record.utc_s - self.at_s, 0.0))
        self.at_s = record.utc_s
        if self.may < 1.0:
            self.left_out += 1
            return None
        self.may -= 1.0
        more, self.left_out = self.left_out, 0
        return replace(record, reason=f"{record.reason} ({more} more before)".strip()) if more else record


class Inbox:
    """The commands of one grill. clock: UTC in s, for judging their age."""

    def __init__(
        self, topics: Topics, limits: CommandLimits, publish: Publish, clock: Callable[[], float]
    ) -> None:
        self._topics, self._limits, self._publish, self._clock = topics, limits, publish, clock
        self._waiting: deque[Received] = deque()
        self._dropped = 0
        self._memory = Memory(snuffed_s=clock())
        self._asked: OrderedDict[str, _Asked] = OrderedDict()  # by the id of the event
        self._again = 0
        self._records: deque[CommandRecord] = deque(maxlen=WAITING)
        self._replies = 0  # in this step
        self._refusals, self._snuffs = _Ration(), _Ration()

    def put(self, message: paho.MQTTMessage) -> None:
        """Queue a message of a command topic. In a flood snuff is the last to be dropped."""
        if message.retain and not message.payload:
            return  # somebody clears a retained command
        if len(self._waiting) >= WAITING and message.topic != self._topics.command("snuff"):
            self._dropped += 1
            return
        if len(self._waiting) >= 2 * WAITING:
            return  # a thousand snuffs wait already
        properties = message.properties
        users = dict(getattr(properties, "UserProperty", ()) or ()) if properties else {}
        asked_for = getattr(properties, "ResponseTopic", None)
        correlation = getattr(properties, "CorrelationData", None)
        self._waiting.append(
            Received(
                topic=message.topic[:MOST_TOPIC],
                payload=bytes(message.payload[: self._limits.max_bytes + 1]),
                utc_s=self._clock(),
                retained=message.retain,
                response_topic=asked_for if asked_for and self._topics.may_answer_on(asked_for) else None,
                correlation=correlation if len(correlation or b"") <= MOST_CORRELATION_BYTES else None,
                client=str(users.get("client", ""))[:64],
            )
        )

    def take(self) -> tuple[Event, ...]:
        """Commands that passed every check since the last call, in order of arrival.

        Those that did not are answered here and now. Give the core's outcomes to `answer`.
        """
        taken: list[Event] = []
        self._replies = 0
        for _ in range(len(self._waiting)):  # not for ever: a flood may fill it faster than this empties it
            received = self._waiting.popleft()
            try:
                self._memory, verdict = judge(self._memory, received, self._topics, self._limits)
            except Exception:  # one message must never stop tending
                log.exception("a command on %s could not be judged", received.topic)
                continue
            if isinstance(verdict, Refusal):
                self._reply(received, verdict.kind, verdict.event_id, verdict.client, False, verdict.reason)
                continue
            taken.append(self._remember(received, verdict))
        if self._dropped:
            log.warning("%d commands were dropped in a flood", self._dropped)
            self._dropped = 0
        return tuple(taken)

    def answer(self, outcomes: Iterable[Outcome]) -> None:
        """Reply to the senders of commands that the core has answered; other outcomes are ignored."""
        for outcome in outcomes:
            asked = self._asked.pop(outcome.event_id, None)
            if asked is not None:
                self._reply(
                    asked.received,
                    asked.kind,
                    asked.command_id,
                    asked.client,
                    outcome.accepted,
                    outcome.reason,
                )

    def take_records(self) -> tuple[CommandRecord, ...]:
        """Answered commands since the last call, for the journal: sender, request, answer."""
        records = tuple(self._records)
        self._records.clear()
        return records

    def _remember(self, received: Received, verdict: Accepted) -> Event:
        """The event, told from all that wait for an answer: snuffs may come without an id, or twice."""
        command_id, event = verdict.event.event_id, verdict.event
        if not command_id or command_id in self._asked:
            self._again += 1
            event = replace(event, event_id=f"{command_id}#{self._again}")
        self._asked[event.event_id] = _Asked(received, verdict.kind, verdict.client, command_id)
        while len(self._asked) > 2 * WAITING:
            self._asked.popitem(last=False)
        return event

    def _note(self, record: CommandRecord) -> None:
        """Keep it for the journal, unless it is one of a flood: of refusals, or of snuffs."""
        kept: CommandRecord | None = record
        if not record.accepted or record.kind == "snuff":
            kept = (self._snuffs if record.accepted else self._refusals).keeps(record)
        if kept is not None:
            self._records.append(kept)

    def _reply(
        self, received: Received, kind: str, command_id: str, client: str, accepted: bool, reason: str
    ) -> None:
        utc_s = self._clock()
        text = received.payload[: self._limits.max_bytes].decode(errors="replace")
        self._note(CommandRecord(utc_s, command_id, client, kind, text, accepted, reason))
        message = ReplyMessage(
            grill=self._topics.grill,
            utc=utc(utc_s),
            id=command_id,
            kind=kind,
            accepted=accepted,
            reason=reason,
        )
        self._replies += 1
        self._publish(
            received.response_topic or self._topics.reply,
            message.model_dump_json(),
            qos=1 if self._replies <= SURE_REPLIES else 0,
            expiry_s=REPLY_EXPIRY_S,
            correlation=received.correlation,
        )
