"""The broker goes away and comes back: nothing that was raised is lost, and it arrives in order.

An hour at 1 Hz with an alarm change in every second; the steps after the return are in real time:

    python tests/messages/test_outage.py
"""

from __future__ import annotations

import json
import os
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from brokers import Mosquitto, Watcher, wait_for

from coalminder import __version__
from coalminder.journal.reader import resume
from coalminder.journal.values import Start
from coalminder.journal.writer import Journal
from coalminder.messages.delivery import HISTORY, WINDOW, Delivery
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.messages.outbox import MemoryOutbox, Outbox
from coalminder.values import HEALTHY, Action, Alarm, AlarmState, Decision, OutMessage, Phase

pytestmark = pytest.mark.broker

UTC_S = 1_700_000_000.0


def step(link: Link, now_s: float) -> None:
    """One control step with one change: an alarm of its own is raised in odd seconds, gone in even ones."""
    alarm = Alarm(f"a{now_s:.0f}", AlarmState.UNACKNOWLEDGED, Action.WARN, "high", True, now_s, "m", "r")
    decision = Decision(
        Phase.TENDING, 93.0, 0.05, 0.3, pit_c=90.0 + now_s % 7, alarms=(alarm,) if now_s % 2 else ()
    )
    link.offer(decision, HEALTHY, now_s, UTC_S + now_s)


class Taker:
    """A connection that takes what a library would: no topic with a wildcard."""

    connected, generation = True, 1

    def __init__(self) -> None:
        self.bodies: list[bytes] = []

    def publish(self, topic: str, body: bytes, **_more: object) -> int | None:
        if set(topic) & set("+#"):
            return None
        self.bodies.append(body)
        return len(self.bodies)

    def fits(self, _topic: str, _body: bytes) -> bool:
        return True


@pytest.mark.parametrize(
    ("topic", "body"),
    [
        ("coalminder/kettle/alarm/a", '{"code": "a'),
        ("coalminder/kettle/alarm/a", "[]"),
        ("coalminder/+ettle/alarm/a", "{}"),  # k and + differ by one bit
    ],
)
def test_a_message_that_a_worn_disk_has_spoilt_holds_up_no_other(topic: str, body: str) -> None:
    outbox, taker = MemoryOutbox(), Taker()
    for message in (OutMessage(topic, body, UTC_S), OutMessage("coalminder/kettle/alarm/b", "{}", UTC_S)):
        outbox.post(message)
    delivery = Delivery(outbox, taker)  # type: ignore[arg-type]
    delivery.renew()
    delivery.pump(UTC_S)
    assert taker.bodies == [b'{"seq": 2, "late": false}']
    assert [number for number, _ in outbox.undelivered(9)] == [2], "it waits for the broker's word"


@dataclass
class Outage:
    """What a watcher saw of an outage of `seconds` steps, and how long after the return."""

    raised: list[dict[str, object]]
    states: list[dict[str, object]]
    delivered_in_s: float
    grown_mb: float


