"""The link on a real mosquitto: what is retained, what is answered, what happens without a broker."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import signal
import socket
import subprocess
import threading
import time
import tracemalloc
import uuid
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import paho.mqtt.client as paho
import pytest
from brokers import OPEN, Mosquitto, Watcher, free_port, wait_for
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from coalminder.core import Config, initial, step
from coalminder.events import SetPoint, Snuff
from coalminder.messages.connection import QUEUED, Connection, _disconnect
from coalminder.messages.food_part import FoodPart
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.values import (
    HEALTHY,
    Action,
    Alarm,
    AlarmState,
    Decision,
    Inputs,
    Outcome,
    OutMessage,
    Phase,
    Reading,
)

pytestmark = pytest.mark.broker

OLD = "2026-04-11T16:00:00Z"
CALM = Decision(Phase.TENDING, 93.0, 0.05, 0.3, pit_c=92.5, in_band=True)


def alarm(
    code: str = "pit_high", state: AlarmState = AlarmState.UNACKNOWLEDGED, raised_s: float = 0.0
) -> Alarm:
    return Alarm(code, state, Action.WARN, "high", True, 0.0, "the pit is hot", "shut the lower vent")


def decision(*alarms: Alarm, pit_c: float = 92.5) -> Decision:
    return Decision(Phase.TENDING, 93.0, 0.05, 0.3, pit_c=pit_c, alarms=alarms)


def link_to(broker: Mosquitto, **options: object) -> Link:
    return Link(LinkOptions(host=broker.host, port=broker.port, **options))  # type: ignore[arg-type]


@contextlib.contextmanager
def strict(folder: Path, conf: str) -> Iterator[tuple[Mosquitto, Link]]:
    """A broker with `conf` beside the usual, and a link that is connected to it."""
    broker = Mosquitto(folder, OPEN + conf)
    broker.start()
    link = link_to(broker)
    link.start()
    wait_for(lambda: link.connected)
    yield broker, link
    link.stop()
    broker.stop()


def access_list(folder: Path) -> Path:
    """One that lets the daemon publish its state and nothing else."""
    path = folder / "acl"
    path.write_text("topic read #\ntopic write coalminder/kettle/state\n", "utf-8")
    return path


@pytest.fixture
def link(mosquitto: Mosquitto) -> Iterator[Link]:
    link = link_to(mosquitto)
    link.start()
    wait_for(lambda: link.connected)
    yield link
    link.stop()


def command(**fields: object) -> bytes:
    return json.dumps(
        {"id": str(uuid.uuid4()), "issued_utc": datetime.now(UTC).isoformat(), **fields}
    ).encode()


@pytest.mark.parametrize(("phase", "expires"), [(Phase.OUT, False), (Phase.TENDING, True)])
def test_only_the_state_of_a_fire_grows_too_old_to_keep(
    mosquitto: Mosquitto, link: Link, phase: Phase, expires: bool
) -> None:
    """MQTT 5, 3.3.2.3.3: what came with an expiry interval comes with what is left of it."""
    for second in range(3):
        link.offer(Decision(phase, 93.0, 0.0, 0.0), HEALTHY, float(second), time.time())
    with Watcher(mosquitto, "coalminder/kettle/state") as late:
        wait_for(lambda: late.messages)
        assert json.loads(late.messages[-1].payload)["phase"] == phase.value
        assert hasattr(late.messages[-1].properties, "MessageExpiryInterval") is expires


def test_who_sees_the_daemon_online_is_heard(mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    subscribe = paho.Client.subscribe

    def late(self: paho.Client, *args: object, **more: object) -> object:
        time.sleep(0.3)  # a busy machine
        return subscribe(self, *args, **more)  # type: ignore[arg-type]

    def ask(client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        if message.payload == b"online":
            client.publish("coalminder/kettle/command/snuff", command(), qos=1)

    with Watcher(mosquitto, "coalminder/#") as watcher:
        watcher.client.message_callback_add("coalminder/kettle/availability", ask)
        monkeypatch.setattr(paho.Client, "subscribe", late)
        link = link_to(mosquitto)
        link.start()
        heard: list[object] = []

        def snuffed() -> bool:
            for pit_dc in range(100):
                link.offer(decision(pit_c=pit_dc / 10), HEALTHY, 0.0, time.time())
            heard.extend(link.take_events())
            return bool(heard)

        wait_for(snuffed, 5.0, "the command")
        link.stop()


def known_when_online(hub: Watcher, link: Link, stage: str, *alarms: Alarm) -> dict[str, bytes]:
    """What a hub has of each topic when the daemon of `link` tells it that it is there."""

    def told() -> bool:
        link.offer_part("food", FoodPart(stage=stage))
        link.offer(decision(*alarms), HEALTHY, 0.0, time.time())
        return any(m.payload == b"online" and not m.retain for m in list(hub.messages))

    wait_for(told)
    known = {}
    for message in list(hub.messages):
        known[message.topic.removeprefix("coalminder/kettle/")] = message.payload
        if message.payload == b"online" and not message.retain:
            break
    return known


def test_what_the_last_cook_left_is_replaced_before_the_daemon_says_online(mosquitto: Mosquitto) -> None:
    """A hub shows what it has of a device as soon as that is available: an automation would tell of the
    alarm, and of the food that was done, of the cook before.
    """
    for stage, alarms in (("resting", (alarm("fire_out"),)), ("waiting", ())):
        link = Link(LinkOptions(host=mosquitto.host, port=mosquitto.port), alarm_codes=["fire_out"])
        link.start()
        wait_for(lambda link=link: link.connected)  # type: ignore[misc]
        with Watcher(mosquitto, "coalminder/kettle/#") as hub:
            known = known_when_online(hub, link, stage, *alarms)
            assert json.loads(known["alarm/fire_out"])["active"] is bool(alarms)
            assert json.loads(known["part/food"])["stage"] == stage
            assert len(json.loads(known["state"])["alarms"]) == len(alarms)
            link._connection._client._sock.close()  # type: ignore[union-attr]  # as a power cut would
            wait_for(lambda hub=hub: hub.messages[-1].payload == b"offline")  # type: ignore[misc]
        link.stop()


def test_online_waits_for_what_was_left_over_from_the_time_without_a_broker(mosquitto: Mosquitto) -> None:
    """The repeat of every alarm follows the late messages, and `online` follows that."""
    link = Link(LinkOptions(host=mosquitto.host, port=mosquitto.port), alarm_codes=["fire_out"])
    left_over = alarm("pit_high")
    link.offer(decision(left_over), HEALTHY, 0.0, time.time())
    with Watcher(mosquitto, "coalminder/kettle/#") as hub:
        link.start()
        wait_for(lambda: link.connected)
        known = known_when_online(hub, link, "waiting", left_over)
        assert json.loads(known["alarm/pit_high"])["active"]
        assert not json.loads(known["alarm/fire_out"])["active"]
    link.stop()


def test_what_is_said_again_takes_no_place_from_an_alarm_in_the_queue_of_a_phone_asleep(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The food is told every 10 s, `online` every minute: the first fills the 5000 places in 14 h, the other
    on a broker of three grills in 28 h, and mosquitto drops what is new.
    """
    monkeypatch.setattr("coalminder.messages.link.ONLINE_EVERY_S", 0.0)
    keeps = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    keeps.SessionExpiryInterval = 86_400
    heard: list[str] = []

    def connect(broker: Mosquitto) -> paho.Client:
        phone = paho.Client(CallbackAPIVersion.VERSION2, "phone", protocol=paho.MQTTv5)
        phone.on_message = lambda _c, _u, message: heard.append(message.topic)
        phone.connect(broker.host, broker.port, clean_start=False, properties=keeps)
        phone.loop_start()
        return phone

    with strict(tmp_path, "max_queued_messages 50\n") as (broker, link):
        phone = connect(broker)
        subscribed = threading.Event()
        phone.on_subscribe = lambda *_: subscribed.set()
        phone.subscribe("coalminder/#", qos=1)
        assert subscribed.wait(5.0)
        phone.disconnect()
        phone.loop_stop()
        with Watcher(broker, "coalminder/kettle/alarm/+") as awake:
            for second in range(0, 2000, 10):
                link.offer_part("food", FoodPart(stage="cooking", at_s=float(second)))
                link.offer(CALM, HEALTHY, 0.0, 0.0)
            link.offer(decision(alarm("fire_out")), HEALTHY, 0.0, time.time())
            awake.wait("#")
        phone = connect(broker)
        wait_for(lambda: "coalminder/kettle/alarm/fire_out" in heard, 5.0, "the alarm")
        phone.disconnect()
        phone.loop_stop()


