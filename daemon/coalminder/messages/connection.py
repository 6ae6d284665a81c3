"""One broker, kept connected: a thread of our own dials, paho's network thread reads and writes.

Each connection gets a new paho client, so nothing stale that an old one had queued is ever sent. MQTT 5
is tried first; a broker that refuses it, or hangs up without a word, is tried with 3.1.1. DNS, TCP and
TLS happen in the dialling thread; `publish` only queues. Callbacks come from the network thread.
"""

from __future__ import annotations

import logging
import random
import socket
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from coalminder.messages.bounded_client import MAX_PACKET_BYTES, BoundedClient
from coalminder.messages.options import LinkOptions

log = logging.getLogger(__name__)

_OVERHEAD_BYTES = 128  # header and other properties of a message of ours, at most
IN_FLIGHT = 20  # QoS 1 messages sent and not yet acknowledged, unless the broker takes fewer
QUEUED = 2000  # these and those behind them: a broker that confirms nothing gets no more
FIRST_ANSWER_S = 2.0  # for the answer to a first CONNECT, while the broker's version is not known
# Two daemons of one name throw each other out: connections that last only a short time are dialled again
# less and less often. Some brokers say so (MQTT 5, reason 0x8E), some just hang up.
SHORT_S, WAR_S = 60.0, 30.0
SHORTS = 3  # short connections on end until that is told
# A broker may not say what it takes: it hangs up at once on what is larger, or answers with a code that the
# library takes for a broken protocol. After so many times on end the largest message is left out; never one
# as small as an alarm.
HANG_UPS, HANG_UP_S, SMALL_BYTES = 3, 5.0, 2048
_TAKEN_OVER = "Session taken over"
_UNSUPPORTED = "Unsupported protocol version"
SILENT = 5  # connections on end without an answer until the other version is tried once
AGAIN_S = 60.0  # until what the broker refused is tried again