def outage(broker: Mosquitto, outbox: Outbox, seconds: int, pause: Callable[[], None]) -> Outage:
    """Run an outage. `pause` comes between steps after the return of the broker."""
    link = Link(LinkOptions(host=broker.host, port=broker.port), outbox=outbox)
    link.start()
    wait_for(lambda: link.connected)
    step(link, 0.0)
    broker.kill()
    wait_for(lambda: not link.connected)
    before_mb = rss_mb()
    for second in range(1, seconds + 1):
        step(link, float(second))
    grown_mb = rss_mb() - before_mb
    broker.start()
    with Watcher(broker, ("coalminder/kettle/alarm/+", "coalminder/kettle/state/late")) as watcher:
        wait_for(lambda: link.connected)
        returned_s, second = time.monotonic(), seconds

        def raised() -> list[dict[str, object]]:
            bodies = [json.loads(m.payload) for m in watcher.on("coalminder/kettle/alarm/+")]
            return [b for b in bodies if b["active"] and b["change"] and 1 <= int(b["code"][1:]) <= seconds]

        def all_told() -> bool:  # the states, one in 10 s, come behind the alarms
            late = watcher.on("coalminder/kettle/state/late")
            return len(watcher.messages) >= 1.1 * seconds and len(late) >= seconds // 10

        while not all_told() and time.monotonic() < returned_s + 60:
            second += 1
            step(link, float(second))
            pause()
        wait_for(lambda: len(raised()) >= seconds // 2)
        arrivals = {m.topic: at for m, at in zip(watcher.messages, watcher.arrivals, strict=True)}
        took_s = max(arrivals[f"coalminder/kettle/alarm/a{n}"] for n in range(1, seconds + 1, 2)) - returned_s
        states = [json.loads(m.payload) for m in watcher.on("coalminder/kettle/state/late")]
        link.stop()
        return Outage(raised(), states, took_s, grown_mb)


def check(seen: Outage, seconds: int) -> None:
    assert [b["code"] for b in seen.raised] == [f"a{n}" for n in range(1, seconds + 1, 2)]
    assert all(b["late"] for b in seen.raised)
    assert all(s["late"] for s in seen.states)
    assert [s["utc"] for s in seen.states] == sorted({str(s["utc"]) for s in seen.states})
    seqs = [int(str(b["seq"])) for b in seen.raised]
    assert seqs == sorted(set(seqs))


def test_alarms_and_states_of_an_outage_arrive_in_order_and_marked_late(mosquitto: Mosquitto) -> None:
    seen = outage(mosquitto, MemoryOutbox(), 300, lambda: time.sleep(0.05))
    check(seen, 300)
    assert len(seen.states) == 30  # one in 10 s


def test_journal_carries_the_outage_over_a_restart_of_the_daemon(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    mosquitto.kill()
    start = Start(__version__, {}, UTC_S, None)
    journal = Journal(tmp_path, start)
    link = Link(LinkOptions(port=mosquitto.port), outbox=journal)
    link.start()
    for second in range(1, 51):
        step(link, float(second))
    link.stop(0.5)
    assert journal.flush()
    journal.close()
    found = resume(tmp_path, int, UTC_S + 60)  # no step was recorded; the outbox survives all the same
    assert len(found.undelivered) >= 50
    mosquitto.start()
    journal = Journal(tmp_path, start, found)
    with Watcher(mosquitto, "coalminder/kettle/alarm/+") as watcher:
        link = Link(LinkOptions(port=mosquitto.port), outbox=journal)
        link.start()
        wait_for(lambda: link.connected)
        now_s = 100.0

        def all_there() -> bool:
            nonlocal now_s
            now_s += 1.0
            step(link, now_s)
            return len(first_fifty(watcher)) >= 25

        wait_for(all_there)
        link.stop()
    journal.close()
    assert [b["code"] for b in first_fifty(watcher)] == [f"a{n}" for n in range(1, 51, 2)]
    assert all(b["late"] for b in first_fifty(watcher))


def first_fifty(watcher: Watcher) -> list[dict[str, object]]:
    bodies = [json.loads(m.payload) for m in list(watcher.messages)]
    return [b for b in bodies if b["active"] and b["change"] and int(b["code"][1:]) <= 50]


def test_frozen_broker_is_given_up_and_its_unconfirmed_alarms_are_sent_again(mosquitto: Mosquitto) -> None:
    link = Link(LinkOptions(port=mosquitto.port, keepalive_s=5))
    link.start()
    wait_for(lambda: link.connected)
    step(link, 0.0)
    mosquitto.freeze()
    began = time.monotonic()
    for second in range(1, 101):
        step(link, float(second))
    assert time.monotonic() - began < 1.0  # a frozen broker does not hold the loop up
    wait_for(lambda: not link.connected, 15)
    mosquitto.kill()
    mosquitto.start()
    with Watcher(mosquitto, "coalminder/kettle/alarm/+") as watcher:
        wait_for(lambda: link.connected)
        step(link, 101.0)
        wait_for(
            lambda: {f"a{n}" for n in range(1, 101, 2)} <= {m.topic.split("/")[-1] for m in watcher.messages}
        )
        assert all(json.loads(m.payload)["late"] for m in watcher.on("coalminder/kettle/alarm/a99"))
    link.stop()


def test_outbox_in_memory_is_bounded_and_keeps_the_newest() -> None:
    outbox = MemoryOutbox(limit=3)
    ids = [outbox.post(OutMessage("t", str(n), float(n))) for n in range(5)]
    assert ids == sorted(set(ids))
    assert [message.body for _, message in outbox.undelivered(10)] == ["2", "3", "4"]
    outbox.delivered(ids[3])
    outbox.delivered(999)
    assert [message.body for _, message in outbox.undelivered(1)] == ["2"]


def test_late_states_do_not_crowd_out_alarms() -> None:
    """24 h without a broker: at most 1320 states wait, of the journal's 5000 places."""
    outbox = MemoryOutbox()
    link = Link(LinkOptions(), outbox=outbox)
    calm = Decision(Phase.TENDING, 93.0, 0.05, 0.3, pit_c=92.0)
    for second in range(0, 24 * 3600, 5):
        link.offer(calm, HEALTHY, float(second), UTC_S + second)
    assert len(outbox) == 1320


def test_an_alarm_does_not_queue_behind_the_history_of_an_outage(mosquitto: Mosquitto) -> None:
    """A far broker that takes one message at a time would make it wait for minutes."""
    outbox = MemoryOutbox()
    for number in range(WINDOW + 300):
        outbox.post(OutMessage("coalminder/kettle/state/late", "{}", UTC_S + number, retain=False))
    link = Link(LinkOptions(port=mosquitto.port), outbox=outbox, alarm_codes=("fire_out",))
    with Watcher(mosquitto, ("coalminder/kettle/alarm/+", "coalminder/kettle/state/late")) as watcher:
        link.start()
        wait_for(lambda: link.connected)
        alarm = Alarm("a1", AlarmState.UNACKNOWLEDGED, Action.WARN, "high", True, 0.0, "m", "r")
        raised = Decision(Phase.TENDING, 93.0, 0.05, 0.3, alarms=(alarm,))
        for second in range(4):
            link.offer(raised, HEALTHY, float(second), UTC_S + 5000.0 + second)
            wait_for(lambda: link._delivery.settle() is not None and not link._delivery._in_flight)
        watcher.wait("coalminder/kettle/alarm/a1", 2)
        watcher.wait("coalminder/kettle/alarm/fire_out")  # nor does the word of how all alarms stand
        assert len(watcher.on("coalminder/kettle/state/late")) <= 4 * HISTORY
        while outbox.undelivered(1):
            link.offer(raised, HEALTHY, 5.0, UTC_S + 5005.0)
        assert len(watcher.wait("coalminder/kettle/state/late", WINDOW + 300)) == WINDOW + 300
    link.stop()


def rss_mb() -> float:
    """Resident memory of this process in MB."""
    text = Path("/proc/self/statm").read_text(encoding="ascii")
    return int(text.split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder))
        broker.start()
        journal = Journal(Path(folder) / "cooks", Start(__version__, {}, UTC_S, None))
        seen = outage(broker, journal, 3600, lambda: time.sleep(1.0))
        check(seen, 3600)
        journal.close()
        broker.kill()
    print(
        f"3600 alarm changes in the outage, {len(seen.raised)} of them raised: none lost, in order; "
        f"last one {seen.delivered_in_s:.1f} s after reconnecting (window {WINDOW} a step); "
        f"{len(seen.states)} late states; {seen.grown_mb:.1f} MB of memory for them"
    )


if __name__ == "__main__":
    main()