def read(message: object) -> dict[str, object]:
    return json.loads(message.payload)  # type: ignore[attr-defined,no-any-return]


def test_state_is_retained_with_units_and_utc(mosquitto: Mosquitto, link: Link) -> None:
    with Watcher(mosquitto, "coalminder/kettle/state") as early:
        link.offer(CALM, HEALTHY, 10.0, 1_700_000_000.0)
        early.wait("coalminder/kettle/state")
    with Watcher(mosquitto, "coalminder/kettle/#") as watcher:
        message = watcher.wait("coalminder/kettle/state")[0]
        assert message.retain
        state = read(message)
        assert (state["pit_c"], state["phase"], state["utc"]) == (92.5, "tending", "2023-11-14T22:13:20Z")
        assert watcher.wait("coalminder/kettle/availability")[0].payload == b"online"


def test_unchanged_state_waits_until_it_is_due(mosquitto: Mosquitto, link: Link) -> None:
    with Watcher(mosquitto, "coalminder/kettle/state") as watcher:
        for second in range(11):
            link.offer(CALM, HEALTHY, float(second), 1_700_000_000.0 + second)
        link.publish("coalminder/kettle/state", "end")
        messages = watcher.wait("coalminder/kettle/state", 4)
        utcs = [read(m)["utc"] for m in messages[:-1]]
    assert utcs == ["2023-11-14T22:13:20Z", "2023-11-14T22:13:25Z", "2023-11-14T22:13:30Z"]


def test_every_change_of_an_alarm_is_sent_and_its_return_to_normal(mosquitto: Mosquitto, link: Link) -> None:
    with Watcher(mosquitto, "coalminder/kettle/alarm/+") as watcher:
        link.offer(decision(alarm()), HEALTHY, 5.0, 1_700_000_005.0)
        link.offer(decision(alarm()), HEALTHY, 6.0, 1_700_000_006.0)
        link.offer(decision(alarm(state=AlarmState.ACKNOWLEDGED)), HEALTHY, 7.0, 1_700_000_007.0)
        link.offer(decision(), HEALTHY, 8.0, 1_700_000_008.0)
        wait_for(lambda: len(changes(watcher)) == 3)
    assert [m["state"] for m in changes(watcher)] == ["unacknowledged", "acknowledged", "normal"]
    assert changes(watcher)[0]["raised_utc"] == "2023-11-14T22:13:20Z"
    assert not any(m["late"] for m in changes(watcher))


def changes(watcher: Watcher) -> list[dict[str, object]]:
    return [m for m in map(read, watcher.on("coalminder/kettle/alarm/+")) if m["change"]]


def test_command_becomes_an_event_and_is_answered_on_its_response_topic(
    mosquitto: Mosquitto, link: Link
) -> None:
    link.offer(CALM, HEALTHY, 0.0, time.time())
    with Watcher(mosquitto, "coalminder/kettle/reply/#") as phone:
        properties = Properties(PacketTypes.PUBLISH)
        properties.ResponseTopic = "coalminder/kettle/reply/phone-1"
        properties.CorrelationData = b"\x00\x01"
        properties.UserProperty = ("client", "phone-1")
        phone.client.publish(
            "coalminder/kettle/command/set_point", command(temp_c=95.0), qos=1, properties=properties
        )
        events: list[object] = []
        wait_for(lambda: events.extend(link.take_events()) or events)
        event = events[0]
        assert isinstance(event, SetPoint)
        assert event.temp_c == 95.0
        link.answer([Outcome(event.event_id, True)])
        reply = phone.wait("coalminder/kettle/reply/phone-1")[0]
    assert read(reply)["accepted"] is True
    assert reply.properties.CorrelationData == b"\x00\x01"  # MQTT 5, 3.3.2.3.6: given back unchanged
    record = link.take_records()[0]
    assert (record.client, record.kind, record.accepted) == ("phone-1", "set_point", True)


