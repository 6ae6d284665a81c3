"""The broker that other tests lean on."""

from __future__ import annotations

import pytest
from brokers import Mosquitto, Watcher

pytestmark = pytest.mark.broker


def test_watcher_hears_what_is_published_and_broker_returns_on_its_port(mosquitto: Mosquitto) -> None:
    port = mosquitto.port
    with Watcher(mosquitto, "a/+") as watcher:
        watcher.client.publish("a/b", b"1", qos=1)
        assert [m.payload for m in watcher.wait("a/b")] == [b"1"]
    mosquitto.kill()
    mosquitto.start()
    assert mosquitto.port == port
    with Watcher(mosquitto, "a/+") as watcher:
        watcher.client.publish("a/c", b"2", qos=1)
        assert watcher.wait("a/c")[0].payload == b"2"
