"""The embedded broker speaks 3.1.1 only, so the link's fall-back is exercised on it."""

from __future__ import annotations

import gc
import json
import socket
import time
from datetime import UTC, datetime

import paho.mqtt.client as paho
import pytest
from brokers import Watcher, wait_for

from coalminder.events import LidNotice
from coalminder.messages.embedded import EmbeddedBroker
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.values import HEALTHY, Decision, Outcome, Phase

pytest.importorskip("amqtt")


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_link_falls_back_to_3_1_1_and_works_on_the_embedded_broker() -> None:
    with EmbeddedBroker() as broker:
        link = Link(LinkOptions.from_url(broker.url))
        link.start()
        wait_for(lambda: link.connected)
        assert link.protocol == "3.1.1"
        with Watcher((broker.host, broker.port), "coalminder/kettle/#", protocol=paho.MQTTv311) as phone:
            link.offer(Decision(Phase.TENDING, 93.0, 0.0, 0.0, pit_c=91.0), HEALTHY, 0.0, time.time())
            assert json.loads(phone.wait("coalminder/kettle/state")[0].payload)["pit_c"] == 91.0
            body = {"id": "1", "issued_utc": datetime.now(UTC).isoformat(), "lid_open": True}
            phone.client.publish("coalminder/kettle/command/lid", json.dumps(body), qos=1)
            events: list[object] = []
            wait_for(lambda: events.extend(link.take_events()) or events)
            assert events == [LidNotice("1", True)]
            link.answer([Outcome("1", False, "there is no lid switch")])
            reply = json.loads(phone.wait("coalminder/kettle/reply")[0].payload)
        link.stop()
    assert (reply["accepted"], reply["reason"]) == (False, "there is no lid switch")


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_embedded_broker_closes_a_connection_that_says_nothing() -> None:
    """Left open, it is a warning in whatever runs when the memory is tidied up."""
    broker = EmbeddedBroker()
    broker.start()
    with socket.create_connection((broker.host, broker.port), 2.0) as silent:
        time.sleep(0.2)  # until the broker has taken it
        broker.stop()
        assert silent.recv(1) == b""
    gc.collect()


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_embedded_broker_stops_and_leaves_its_port() -> None:
    broker = EmbeddedBroker()
    broker.start()
    port = broker.port
    broker.stop()
    again = EmbeddedBroker(port)
    again.start()
    again.stop()
    assert again.port == port