def test_retained_commands_are_refused_with_a_reply_even_an_old_snuff(mosquitto: Mosquitto) -> None:
    with Watcher(mosquitto, "coalminder/kettle/reply") as phone:
        phone.client.publish(
            "coalminder/kettle/command/snuff", command(issued_utc=OLD), qos=1, retain=True
        ).wait_for_publish(5)
        phone.client.publish(
            "coalminder/kettle/command/set_point", command(temp_c=95.0), qos=1, retain=True
        ).wait_for_publish(5)
        link = link_to(mosquitto)
        link.start()
        wait_for(lambda: link.connected)
        deadline = time.monotonic() + 5
        while len(phone.on("#")) < 2 and time.monotonic() < deadline:
            assert link.take_events() == ()
            time.sleep(0.01)
        replies = [read(m) for m in phone.wait("coalminder/kettle/reply", 2)]
        link.stop()
    assert {reply["kind"] for reply in replies} == {"snuff", "set_point"}
    assert all("retain" in str(reply["reason"]) and not reply["accepted"] for reply in replies)


def test_malformed_snuff_is_obeyed(mosquitto: Mosquitto, link: Link) -> None:
    with Watcher(mosquitto, "coalminder/kettle/reply") as phone:
        phone.client.publish("coalminder/kettle/command/snuff", b"\xff{", qos=1)
        events: list[object] = []
        wait_for(lambda: events.extend(link.take_events()) or events)
    assert isinstance(events[0], Snuff)


def test_each_snuff_of_one_step_is_answered_to_who_asked(mosquitto: Mosquitto, link: Link) -> None:
    same = command(id="c-1")
    bodies = [same, same, b"", b"off", b"x" * 5000, command(id="c-2", issued_utc=OLD, mood="bad")]
    with Watcher(mosquitto, "coalminder/kettle/reply/+") as phone:
        for number, body in enumerate(bodies):
            asked = Properties(PacketTypes.PUBLISH)
            asked.ResponseTopic = f"coalminder/kettle/reply/{number}"
            topic = "coalminder/kettle/command/snuff"
            phone.client.publish(topic, body, qos=1, properties=asked).wait_for_publish(5)
        wait_for(lambda: len(link._inbox._waiting) == len(bodies))
        state, taken = initial(Config()), link.take_events()
        link.answer(step(state, Inputs(Reading(93.0), events=taken), 0.0)[1].outcomes)
        replies = phone.wait("#", len(bodies))
    assert [m.topic[-1] for m in replies] == [str(number) for number in range(len(bodies))]
    assert [read(m)["id"] for m in replies] == ["c-1", "c-1", "", "", "", "c-2"]
    assert all(read(m)["accepted"] for m in replies)


def test_dropped_daemon_is_reported_offline_by_its_will(mosquitto: Mosquitto, link: Link) -> None:
    link.offer(CALM, HEALTHY, 0.0, 0.0)
    with Watcher(mosquitto, "coalminder/kettle/availability") as watcher:
        watcher.wait("coalminder/kettle/availability")
        link._connection._client._sock.close()  # type: ignore[union-attr]  # as a power cut would
        payloads = [m.payload for m in watcher.wait("coalminder/kettle/availability", 2)]
    assert payloads[:2] == [b"online", b"offline"]


