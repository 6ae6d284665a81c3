"""The page on one side of a real broker, the daemon's own link on the other."""

from __future__ import annotations

import asyncio
import json
import shutil
import subprocess
import time
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from brokers import Mosquitto, Watcher, wait_for

from coalminder.events import Event
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.page import broker as page_broker
from coalminder.page.broker import Answer, Wire
from coalminder.values import HEALTHY, Decision, Outcome, Phase

pytestmark = pytest.mark.broker


class Daemon:
    """The daemon's link, answering commands in a task."""

    def __init__(self, broker: Mosquitto, options: LinkOptions | None = None) -> None:
        self.link = Link(options or LinkOptions.from_url(broker.url, "kettle"))
        self.taken: list[Event] = []
        self.mute = False

    async def run(self) -> None:
        step = 0
        while True:
            step += 1
            events = self.link.take_events()
            self.taken += events
            self.link.offer(
                Decision(Phase.TENDING, 93.0, 0.05, 0.3, pit_c=90 + 0.1 * (step % 50)),
                HEALTHY,
                float(step),
                time.time(),
            )
            if not self.mute:
                self.link.answer([Outcome(event.event_id, accepted=True) for event in events])
            await asyncio.sleep(0.02)


@pytest.fixture
async def both(mosquitto: Mosquitto) -> AsyncIterator[tuple[Daemon, Wire]]:
    daemon, wire = Daemon(mosquitto), Wire(LinkOptions.from_url(mosquitto.url, "kettle"))
    daemon.link.start()
    wire.start()
    task = asyncio.create_task(daemon.run())
    await until(lambda: wire.look(lambda board: board.state) is not None)
    yield daemon, wire
    task.cancel()
    await asyncio.to_thread(wire.stop)
    await asyncio.to_thread(daemon.link.stop, 10.0)


async def until(condition) -> None:  # type: ignore[no-untyped-def]
    await asyncio.to_thread(wait_for, condition)


async def test_a_command_is_carried_out_and_its_reply_comes_back(both: tuple[Daemon, Wire]) -> None:
    daemon, wire = both
    answer = await wire.ask("set_point", {"temp_c": 95.0}, "page 192.0.2.7")
    assert answer.result == "accepted"
    assert daemon.taken[0].temp_c == 95.0  # type: ignore[attr-defined]
    assert daemon.link.take_records()[0].client == "page 192.0.2.7"


async def test_many_at_once_are_all_answered(both: tuple[Daemon, Wire]) -> None:
    _, wire = both
    answers = await asyncio.gather(*(wire.ask("acknowledge", {"code": f"a{i}"}, "page") for i in range(20)))
    assert {answer.result for answer in answers} == {"accepted"}


@pytest.mark.parametrize(
    ("kind", "fields", "why"),
    [
        ("set_point", {"temp_c": 300.0}, "outside"),
        ("set_point", {}, "Field required"),
        ("wood", {"mass_kg": -1.0}, "greater than 0"),
        ("open_the_vents", {}, "no such command"),
        ("ease", {"vent": 1}, "not permitted"),
    ],
)
async def test_what_is_out_of_bounds_is_refused_with_the_reason(
    both: tuple[Daemon, Wire], kind: str, fields: dict[str, object], why: str
) -> None:
    daemon, wire = both
    answer = await wire.ask(kind, fields, "page")
    assert answer.result == "refused"
    assert why in answer.reason
    assert not daemon.taken


async def test_nothing_that_goes_with_a_snuff_holds_it_up(both: tuple[Daemon, Wire]) -> None:
    daemon, wire = both
    assert (await wire.ask("snuff", {"vent": 1, "id": "?"}, "page")).result == "accepted"
    assert [event.kind for event in daemon.taken] == ["snuff"]


async def test_a_tap_of_long_ago_does_nothing_and_none_from_before_a_snuff(both: tuple[Daemon, Wire]) -> None:
    daemon, wire = both
    now_s = time.monotonic()
    assert "80 s ago" in (await wire.ask("light", {}, "page", now_s - 80)).reason
    assert (await wire.ask("snuff", {}, "page", now_s - 40)).result == "accepted", "however late it comes"
    assert (await wire.ask("snuff", {}, "page", -1e300)).result == "accepted"
    assert (await wire.ask("snuff", {}, "page", now_s - 5)).result == "accepted"
    assert "snuffed" in (await wire.ask("light", {}, "page", now_s - 9)).reason
    assert {event.kind for event in daemon.taken} == {"snuff"}
    assert (await wire.ask("light", {}, "page", time.monotonic())).result == "accepted"


