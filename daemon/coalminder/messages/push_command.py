"""`coalminder push`: sends alarms, and what the food asks for, from the broker to push services.

A process of its own that only reads, like a phone, and needs no hardware; a slow push service cannot hold the
daemon up.
"""

from __future__ import annotations

import argparse
import logging
import secrets
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as paho
from pydantic import BaseModel, ValidationError

from coalminder.errors import UserError
from coalminder.messages.connection import Connection
from coalminder.messages.food_part import FoodPart
from coalminder.messages.notice import Notice, Priority
from coalminder.messages.options import LinkOptions
from coalminder.messages.payloads import AlarmMessage
from coalminder.messages.push import Bridge, PushRules
from coalminder.messages.push_sender import Sender
from coalminder.messages.topics import ONLINE, Topics, is_name
from coalminder.units import in_celsius, in_fahrenheit
from coalminder.values import NO_FIRE

log = logging.getLogger(__name__)

BROKER_AWAY_S = 120.0
OUTDATED_S = 12 * 3600.0
"""What could not be sent for so long is another day's: nobody is woken for what is over since [estimate]."""


class PushBridge:
    """Broker on one side, services on the other. `grill` "+" means all."""

    def __init__(
        self,
        options: LinkOptions,
        send: Callable[[Notice], None],
        rules: PushRules,
        *,
        every_grill: bool = False,
    ) -> None:
        base = "coalminder/+" if every_grill else Topics(options.grill).base
        self._alarms, self._availability = f"{base}/alarm/+", f"{base}/availability"
        self._state, self._food = f"{base}/state", f"{base}/part/food"
        self._send = send
        self._bridge = Bridge(rules)
        self._lock = threading.Lock()
        self._away_since_s: float | None = time.monotonic()
        self._told_away = False
        self._connection = Connection(
            options,
            will=None,
            on_message=self._arrived,
            on_sent=lambda _number, _taken: None,
        )
        self._connection.subscribe([self._alarms, self._availability, self._state, self._food])

    def start(self) -> None:
        """Begin to listen."""
        self._connection.start()

    def tick(self) -> None:
        """Send what became due; call it about once in a second."""
        now_s = time.monotonic()
        with self._lock:
            notices = self._bridge.tick(now_s, hears=self._connection.connected)
        if self._connection.connected:
            self._away_since_s = None
            if self._told_away:
                self._told_away = False
                notices = [*notices, Notice("The broker is back", "Alarms reach you again.", Priority.LOW)]
        elif self._away_since_s is None:
            self._away_since_s = now_s
        elif now_s - self._away_since_s > BROKER_AWAY_S and not self._told_away:
            self._told_away = True
            text = f"No alarm can reach you through it ({self._connection.trouble}). Go and look."
            notices = [*notices, Notice("The broker is away", text, Priority.HIGH)]
        for notice in notices:
            self._send(notice)

    def stop(self) -> None:
        """Disconnect."""
        self._connection.stop(2.0)

    def _arrived(self, message: paho.MQTTMessage) -> None:
        try:
            with self._lock:
                notices = self._read(message, time.monotonic())
        except (ValidationError, ValueError) as error:
            log.warning("not understood on %s: %s", message.topic, error)
            return
        for notice in notices:
            self._send(notice)

    def _read(self, message: paho.MQTTMessage, now_s: float) -> list[Notice]:
        topic, payload, grill = message.topic, message.payload, message.topic.split("/")[1]
        if not is_name(grill):
            raise ValueError(f"'{grill[:32]}' is no name of a grill")
        if paho.topic_matches_sub(self._availability, topic):
            if not payload:
                self._bridge.on_gone(grill)
                return []
            # a retained 'online' or state may be of any age
            return self._bridge.on_availability(
                grill, payload == ONLINE.encode() and not message.retain, now_s
            )
        if paho.topic_matches_sub(self._state, topic):
            if not payload:
                return []  # cleared: no sign of life
            state = _state_in(payload)
            self._bridge.on_fire(grill, state is None or state.phase not in NO_FIRE)
            if message.retain:
                return []
            return self._bridge.on_state(grill, now_s, None if state is None else frozenset(state.alarms))
        if paho.topic_matches_sub(self._food, topic):
            if message.retain:
                return []  # last week's, perhaps; a daemon that lives says it anew every 10 s
            food = FoodPart.model_validate_json(payload) if payload else None
            return self._bridge.on_food(grill, food, now_s)
        if not payload:
            return []
        alarm = AlarmMessage.model_validate_json(payload)
        if (alarm.grill, alarm.code) != (grill, topic.rpartition("/")[2]):
            # the topic is what the broker's access list was asked about
            raise ValueError(f"it speaks of '{alarm.code}' of '{alarm.grill}'")
        return self._bridge.on_alarm(alarm, now_s, stored=message.retain or _is_outdated(alarm))


