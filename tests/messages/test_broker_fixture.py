"""The broker that other tests lean on."""

from __future__ import annotations

from pathlib import Path

import pytest
from brokers import Mosquitto, Watcher, free_port

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


def test_the_port_of_a_broker_that_is_away_is_given_to_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    lowest, _ = Path("/proc/sys/net/ipv4/ip_local_port_range").read_text("ascii").split()
    if int(lowest) < 32_000:
        pytest.skip(f"this machine gives ports from {lowest} on to who asks for any")
    given = {}
    for worker in ("gw0", "gw1", "gw2"):
        monkeypatch.setenv("PYTEST_XDIST_WORKER", worker)
        given[worker] = {free_port() for _ in range(50)}
        assert max(given[worker]) < int(lowest)
    assert len(set.union(*given.values())) == sum(map(len, given.values()))