async def test_the_daemon_hears_when_the_tap_was(both: tuple[Daemon, Wire], mosquitto: Mosquitto) -> None:
    _, wire = both
    with Watcher(mosquitto, TOPIC) as watcher:
        for ago_s in (20.0, 10.0, 10.2, -3.0):
            answer = await wire.ask("acknowledge", {}, "page", time.monotonic() - ago_s)
            assert answer.result == "accepted"
        sent = await asyncio.to_thread(watcher.wait, TOPIC, 4)
    issued = [datetime.fromisoformat(json.loads(message.payload)["issued_utc"]) for message in sent]
    ages = [(datetime.now(UTC) - at).total_seconds() for at in issued]
    assert ages == pytest.approx([20.0, 10.0, 10.0, 0.0], abs=2.0)
    assert issued == sorted(issued)


async def test_no_answer_is_told(both: tuple[Daemon, Wire], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_broker, "REPLY_WITHIN_S", 0.3)
    daemon, wire = both
    daemon.mute = True
    assert (await wire.ask("snuff", {}, "page")).result == "silent"
    assert not wire._waiting


async def test_without_a_broker_nothing_is_kept_for_later(
    both: tuple[Daemon, Wire], mosquitto: Mosquitto
) -> None:
    daemon, wire = both
    mosquitto.kill()
    await until(lambda: not wire.link().connected)
    assert await wire.ask("light", {}, "page") == Answer("unsent", "the broker is away"), (
        "no code of a socket"
    )
    assert wire.link().trouble, "that stands beside the line that says so"
    mosquitto.start()
    await until(lambda: wire.link().connected and daemon.link.connected)
    assert (await wire.ask("acknowledge", {}, "page")).result == "accepted"
    assert [event.kind for event in daemon.taken] == ["acknowledge"]


async def test_commands_are_fresh_unique_and_not_retained(
    both: tuple[Daemon, Wire], mosquitto: Mosquitto
) -> None:
    _, wire = both
    with Watcher(mosquitto, TOPIC) as watcher:
        for _ in range(3):
            await wire.ask("acknowledge", {}, "page")
        sent = await asyncio.to_thread(watcher.wait, TOPIC, 3)
    bodies = [json.loads(message.payload) for message in sent]
    assert not any(message.retain for message in sent)
    assert {message.qos for message in sent} == {1}
    assert len({body["id"] for body in bodies}) == 3
    assert all(body["issued_utc"].endswith("Z") for body in bodies)


def test_the_page_needs_no_more_at_the_broker_than_the_phone_s_rights(tmp_path: Path) -> None:
    """With the very rules of config/: the page as 'phone' hears the daemon and commands it."""
    users = {"coalminder": "pit-1", "phone": "pit-2"}
    passwords = tmp_path / "passwords"
    passwords.touch(0o600)
    for name, password in users.items():
        subprocess.run(["mosquitto_passwd", "-b", passwords, name, password], check=True, capture_output=True)
    shutil.copy(RULES, tmp_path / "acl")
    (tmp_path / "acl").chmod(0o600)
    broker = Mosquitto(
        tmp_path,
        f"allow_anonymous false\npassword_file {passwords}\nacl_file {tmp_path}/acl\n",
    )
    broker.start()

    def options(user: str) -> LinkOptions:
        return LinkOptions.from_url(f"mqtt://{user}:{users[user]}@{broker.host}:{broker.port}", "kettle")

    async def cook() -> str:
        daemon, wire = Daemon(broker, options("coalminder")), Wire(options("phone"))
        daemon.link.start()
        wire.start()
        task = asyncio.create_task(daemon.run())
        try:
            await until(lambda: wire.look(lambda board: board.state) is not None)
            return (await wire.ask("acknowledge", {}, "page")).result
        finally:
            task.cancel()
            await asyncio.to_thread(wire.stop)
            await asyncio.to_thread(daemon.link.stop, 10.0)

    try:
        assert asyncio.run(cook()) == "accepted"
    finally:
        broker.kill()


TOPIC = "coalminder/kettle/command/+"
RULES = Path(__file__).parents[2] / "config" / "mosquitto" / "coalminder.acl"