def test_a_daemon_that_tends_does_not_stay_offline(
    mosquitto: Mosquitto, link: Link, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nor when a second program of its name, or a will of an older connection, said so."""
    topic = "coalminder/kettle/availability"
    with Watcher(mosquitto, topic) as phone:
        link.offer(CALM, HEALTHY, 0.0, 1000.0)
        phone.wait("#")
        monkeypatch.setattr("coalminder.messages.link.ONLINE_EVERY_S", 0.1)
        phone.client.publish(topic, "offline", qos=1, retain=True)
        phone.wait("#", 2)
        time.sleep(0.1)
        link.offer(CALM, HEALTHY, 1.0, 1001.0)
        assert phone.wait("#", 3)[-1].payload == b"online"


def test_stopped_daemon_says_offline_within_its_time(mosquitto: Mosquitto) -> None:
    link = link_to(mosquitto)
    link.start()
    wait_for(lambda: link.connected)
    link.offer(decision(alarm()), HEALTHY, 0.0, 0.0)
    began = time.monotonic()
    link.stop(2.0)
    assert time.monotonic() - began < 2.0
    with Watcher(mosquitto, "coalminder/kettle/#") as watcher:
        assert watcher.wait("coalminder/kettle/availability")[0].payload == b"offline"
        assert read(watcher.wait("coalminder/kettle/alarm/pit_high")[0])["state"] == "unacknowledged"


def test_alarms_raised_without_a_broker_arrive_in_order_and_late(mosquitto: Mosquitto, link: Link) -> None:
    with Watcher(mosquitto, "coalminder/kettle/alarm/+") as before:
        link.offer(decision(alarm("first")), HEALTHY, 0.0, 1_700_000_000.0)
        before.wait("coalminder/kettle/alarm/first")
    mosquitto.kill()
    wait_for(lambda: not link.connected)
    assert link.trouble
    for second in range(1, 51):
        link.offer(decision(alarm(f"a{second}")), HEALTHY, float(second), 1_700_000_000.0 + second)
    assert link.lost_s(50.0) == pytest.approx(50.0)
    mosquitto.start()
    with Watcher(mosquitto, "coalminder/kettle/alarm/+") as watcher:
        second = 51.0

        def caught_up() -> bool:
            nonlocal second
            second += 1
            link.offer(decision(), HEALTHY, second, 1_700_000_000.0 + second)
            return len([m for m in changes(watcher) if m["state"] == "unacknowledged"]) >= 50

        wait_for(caught_up, 15)
    raised = [m for m in changes(watcher) if m["state"] == "unacknowledged"]
    assert [m["code"] for m in raised] == [f"a{n}" for n in range(1, 51)]
    assert all(m["late"] for m in raised)
    seqs = [m["seq"] for m in changes(watcher)]
    assert seqs == sorted(set(seqs))  # type: ignore[type-var]
    assert link.lost_s(second) == 0.0


SAID = "another program uses our client id"  # a broker that tells it


def test_two_daemons_of_one_name_throw_each_other_out_less_and_less_often(
    mosquitto: Mosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    """And say why: mosquitto 2.0.11 does not tell it, the log read 'connection lost: Unspecified error'."""
    daemons = link_to(mosquitto), link_to(mosquitto)
    for daemon in daemons:
        daemon.start()
    time.sleep(3.0)
    connections = [daemon._connection.generation for daemon in daemons]
    assert 2 <= sum(connections) <= 12  # waits of 0.2, 0.4, 0.8, 1.6 s
    wait_for(lambda: "another grill there has the name 'kettle'" in caplog.text or SAID in caplog.text, 20.0)
    for daemon in daemons:
        daemon.stop()


def test_step_that_cannot_be_told_does_not_stop_tending(mosquitto: Mosquitto, link: Link) -> None:
    broken = Alarm("no such/code", AlarmState.NORMAL, Action.WARN, "urgent", True, 0.0, "", "")  # type: ignore[arg-type]
    link.offer(decision(broken), HEALTHY, 0.0, 1_700_000_000.0)
    link.offer(CALM, HEALTHY, 1.0, 1_700_000_001.0)
    with Watcher(mosquitto, "coalminder/kettle/state") as watcher:
        watcher.wait("coalminder/kettle/state")


def test_unknown_host_is_said_in_one_line_and_the_link_stops_in_time() -> None:
    link = Link(LinkOptions(host="no-such-host.invalid"))
    link.start()
    wait_for(lambda: "no-such-host.invalid:1883: " in link.trouble)
    began = time.monotonic()
    link.stop(1.0)
    assert time.monotonic() - began < 1.5
    assert "\n" not in link.trouble


def test_link_starts_and_goes_on_without_a_broker() -> None:
    link = Link(LinkOptions(port=free_port()))
    began = time.monotonic()
    link.start()
    for second in range(100):
        link.offer(decision(alarm()), HEALTHY, float(second), float(second))
        assert link.take_events() == ()
    assert time.monotonic() - began < 1.0
    assert not link.connected
    link.stop(1.0)


def test_two_probes_may_share_a_topic(mosquitto: Mosquitto) -> None:
    """One gateway, one message, the pit and a food in two fields of it."""
    link, seen = link_to(mosquitto), list[str]()
    link.on_topic("probes/both", lambda _payload, _retained: seen.append("pit"))
    link.on_topic("probes/both", lambda _payload, _retained: seen.append("food"))
    link.start()
    wait_for(lambda: link.connected)
    link.publish("probes/both", b"{}")
    wait_for(lambda: len(seen) == 2)
    link.stop()
    assert seen == ["pit", "food"]


@pytest.mark.parametrize("issued", ["0001-01-01T00:00:00+01:00", "9999-12-31T23:59:59-01:00"])
def test_a_time_that_no_clock_shows_is_refused(mosquitto: Mosquitto, link: Link, issued: str) -> None:
    with Watcher(mosquitto, "coalminder/kettle/none") as phone:
        phone.client.publish("coalminder/kettle/command/ease", command(issued_utc=issued), qos=1)
        records: list[object] = []

        def judged() -> bool:
            assert not link.take_events()
            records.extend(link.take_records())
            return bool(records)

        wait_for(judged)
    assert records[0].accepted is False  # type: ignore[attr-defined]
    assert "years 1 to 9999" in records[0].reason  # type: ignore[attr-defined]


def test_a_message_too_large_for_the_broker_does_not_end_the_connection(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with strict(tmp_path, "max_packet_size 4000\n") as (_, link):
        assert not link.publish("big", b"x" * 5000)
        assert link.publish("small", b"x" * 3000)
        wait_for(lambda: "big is too large for the broker, which takes 4000 bytes" in caplog.text)
        assert link.connected


@pytest.mark.parametrize(("version", "limit"), [("3.1.1", "max_packet_size"), ("5", "message_size_limit")])
def test_a_broker_that_ends_the_connection_for_a_large_message_gets_the_others(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, version: str, limit: str
) -> None:
    """mosquitto answers what is over `message_size_limit` by 0x95, no code of a PUBACK (MQTT 5, 3.4.2.1)."""
    broker = Mosquitto(tmp_path, OPEN + f"{limit} 4000\n")
    broker.start()
    link = link_to(broker, mqtt_version=version)
    link.on_connect(lambda: link.publish("announcement", b"x" * 5000, retain=True))
    link.start()
    wait_for(lambda: "5012 bytes is left out from now on" in caplog.text, 20.0)
    wait_for(lambda: link.connected)
    with Watcher(broker, "coalminder/kettle/availability") as phone:
        link.offer(CALM, HEALTHY, 10.0, 1_700_000_000.0)
        phone.wait("coalminder/kettle/availability")
    time.sleep(1.0)
    assert link.connected
    assert "another grill" not in caplog.text  # one cause is told, not two
    link.stop()
    broker.stop()


@pytest.mark.parametrize(("lasted_s", "learned"), [((1, 1, 1), True), ((1, 1, 20, 1), False)])
def test_connections_lost_now_and_then_are_no_packet_limit(
    lasted_s: tuple[float, ...], learned: bool
) -> None:
    """A weak radio drops one after a second, another after twenty; nothing is left out for that."""
    connection = Connection(
        LinkOptions(mqtt_version="3.1.1"),
        will=None,
        on_message=lambda _message: None,
        on_sent=lambda _number, _taken: None,
    )
    connection._largest = 5000
    for one_s in lasted_s:
        connection._learn_limit(True, one_s)
    assert (connection._assumed_bytes is not None) is learned


def test_a_message_that_the_broker_confirmed_is_not_what_ends_the_connection(
    mosquitto: Mosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    """A broker that is restarted again and again lost the hub's announcement, and the log blamed its size."""
    link = link_to(mosquitto, retry_max_s=0.5)
    link.on_connect(lambda: link.publish("announcement", b"x" * 5000, retain=True))
    with Watcher(mosquitto, "announcement") as hub:
        link.start()
        for times in range(4):
            wait_for(lambda: link.connected)
            hub.wait("announcement", times + 1)
            time.sleep(0.2)
            mosquitto.kill()
            wait_for(lambda: "refused" in link.trouble)
            mosquitto.start()
    link.stop()
    assert "left out" not in caplog.text
    assert "another grill" not in caplog.text  # nor a second one of its name


def test_the_size_of_a_message_is_counted_in_bytes(tmp_path: Path) -> None:
    with strict(tmp_path, "max_packet_size 4000\n") as (_, link):
        assert link.publish("text", "x" * 3700)
        assert not link.publish("text", "°" * 3700)


def test_an_answer_that_the_askers_own_data_make_too_large_does_not_end_the_connection(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with strict(tmp_path, "max_packet_size 500\n") as (broker, link), Watcher(broker, "none") as phone:
        asked = Properties(PacketTypes.PUBLISH)
        asked.ResponseTopic, asked.CorrelationData = "coalminder/kettle/reply/me", b"x" * 256
        phone.client.publish("coalminder/kettle/command/ease", b"{}", qos=1, properties=asked)
        wait_for(lambda: link.take_events() or "reply/me is too large" in caplog.text or not link.connected)
        time.sleep(0.2)
        assert link.connected
        assert link._connection.generation == 1


@pytest.mark.parametrize(("length", "kept"), [(0, True), (256, True), (257, False), (60_000, False)])
def test_data_of_the_asker_that_would_make_a_flood_of_its_answers_are_left_out(
    mosquitto: Mosquitto, link: Link, length: int, kept: bool
) -> None:
    """Of 60 kB a thousand answers a second, as many as there may be, would be 60 MB."""
    with Watcher(mosquitto, "coalminder/kettle/reply/#") as phone:
        asked = Properties(PacketTypes.PUBLISH)
        asked.ResponseTopic, asked.CorrelationData = "coalminder/kettle/reply/me", b"x" * length
        phone.client.publish("coalminder/kettle/command/ease", b"{}", qos=1, properties=asked)
        wait_for(lambda: link.take_events() or phone.messages)
        (reply,) = phone.wait("coalminder/kettle/reply/me")
    assert getattr(reply.properties, "CorrelationData", None) == (b"x" * length if kept else None)


def test_long_topics_do_not_fill_the_memory_of_a_flood(mosquitto: Mosquitto, link: Link) -> None:
    """MQTT, 1.5.4: a topic has up to 65 535 bytes."""
    for number in range(1000):
        message = paho.MQTTMessage(topic=b"coalminder/kettle/command/" + b"x" * 50_000)
        message.properties = Properties(PacketTypes.PUBLISH)
        message.properties.ResponseTopic = f"coalminder/kettle/{number}/" + "x" * 50_000
        link._inbox.put(message)
    assert sum(len(one.topic) + len(one.response_topic or "") for one in link._inbox._waiting) < 1e6
    assert link.take_events() == ()


def test_a_late_state_too_large_for_the_broker_holds_no_alarm_up(tmp_path: Path) -> None:
    with strict(tmp_path, "max_packet_size 700\n") as (broker, link):
        broker.kill()
        wait_for(lambda: not link.connected)
        link.offer(CALM, HEALTHY, 10.0, 1000.0)  # kept for later: some 600 bytes
        broker.start()
        wait_for(lambda: link.connected)
        with Watcher(broker, "coalminder/kettle/alarm/+") as phone:
            link.offer(decision(alarm()), HEALTHY, 20.0, 1010.0)
            wait_for(lambda: any(read(m)["change"] for m in phone.on("#")))
        link.offer(decision(alarm()), HEALTHY, 30.0, 1020.0)
        assert link._delivery._outbox.undelivered(1) == ()


def test_what_the_broker_refuses_is_logged_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with strict(tmp_path, f"acl_file {access_list(tmp_path)}\n") as (_, link):
        for second in range(30):  # answers to commands are refused, states between them are not
            link.publish("forbidden/to/us", b"x")
            link.publish(f"forbidden/to/us/{second}", b"x")
            link.offer(decision(pit_c=float(second)), HEALTHY, float(second), 1000.0 + second)
            time.sleep(0.02)
        wait_for(lambda: "refuses messages on forbidden/to/us" in caplog.text)
        assert caplog.text.count("refuses messages on forbidden") == 1


def test_a_command_that_cannot_be_judged_does_not_stop_tending(
    mosquitto: Mosquitto, link: Link, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a defect")

    monkeypatch.setattr("coalminder.messages.inbox.judge", broken)
    with Watcher(mosquitto, "coalminder/kettle/none") as phone:
        phone.client.publish("coalminder/kettle/command/ease", command(), qos=1)
        wait_for(lambda: link.take_events() == () and "could not be judged" in caplog.text)
        monkeypatch.undo()
        phone.client.publish("coalminder/kettle/command/snuff", command(), qos=1)
        wait_for(lambda: any(isinstance(event, Snuff) for event in link.take_events()))


def test_an_alarm_does_not_queue_behind_the_answers_to_a_flood(mosquitto: Mosquitto, link: Link) -> None:
    """Twenty unconfirmed messages are the most at one time: far away it would wait behind hundreds."""
    flood = [paho.MQTTMessage(topic=b"coalminder/kettle/command/ease") for _ in range(500)]
    for message in flood:
        message.payload = b"{}"
    with Watcher(mosquitto, "coalminder/kettle/reply") as phone:
        for message in flood:
            link._inbox.put(message)
        assert link.take_events() == ()
        phone.wait("#", len(flood))  # each is answered all the same
        assert sum(message.qos for message in phone.messages) == 10


def test_a_broker_that_takes_fewer_at_once_is_still_spoken_to_in_mqtt_5(tmp_path: Path) -> None:
    with strict(tmp_path, "max_inflight_messages 10\n") as (_, link):
        assert link.protocol == "5"


def test_a_fresh_command_that_somebody_retains_is_refused(mosquitto: Mosquitto, link: Link) -> None:
    with Watcher(mosquitto, "coalminder/kettle/reply") as phone:
        phone.client.publish("coalminder/kettle/command/ease", command(), qos=1, retain=True)
        phone.client.publish("coalminder/kettle/command/ease", b"", qos=1, retain=True)  # cleared: no command
        deadline = time.monotonic() + 5
        while not phone.on("#") and time.monotonic() < deadline:
            assert link.take_events() == ()
            time.sleep(0.01)
        time.sleep(0.2)
        assert link.take_events() == ()
        (reply,) = [read(m) for m in phone.on("#")]
    assert not reply["accepted"]
    assert "retain" in str(reply["reason"])


def test_an_alarm_that_the_broker_refuses_is_kept_until_it_takes_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("coalminder.messages.delivery.AGAIN_S", 0.2)
    access = access_list(tmp_path)
    with strict(tmp_path, f"acl_file {access}\n") as (broker, link):
        changes = (alarm(), alarm(state=AlarmState.ACKNOWLEDGED))
        with Watcher(broker, "coalminder/kettle/alarm/+") as phone:
            for second in range(60):
                link.offer(decision(changes[second >= 5]), HEALTHY, float(second), 1000.0 + second)
                time.sleep(0.01)
            assert phone.on("#") == []
            assert caplog.text.count("refuses messages on coalminder/kettle/alarm/pit_high: Not") == 1
            assert caplog.text.count("refuses messages") == caplog.text.count("look at its access list")
            access.write_text("topic readwrite #\n", "utf-8")
            os.kill(broker.pid, signal.SIGHUP)  # mosquitto reads its access list again
            second = 60
            while len(phone.on("#")) < 2:
                second += 1
                assert second < 1000, "the alarm was lost"
                link.offer(decision(changes[1]), HEALTHY, float(second), 1000.0 + second)
                time.sleep(0.01)
            told = [read(m)["state"] for m in phone.on("#")][:2]
    assert told == ["unacknowledged", "acknowledged"]  # in order


def test_what_the_broker_refuses_holds_nothing_else_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Late states of long outages, on an access list that does not know them; that of the state it knows."""
    monkeypatch.setattr("coalminder.messages.delivery.WINDOW", 10)
    access = tmp_path / "acl"
    access.write_text("topic read #\ntopic write coalminder/kettle/alarm/#\n", "utf-8")
    with strict(tmp_path, f"acl_file {access}\n") as (broker, link):
        for second in range(25):
            late = OutMessage(link.topics.state_late, "{}", 1000.0 + second, retain=False)
            link._delivery.keep(late, late=True)
        with Watcher(broker, "coalminder/kettle/alarm/+") as phone:
            for second in range(100):
                link.offer(decision(alarm()), HEALTHY, float(second), 2000.0 + second)
                time.sleep(0.01)
            assert [read(m) for m in phone.on("#") if read(m)["change"]]
        assert "refuses messages on coalminder/kettle/state/late: Not authorized" in caplog.text
        assert "refuses messages on coalminder/kettle/state:" not in caplog.text
        assert len(link._delivery._outbox.undelivered(100)) == 25  # kept, as what is refused is


def test_commands_that_may_not_be_heard_are_complained_of_and_asked_for_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("coalminder.messages.connection.AGAIN_S", 0.2)
    with DeafBroker() as broker:
        link = Link(LinkOptions(port=broker.port))
        link.start()
        wait_for(lambda: broker.subscriptions >= 3)
        link.stop()
    assert "refuses the subscription to coalminder/kettle/command/+" in caplog.text


def test_what_a_broker_never_confirms_does_not_pile_up() -> None:
    """Answers to commands, for one, ten in each second."""
    with DeafBroker() as broker:
        link = Link(LinkOptions(port=broker.port, discovery=False))
        link.start()
        wait_for(lambda: link.connected)
        taken = [link.publish("coalminder/kettle/reply", b"x") for _ in range(5000)]
        link.stop()
    assert sum(taken) == QUEUED
    assert not taken[-1]


def test_another_broker_in_the_place_of_the_first_may_be_older() -> None:
    with DeafBroker() as broker:
        link = Link(LinkOptions(port=broker.port, retry_max_s=0.1))
        link.start()
        wait_for(lambda: link.connected)
        assert link.protocol == "5"
        broker.old = True
        link._connection.redial("the network")
        wait_for(lambda: link.connected)
        assert link.protocol == "3.1.1"
        link.stop()


def test_a_broker_that_thinks_longer_than_one_without_mqtt_5_is_waited_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As long as connect_timeout_s says: it may be far away, or look names up."""
    monkeypatch.setattr("coalminder.messages.connection.FIRST_ANSWER_S", 0.2)
    with DeafBroker() as broker:
        broker.answers_after_s = 0.5
        link = Link(LinkOptions(port=broker.port, retry_max_s=0.5))
        link.start()
        wait_for(lambda: link.connected, 10.0, "the slow broker")
        assert link.protocol == "5"
        link.stop()


@pytest.mark.parametrize("known", [True, False], ids=["known", "at the start"])
def test_a_broker_that_was_frozen_is_spoken_to_in_its_version_again(
    mosquitto: Mosquitto, known: bool
) -> None:
    """It answers the try that is under way when it thaws, and that may be one of the other version."""
    link = link_to(mosquitto, connect_timeout_s=0.3, retry_max_s=0.1)
    if known:
        link.start()
        wait_for(lambda: link.connected)
    mosquitto.freeze()
    if known:
        link._connection.redial("the network")
    else:
        link.start()
    wait_for(lambda: link.protocol == "3.1.1", 20.0)
    mosquitto.thaw()
    wait_for(lambda: link.connected, 20.0)
    assert link.protocol == "5"
    link.stop()


def test_a_broker_that_confirms_nothing_is_no_broker(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("coalminder.messages.delivery.DEAF_S", 0.3)
    with DeafBroker() as broker:
        link = Link(LinkOptions(port=broker.port, discovery=False))
        link.start()
        wait_for(lambda: link.connected)
        began_s = time.monotonic()
        while broker.connections < 3 and time.monotonic() - began_s < 10.0:  # it is dialled again, twice
            link.offer(decision(alarm()), HEALTHY, time.monotonic() - began_s, 0.0)
            time.sleep(0.02)
        lost_s = link.lost_s(time.monotonic() - began_s)
        link.stop()
    assert broker.connections >= 3
    assert lost_s > 0.5  # a new connection alone does not make it a broker again
    assert "has confirmed no message" in caplog.text


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_farewell_that_was_not_confirmed_leaves_it_to_the_will(mosquitto: Mosquitto, version: str) -> None:
    link = link_to(mosquitto, mqtt_version=version)
    link.start()
    wait_for(lambda: link.connected)
    link.offer(CALM, HEALTHY, 0.0, 0.0)
    with Watcher(mosquitto, "coalminder/kettle/availability") as watcher:
        watcher.wait("coalminder/kettle/availability")
        link._connection.stop(2.0, farewell=False)
        assert watcher.wait("coalminder/kettle/availability", 2)[1].payload == b"offline"


def test_a_wire_that_breaks_while_it_stops_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """It would keep the record from being closed."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    with socket.socket() as broken:  # as after a reset: shutdown(2) says ENOTCONN
        monkeypatch.setattr(client, "socket", lambda: broken)
        _disconnect(client, will=True)


def test_a_stop_knows_whether_its_farewell_was_confirmed(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    for frozen in (False, True):
        link = link_to(mosquitto)
        link.start()
        wait_for(lambda link=link: link.connected)  # type: ignore[misc]
        link.offer(CALM, HEALTHY, 0.0, 0.0)
        said: list[bool] = []
        stop = link._connection.stop
        monkeypatch.setattr(link._connection, "stop", lambda timeout_s, farewell, s=said: s.append(farewell))
        if frozen:
            mosquitto.freeze()
        link.stop(1.0)
        if frozen:
            mosquitto.thaw()
        stop(1.0)
        assert said == [not frozen]


def test_a_short_lived_password_is_read_again(tmp_path: Path) -> None:
    """As a broker's plug-in, or a person who changes it in the middle of a cook, has it."""
    logins, secret = tmp_path / "logins", tmp_path / "secret"

    def change(word: str) -> None:
        subprocess.run(["mosquitto_passwd", "-b", "-c", str(logins), "grill", word], check=True)
        secret.write_text(f"{word}\n", "utf-8")

    change("first")
    broker = Mosquitto(tmp_path, f"allow_anonymous false\npassword_file {logins}\n")
    broker.start()
    values = {"port": broker.port, "username": "grill", "password_file": secret}
    link = Link(LinkOptions.from_settings(values))
    link.start()
    wait_for(lambda: link.connected)
    change("second")
    broker.stop()
    wait_for(lambda: not link.connected)
    broker.start()
    wait_for(lambda: link.connected)
    link.stop()
    broker.stop()


def test_a_missing_certificate_file_is_looked_for_again(mosquitto: Mosquitto, tmp_path: Path) -> None:
    link = link_to(mosquitto, tls=True, ca_file=tmp_path / "ca.crt", retry_max_s=0.1)
    link.start()
    wait_for(lambda: "No such file" in link.trouble, what=link.trouble)
    (tmp_path / "ca.crt").write_text("no certificate")
    wait_for(lambda: "No such file" not in link.trouble, what=link.trouble)
    assert not link.connected
    link.stop()


@pytest.mark.parametrize("version", ["auto", "5"])
def test_a_broker_that_refuses_mqtt_5_is_no_trouble_where_3_1_1_will_do(
    caplog: pytest.LogCaptureFixture, version: Literal["auto", "5"]
) -> None:
    """`push` by hand ended with 'no broker: refused' as its last word, while it was connected."""
    caplog.set_level("INFO")
    with DeafBroker() as broker:
        broker.old = broker.refuses = True
        link = Link(LinkOptions(port=broker.port, mqtt_version=version, retry_max_s=0.1))
        link.start()
        if version == "auto":
            wait_for(lambda: link.connected)
            assert (link.protocol, "no broker" in caplog.text) == ("3.1.1", False)
        else:
            wait_for(lambda: "refused: Unsupported protocol version" in link.trouble)
            assert "using 3.1.1" not in caplog.text
        link.stop()


@pytest.mark.parametrize("version", ["3.1.1", "5", "auto"])
def test_a_broker_that_hangs_up_without_a_word_is_logged(
    caplog: pytest.LogCaptureFixture, version: Literal["auto", "5", "3.1.1"]
) -> None:
    def hang_up() -> None:
        with contextlib.suppress(OSError):  # the test is over and the server closed
            while True:
                server.accept()[0].close()

    with socket.create_server(("127.0.0.1", 0)) as server:
        threading.Thread(target=hang_up, daemon=True).start()
        link = Link(LinkOptions(port=server.getsockname()[1], mqtt_version=version))
        link.start()
        wait_for(lambda: "hung up without an answer" in caplog.text)
        assert "hung up without an answer" in link.trouble
        link.stop()


def test_a_message_whose_topic_is_no_text_does_not_end_the_network_thread(link: Link) -> None:
    bad = paho.MQTTMessage(topic=b"\xff\xfe")
    with pytest.raises(UnicodeDecodeError):
        _ = bad.topic
    link._connection._received(bad)
    assert link.connected


def test_a_dead_network_thread_is_noticed_and_replaced(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coalminder.messages.connection.AGAIN_S", 0.2)
    link = link_to(mosquitto)
    link.start()
    wait_for(lambda: link.connected)
    generation = link._connection.generation
    client = link._connection._client
    assert client is not None
    client._thread_terminate = True  # its loop ends as if a defect had ended it
    wait_for(lambda: link._connection.generation > generation and link.connected)
    link.stop()


@pytest.mark.parametrize(
    "lack", [OSError(24, "too many open files"), RuntimeError("can't start new thread"), MemoryError()]
)
def test_the_broker_is_dialled_again_after_a_time_without_handles_threads_or_memory(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch, lack: Exception
) -> None:
    """The library needs a pair of sockets and a thread for a connection that the broker has taken."""
    begin, lacks = paho.Client.loop_start, [True]

    def begin_if_any(client: paho.Client) -> MQTTErrorCode:
        if lacks:
            raise lack
        return begin(client)

    monkeypatch.setattr(paho.Client, "loop_start", begin_if_any)
    link = link_to(mosquitto, retry_max_s=0.1)
    link.start()
    wait_for(lambda: (str(lack) or "MemoryError") in link.trouble, what=link.trouble)
    lacks.clear()
    wait_for(lambda: link.connected, what="a connection once there are threads again")
    link.stop()


class DeafBroker:
    """Speaks just enough MQTT 5 to take connections, one after the other, and to answer pings.

    It refuses every subscription (0x87) and confirms no message. `old`: from now on it speaks 3.1.1 alone
    and hangs up on anything else, or says so with 0x01 if it `refuses`. answers_after_s: how long it thinks
    about who connects.
    """

    old, refuses, answers_after_s = False, False, 0.0

    def __enter__(self) -> DeafBroker:
        self.connections = self.subscriptions = 0
        self._stack = contextlib.ExitStack()
        self._server = self._stack.enter_context(socket.create_server(("127.0.0.1", 0)))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                with self._server.accept()[0] as connection:
                    self.connections += 1
                    self._talk(connection)

    def _talk(self, connection: socket.socket) -> None:
        with contextlib.suppress(ConnectionError):
            while head := connection.recv(2, socket.MSG_WAITALL):
                length, shift, byte = 0, 0, head[1]
                while True:
                    length |= (byte & 127) << shift
                    if byte < 128:
                        break
                    shift, byte = shift + 7, connection.recv(1)[0]
                body = connection.recv(length, socket.MSG_WAITALL) if length else b""
                if head[0] >> 4 == 1:
                    if self.old and body[6] != 4:  # after the protocol's name
                        if self.refuses:
                            connection.sendall(b"\x20\x02\x00\x01")
                        return
                    time.sleep(self.answers_after_s)
                    connection.sendall(b"\x20\x02\x00\x00" if self.old else b"\x20\x03\x00\x00\x00")
                elif head[0] >> 4 == 8:
                    self.subscriptions += 1
                    connection.sendall(b"\x90\x04" + body[:2] + b"\x00\x87")
                elif head[0] >> 4 == 12:
                    connection.sendall(b"\xd0\x00")


@contextlib.contextmanager
def sending(packets: Iterable[bytes], version: Literal["5", "3.1.1"]) -> Iterator[Connection]:
    """A connection to a broker that takes it and then sends `packets`; what came is in its `heard`."""
    heard: list[paho.MQTTMessage] = []

    def serve() -> None:
        with contextlib.suppress(OSError):
            wire, _ = server.accept()
            with wire:
                wire.recv(65_536)
                wire.sendall(b"\x20\x03\x00\x00\x00" if version == "5" else b"\x20\x02\x00\x00")
                for packet in packets:
                    wire.sendall(packet)
                while wire.recv(65_536):
                    pass

    with socket.create_server(("127.0.0.1", 0)) as server:
        threading.Thread(target=serve, daemon=True).start()
        options = LinkOptions(port=server.getsockname()[1], mqtt_version=version)
        connection = Connection(
            options, will=None, on_message=heard.append, on_sent=lambda _number, _taken: None
        )
        connection.heard = heard  # type: ignore[attr-defined]
        connection.start()
        yield connection
        connection.stop(5.0)


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_packet_of_200_mb_takes_no_memory_and_what_comes_after_it_is_heard(
    version: Literal["5", "3.1.1"],
) -> None:
    """MQTT 5, 2.1.4: of the length 7 bits in each byte, the lowest first, at most 268 435 455 bytes."""
    head = b"\x00\x01t" + b"\x00" * (version == "5")
    pieces = 200
    size = len(head) + (pieces << 20)
    length = bytes([size & 127 | 128, size >> 7 & 127 | 128, size >> 14 & 127 | 128, size >> 21])
    small = bytes([0x30, len(head) + 2]) + head + b"42"
    packets = itertools.chain([b"\x30" + length + head], itertools.repeat(bytes(1 << 20), pieces), [small])
    tracemalloc.start()
    with sending(packets, version) as connection:
        wait_for(lambda: len(connection.heard) == 2, 60.0)  # type: ignore[attr-defined]
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        long, short = connection.heard  # type: ignore[attr-defined]
    assert peak < 4 << 20, "beside the piece of the broker in this process"
    assert 65_000 < len(long.payload) < 140_000
    assert short.payload == b"42"


def test_messages_that_wait_for_another_word_of_the_broker_are_not_kept() -> None:
    """MQTT 5, 4.3.3: one of QoS 2 is the receiver's until PUBREL. Its QoS is at most the one asked for."""
    kept = (
        bytes([0x34, 0x86, 0x80, 0x04, 0, 1]) + b"t" + number.to_bytes(2) + bytes(65_537)
        for number in range(1, 1001)
    )
    with sending(kept, "5") as connection:
        wait_for(lambda: connection.generation and not connection.connected)