def _is_outdated(alarm: AlarmMessage) -> bool:
    return alarm.late and time.time() - alarm.utc.timestamp() > OUTDATED_S


def _state_in(payload: bytes | bytearray) -> _State | None:
    """None when it cannot be read (a sign of life as well)."""
    try:
        return _State.model_validate_json(payload)
    except ValidationError:
        return None


class _State(BaseModel):
    """What is read of a state."""

    phase: str = ""
    alarms: tuple[str, ...]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `coalminder push`."""
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help="configuration; its section [mqtt] is used"
    )
    parser.add_argument("--broker", metavar="URL", help="mqtt://[user:password@]host[:port]")
    parser.add_argument("--grill", default="+", help="name of one grill (default: all of the broker)")
    parser.add_argument(
        "--to", action="append", default=[], metavar="URL", help="a push service; repeat for several"
    )
    parser.add_argument(
        "--at-least",
        choices=["low", "medium", "high"],
        default="medium",
        help="least priority of an alarm to be told",
    )
    parser.add_argument("--alarms-only", action="store_true", help="do not tell what the food asks for")
    parser.add_argument(
        "--units", choices=["metric", "us"], help="of the texts (default: the page's, [page] units)"
    )
    parser.add_argument("--test", action="store_true", help="send one notice to every service and end")


def run(args: argparse.Namespace) -> int:
    """Listen until SIGTERM or Ctrl-C; with --test send one notice, exit code 1 when a service fails."""
    options, urls, us = _options(args)
    if not urls:
        raise UserError("no push service: name one with --to URL, or mqtt.push_urls in the configuration")
    sender = Sender(urls)
    sender.start()
    if args.test:
        sender.send(Notice("Coalminder: a test", "If you read this, alarms can reach you.", Priority.LOW))
        sender.stop(60.0)
        if sender.running:
            sys.stderr.write("no answer of a push service within a minute\n")
        if not (sender.failed or sender.running):
            return 0
        sys.stderr.write("see that the URL is right and that this machine reaches the service; try again\n")
        return 1
    ended = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    rules = PushRules(at_least=Priority[args.at_least.upper()], food=not args.alarms_only)
    send = _in_words(in_fahrenheit if us else in_celsius, sender.send)
    bridge = PushBridge(options, send, rules, every_grill=args.grill == "+")
    bridge.start()
    while not ended.wait(1.0):
        bridge.tick()
    bridge.stop()
    sender.stop()
    return 0


def _in_words(words: Callable[[str], str], send: Callable[[Notice], None]) -> Callable[[Notice], None]:
    def told(notice: Notice) -> None:
        send(Notice(words(notice.title), words(notice.body), notice.urgency))

    return told


def _options(args: argparse.Namespace) -> tuple[LinkOptions, list[str], bool]:
    """How to reach the broker, the services, and whether texts are in US units."""
    urls = list(args.to)
    client_id = f"coalminder-push-{secrets.token_hex(4)}"  # two of one name would throw each other out
    grill = "kettle" if args.grill == "+" else args.grill
    units = args.units or "metric"
    if args.config is not None:
        from coalminder.settings import load_settings

        settings = load_settings(args.config)
        units = args.units or settings.page.units
        mqtt = settings.mqtt
        urls += [url.get_secret_value() for url in mqtt.push_urls]
        values = mqtt.model_dump() | {"grill": grill, "client_id": client_id}
        if args.broker is None:
            return LinkOptions.from_settings(values), urls, units == "us"
    options = LinkOptions.from_url(args.broker or "mqtt://127.0.0.1:1883", grill)
    return options.named(client_id), urls, units == "us"
