"""Feeds probes that arrive over the broker while `check` or `calibrate` runs, without being the service.

The service has its own connection (messages/link.py), with a will and topics of its own; a trial must not
speak for it, so it only listens.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from coalminder.errors import UserError
from coalminder.messages.options import LinkOptions
from coalminder.probes.topic import TopicProbe
from coalminder.settings.load import Settings


@contextmanager
def listening(settings: Settings, probes: Sequence[TopicProbe]) -> Iterator[str]:
    """While inside, messages on the probes' topics reach them. Does nothing without such probes.

    Yields why the broker cannot be reached, "" when it can: the other probes can be tried all the same.
    """
    if not probes:
        yield ""
        return
    mqtt = settings.mqtt
    client = Client(CallbackAPIVersion.VERSION2)

    def connected(_client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if not reason.is_failure:
            client.subscribe([(probe.topic, 0) for probe in probes])

    def arrived(_client: Client, _data: Any, message: Any) -> None:
        for probe in probes:
            if probe.topic == message.topic:
                probe.offer(message.payload, time.monotonic(), retained=message.retain)

    client.on_connect = connected
    client.on_message = arrived
    try:
        password = LinkOptions.from_settings(mqtt.model_dump()).password
        if mqtt.username:
            client.username_pw_set(mqtt.username, password)
        if mqtt.tls:
            client.tls_set(str(mqtt.ca_file) if mqtt.ca_file else None)
        client.connect(mqtt.host, mqtt.port, mqtt.keepalive_s)
    except UserError as error:
        yield str(error)
        return
    except (OSError, ValueError) as error:
        yield f"broker {mqtt.host}:{mqtt.port}: {error}; start it, or correct [mqtt]"
        return
    client.loop_start()
    try:
        yield ""
    finally:
        client.disconnect()
        client.loop_stop()
