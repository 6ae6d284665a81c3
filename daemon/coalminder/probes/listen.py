"""Feeds probes that arrive over the broker while `check` or `calibrate` runs, without being the service.

The service has its own connection (messages/link.py), with a will and topics of its own; a trial must not
speak for it, so it only listens, and sees whether it is let in.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from paho.mqtt.client import MQTTMessage

from coalminder.errors import UserError
from coalminder.messages.connection import Connection
from coalminder.messages.options import LinkOptions
from coalminder.probes.topic import TopicProbe
from coalminder.settings import Settings


@contextmanager
def listening(settings: Settings, probes: Sequence[TopicProbe]) -> Iterator[str]:
    """While inside, messages on the probes' topics reach them. Does nothing without such probes.

    Yields why the broker cannot be reached, "" when it can: the other probes can be tried all the same.
    """
    if not probes:
        yield ""
        return

    def arrived(message: MQTTMessage) -> None:
        for probe in probes:
            if probe.topic == message.topic:
                probe.offer(bytes(message.payload), time.monotonic(), retained=message.retain)

    try:
        options = LinkOptions.from_settings(settings.mqtt.model_dump())
    except UserError as error:
        yield str(error)
        return
    with dialled(options, [probe.topic for probe in probes], arrived) as trouble:
        yield f"broker {trouble}; start it, or correct [mqtt]" if trouble else ""


@contextmanager
def dialled(
    options: LinkOptions, topics: Sequence[str] = (), arrived: Callable[[MQTTMessage], None] = lambda _: None
) -> Iterator[str]:
    """While inside, connected as the service is. Yields why not, "" when the broker let us in."""
    # of its own: one of the service's name would throw the service out
    options = options.named(f"coalminder-check-{secrets.token_hex(4)}")
    connection = Connection(options, will=None, on_message=arrived, on_sent=lambda _number, _taken: None)
    connection.subscribe(topics)
    connection.start()
    try:
        deadline_s = time.monotonic() + options.connect_timeout_s
        while not connection.connected and time.monotonic() < deadline_s:
            time.sleep(0.02)
        yield connection.trouble
    finally:
        connection.stop(2.0)