class Connection:
    """Stays connected to one broker from `start` to `stop`. Thread-safe."""

    def __init__(
        self,
        options: LinkOptions,
        *,
        will: tuple[str, str] | None,
        on_message: Callable[[paho.MQTTMessage], None],
        on_sent: Callable[[int, bool], None],
        on_up: Callable[[], None] = lambda: None,
    ) -> None:
        """`will`: retained topic and payload, or None.

        on_sent: gets the number of each publish that the broker answered, and whether it took it.
        """
        self._options, self._will = options, will
        self._on_up, self._on_message, self._on_sent = on_up, on_message, on_sent
        self._stopping = threading.Event()
        self._closed = threading.Event()
        self._answered = threading.Event()
        self._thread: threading.Thread | None = None
        self._client: paho.Client | None = None
        self._known_protocol = options.mqtt_version != "auto"
        self._protocol = paho.MQTTv311 if options.mqtt_version == "3.1.1" else paho.MQTTv5
        self._old = options.mqtt_version == "3.1.1"  # the broker speaks 3.1.1 only, by more than one silence
        self._silent = 0  # connections on end that the broker did not answer
        self._in_flight = IN_FLIGHT
        self._most_bytes: int | None = None  # that the broker takes
        self._assumed_bytes: int | None = None  # the same, from connections that end at once
        self._hang_ups = 0
        # of what was sent on this connection: the most bytes, the most that the broker confirmed
        self._largest, self._confirmed = 0, 0
        self._unanswered: dict[int, tuple[str, int]] = {}  # number of a publish with QoS 1 -> topic, bytes
        self._complaints: set[str] = set()
        self._wanted: list[tuple[str, SubscribeOptions]] = []
        self._asked: dict[int, list[tuple[str, SubscribeOptions]]] = {}
        self._asking = threading.Lock()  # the answer may come before the number of the question is known
        self._refused: list[tuple[str, SubscribeOptions]] = []
        self._taken_over = False
        self._shorts = 0
        self._up = False
        self._reason = "not tried yet"
        self.generation = 0
        """Rises by one with each connection, so that a publish can be told from one on an older one."""

    @property
    def connected(self) -> bool:
        return self._up

    @property
    def trouble(self) -> str:
        """Why there is no connection, "" while there is one."""
        return "" if self._up else self._reason

    @property
    def protocol(self) -> str:
        """MQTT version in use or last tried: '5' or '3.1.1'."""
        return "5" if self._protocol == paho.MQTTv5 else "3.1.1"

    def start(self) -> None:
        """Begin to dial; returns at once."""
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float, *, farewell: bool = True) -> None:
        """Disconnect; gives up waiting for the thread after `timeout_s`.

        farewell False: the will was not said in words, so that the broker must publish it.
        """
        self._stopping.set()
        client = self._client
        if client is not None and self._up:
            _disconnect(client, will=not farewell)
        self._closed.set()
        self._answered.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def redial(self, reason: str) -> None:
        """Give this connection up and dial again."""
        if self._up:
            self._lost(reason)
            self._closed.set()

    def publish(
        self,
        topic: str,
        payload: str | bytes,
        *,
        qos: int = 0,
        retain: bool = False,
        expiry_s: int | None = None,
        correlation: bytes | None = None,
    ) -> int | None:
        """Queue a message; its number, or None when there is no connection. Never blocks, never raises."""
        client = self._client
        if client is None or not self._up:
            return None
        body = payload.encode() if isinstance(payload, str) else payload
        if not self.fits(topic, body, correlation):
            told = f"{topic} is too large for the broker, which takes {self._most_bytes} bytes"
            self._complain(told, f"too large on {_kind(topic)}")
            return None
        size = _size(topic, body, correlation)
        self._largest = max(self._largest, size)
        properties = None
        if self._protocol == paho.MQTTv5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            if payload:
                properties.PayloadFormatIndicator = 1
                properties.ContentType = "application/json" if body[:1] == b"{" else "text/plain"
            if expiry_s is not None:
                properties.MessageExpiryInterval = expiry_s
            if correlation is not None:
                properties.CorrelationData = correlation
        try:
            info = client.publish(topic, body, qos=qos, retain=retain, properties=properties)
        except (ValueError, RuntimeError, OSError) as error:
            log.warning("publishing on %s failed: %s", topic, error)
            return None
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return None
        if qos:
            self._unanswered[info.mid] = topic, size
        return info.mid

    def fits(self, topic: str, body: bytes, correlation: bytes | None = None) -> bool:
        """Whether a message is no larger than the broker takes; True when that is not known."""
        return self._most_bytes is None or _size(topic, body, correlation) <= self._most_bytes

    def subscribe(self, topics: Sequence[str], *, as_published: bool = False) -> None:
        """Subscribe at QoS 1 with each connection, before anything is published on it: who sees us online
        may speak to us. Call it before `start`.

        as_published: with MQTT 5 a message keeps its retain flag also when it is fresh. What the broker
        refuses is asked for again each minute.
        """
        options = SubscribeOptions(qos=1, retainAsPublished=as_published)
        self._wanted += [(topic, options) for topic in topics]

    def _subscribe(self, wanted: list[tuple[str, SubscribeOptions]]) -> None:
        client = self._client
        if client is None or not wanted:
            return
        five = self._protocol == paho.MQTTv5
        with self._asking:
            code, number = client.subscribe(wanted if five else [(topic, 1) for topic, _ in wanted])
            if code == MQTTErrorCode.MQTT_ERR_SUCCESS and number is not None:
                self._asked[number] = wanted

    # --- the dialling thread -------------------------------------------------------------------

    def _run(self) -> None:
        wait_s = 0.1
        while not self._stopping.is_set():
            self._closed.clear()
            self._answered.clear()
            began_s = time.monotonic()
            try:
                was_up = self._connect_once()
            except Exception as error:  # noqa: BLE001 - whatever it was: nobody else would dial
                was_up = False
                why = str(error) or type(error).__name__
                self._lost(f"{self._options.host}:{self._options.port}: {why}")
            self._client = None  # it closes its last sockets when it goes, and it refers to us
            if self._stopping.is_set():
                break
            lasted_s = time.monotonic() - began_s
            self._learn_limit(was_up, lasted_s)
            self._note_short(was_up, lasted_s)
            if self._taken_over:
                self._taken_over, wait_s = False, WAR_S
            elif was_up and lasted_s > SHORT_S:
                wait_s = 0.2
            else:
                wait_s = min(wait_s * 2, WAR_S if was_up else self._options.retry_max_s)
            self._stopping.wait(wait_s * random.uniform(0.8, 1.2))

    def _learn_limit(self, was_up: bool, lasted_s: float) -> None:
        if self._taken_over or not was_up:
            return
        if lasted_s > SHORT_S:
            self._hang_ups, self._assumed_bytes = 0, None  # a broker put right is asked again
        elif lasted_s >= HANG_UP_S:
            self._hang_ups = 0  # what ended it came later than a packet limit would
        elif self._was_not_taken():
            self._hang_ups += 1
            if self._hang_ups >= HANG_UPS:
                self._hang_ups, self._assumed_bytes = 0, self._largest - 1
                self._complain(
                    f"the connection ends at once each time; a message of {self._largest - _OVERHEAD_BYTES} "
                    "bytes is left out from now on; raise its packet limit, or set mqtt.discovery = false"
                )

    def _was_not_taken(self) -> bool:
        """Whether a large message of this connection was not confirmed."""
        return self._largest > max(SMALL_BYTES, self._confirmed)

    def _note_short(self, was_up: bool, lasted_s: float) -> None:
        """Only of connections whose end nothing else explains: a broker of twins is never away."""
        explained = not was_up or self._was_not_taken()
        self._shorts = 0 if explained or lasted_s > SHORT_S else self._shorts + 1
        if self._shorts >= SHORTS:
            self._complain(
                "connections to the broker end soon, again and again; if another grill there has the name "
                f"{self._options.grill!r} as well, commands go to either: give each a name of its own"
            )

    def _connect_once(self) -> bool:
        """Connect, stay, come back when the connection is gone; True when it was ever up.

        Raises what keeps it from being made.
        """
        before = self.generation
        self._asked.clear()
        self._refused.clear()
        client = self._client = self._new_client()
        client.connect(self._options.host, self._options.port, self._options.keepalive_s, **self._session())
        self._silent += 1
        client.loop_start()
        if not self._answered.wait(self._patience_s()):
            self._lost(f"{self._options.host}:{self._options.port}: no answer to MQTT {self.protocol}")
            self._closed.set()
        while not self._closed.wait(AGAIN_S):
            refused, self._refused = self._refused, []
            self._subscribe(refused)
            if client._thread is None or not client._thread.is_alive():  # no public way to ask
                self._lost("the library's network thread has ended")
                break
        client.disconnect()
        client.loop_stop()
        self._up = False
        if self.generation == before and self._other_version_is_due():
            self._protocol = paho.MQTTv311 if self._protocol == paho.MQTTv5 else paho.MQTTv5
        return self.generation != before

    def _other_version_is_due(self) -> bool:
        """Each time while the version is not known; once in a while when a known broker is mute: there may
        be another in its place, but one that is frozen will come back and speak what it spoke.
        """
        if not self._known_protocol:
            return True
        return self._may_be_old() and self._silent >= SILENT and self._silent % SILENT < 2

    def _may_be_old(self) -> bool:
        return self._options.mqtt_version == "auto"

    def _patience_s(self) -> float:
        """How long to wait for the broker's answer. One that knows 3.1.1 only may wait for more bytes; after
        silence to both versions it may be a slow one.
        """
        slow = self._known_protocol or self._silent > 2
        return self._options.connect_timeout_s if slow else FIRST_ANSWER_S

    def _session(self) -> dict[str, Any]:
        if self._protocol != paho.MQTTv5:
            return {}
        # Nothing is kept for us while we are away: commands that old would be refused as stale anyhow.
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0
        properties.MaximumPacketSize = MAX_PACKET_BYTES
        return {"clean_start": True, "properties": properties}

    def _new_client(self) -> paho.Client:
        options = self._options
        client = BoundedClient(
            CallbackAPIVersion.VERSION2,
            client_id=options.client_id or f"coalminder-{options.grill}",
            protocol=self._protocol,
            reconnect_on_failure=False,
        )
        client.connect_timeout = options.connect_timeout_s
        client.max_inflight_messages_set(self._in_flight)
        client.max_queued_messages_set(QUEUED)
        if self._will is not None:
            client.will_set(*self._will, qos=1, retain=True)
        if options.username:
            client.username_pw_set(options.username, options.password_now())
        if options.tls:
            client.tls_set_context(options.tls_context())
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_publish = lambda _c, _u, mid, reason, _p: self._answered_for(mid, reason)
        client.on_subscribe = lambda _c, _u, mid, reasons, _p: self._subscribed(mid, reasons)
        client.on_message = lambda _c, _u, message: self._received(message)
        return client

    # --- paho's network thread -----------------------------------------------------------------

    def _connected(
        self, client: paho.Client, _userdata: Any, _flags: Any, reason: Any, properties: Any
    ) -> None:
        if client is not self._client or self._closed.is_set():
            return
        self._answered.set()
        self._silent = 0
        if reason.is_failure:
            if str(reason) == _UNSUPPORTED and self._protocol == paho.MQTTv5 and self._may_be_old():
                log.info("the broker does not speak MQTT 5; using 3.1.1")
                self._known_protocol, self._old = False, True
                self._closed.set()  # dialled at once with the other one: no trouble to tell
                return
            if str(reason) != _UNSUPPORTED:
                self._known_protocol = True  # it answered: the version is not what it dislikes
            self._lost(f"{self._options.host}:{self._options.port}: refused: {reason}")
            self._closed.set()
            return
        if self._protocol != paho.MQTTv5 and not self._old:
            # it answers, so the silence before may have been the network's, or that of a frozen broker
            self._old, self._known_protocol = True, False
            self._closed.set()
            return
        self._known_protocol = True
        self._old = self._protocol != paho.MQTTv5
        told_bytes = getattr(properties, "MaximumPacketSize", None) if properties else None
        limits = (told_bytes, self._assumed_bytes)
        self._most_bytes = min((limit for limit in limits if limit is not None), default=None)
        self._largest, self._confirmed = 0, 0
        self._unanswered.clear()
        take = getattr(properties, "ReceiveMaximum", IN_FLIGHT) if properties else IN_FLIGHT
        if 0 < take < self._in_flight:  # the library takes this number before connecting only: dial again
            self._in_flight = take
            self._closed.set()
            return
        self._subscribe(self._wanted)
        self.generation += 1
        self._up = True
        log.info("connected to the broker, MQTT %s", self.protocol)
        try:
            self._on_up()
        except Exception:  # else the network thread would die in silence
            log.exception("setting up the connection failed")
            self._closed.set()

    def _answered_for(self, mid: int, reason: Any) -> None:
        taken = reason is None or not reason.is_failure
        topic, size = self._unanswered.pop(mid, ("", 0))
        self._confirmed = max(self._confirmed, size)  # refused: it was read
        if not taken:
            # the broker may answer before we know the topic
            told = f"{topic or 'a topic of ours'}: {reason}; look at its access list"
            self._complain(f"the broker refuses messages on {told}", f"messages on {_kind(topic)}")
        self._on_sent(mid, taken)

    def _subscribed(self, mid: int, reasons: Sequence[Any]) -> None:
        with self._asking:
            wanted = self._asked.pop(mid, [])
        for asked, reason in zip(wanted, reasons, strict=False):
            if reason.is_failure:
                self._complain(
                    f"the broker refuses the subscription to {asked[0]}: {reason}; what is sent there is not "
                    "heard; look at its access list"
                )
                self._refused.append(asked)

    def _received(self, message: paho.MQTTMessage) -> None:
        try:
            self._on_message(message)
        except Exception:  # a topic that is no text, for one: the network thread must not die of it
            log.exception("a message could not be read")

    def _complain(self, text: str, about: str = "") -> None:
        """Log it once, or the first that is `about` something."""
        if (about or text) not in self._complaints:
            self._complaints.add(about or text)
            log.warning(text)

    def _disconnected(
        self, client: paho.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if client is self._client:
            if str(reason) == _TAKEN_OVER:
                self._taken_over = True
                reason = "another program uses our client id; give each grill a name of its own"
            if self._up:
                self._lost(f"{self._options.host}:{self._options.port}: connection lost: {reason}")
            elif not self._answered.is_set() and (self._known_protocol or self._protocol != paho.MQTTv5):
                where = f"{self._options.host}:{self._options.port}"
                ask = "does it ask for a certificate of ours" if self._options.tls else "is it a port for TLS"
                self._lost(f"{where}: hung up without an answer; {ask}?")
            self._closed.set()
            self._answered.set()

    def _lost(self, reason: str) -> None:
        if (self._up or reason != self._reason) and not self._stopping.is_set():
            log.warning("no broker: %s", reason)
        self._up, self._reason = False, reason


def _kind(topic: str) -> str:
    """What complaints are told once of: a phone may name any number of topics for its answers."""
    return "/".join(topic.split("/")[:3])


def _size(topic: str, body: bytes, correlation: bytes | None) -> int:
    return len(topic.encode()) + len(body) + len(correlation or b"") + _OVERHEAD_BYTES


def _disconnect(client: paho.Client, *, will: bool) -> None:
    """Leave the broker; will: so that it publishes our will."""
    if not will:
        client.disconnect()
    elif client.protocol == paho.MQTTv5:
        client.disconnect(ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message"))
    elif isinstance(wire := client.socket(), socket.socket):
        with suppress(OSError):  # it broke this very moment, which says the same to the broker
            wire.shutdown(socket.SHUT_RDWR)  # MQTT 3.1.1 has no other way
