"""The real service and the live rehearsal, a simulated kettle, a real mosquitto: from lighting to snuffed."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest
from brokers import Mosquitto, Watcher, wait_for
from simulated import wiring

from coalminder.cli import main
from coalminder.core import State
from coalminder.journal import read, resume
from coalminder.journal.values import Refusal

SPEED = 300.0
BASE = "coalminder/boathouse"


def configuration(folder: Path, port: int) -> Path:
    path = folder / "coalminder.toml"
    path.write_text(
        f'[grill]\nname = "boathouse"\n[mqtt]\nport = {port}\n[journal]\ndirectory = "{folder / "cooks"}"\n',
        "utf-8",
    )
    return path


@contextmanager
def service(folder: Path, port: int, *more: str) -> Iterator[tuple[subprocess.Popen[bytes], socket.socket]]:
    """`coalminder tend` on a simulated kettle, with a notify socket; ended by SIGTERM."""
    where = folder / "notify"
    where.unlink(missing_ok=True)
    notify = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    notify.bind(str(where))
    notify.settimeout(10.0)
    command = [
        sys.executable, "-m", "coalminder.cli", "tend", "--config", str(configuration(folder, port)),
        "--simulate", "coalminder.grill:kettle", "--speed", str(SPEED), *more,
    ]  # fmt: skip
    process = subprocess.Popen(command, env={**os.environ, "NOTIFY_SOCKET": str(where)})
    try:
        yield process, notify
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
        notify.close()


def drain(notify: socket.socket) -> None:
    """Read what waits: nobody read while the cook ran, and a full socket takes no more."""
    notify.setblocking(False)
    with suppress(BlockingIOError):
        while True:
            notify.recv(4096)
    notify.settimeout(10.0)


def ask(watcher: Watcher, kind: str, **values: object) -> str:
    made = uuid.uuid4().hex
    body = {"id": made, "issued_utc": datetime.now(UTC).isoformat(), "client": "phone", **values}
    watcher.client.publish(f"{BASE}/command/{kind}", json.dumps(body), qos=1).wait_for_publish(5)
    return made


def latest(watcher: Watcher) -> dict[str, object]:
    states = watcher.on(f"{BASE}/state")
    return json.loads(states[-1].payload) if states else {}


def wait_phase(watcher: Watcher, phase: str, within_s: float) -> None:
    wait_for(lambda: latest(watcher).get("phase") == phase, within_s, f"phase {phase}")


@pytest.mark.broker
@pytest.mark.timeout(180)
def test_a_cook_from_lighting_to_snuffed(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with (
        Watcher(mosquitto, f"{BASE}/#") as watcher,
        service(tmp_path, mosquitto.port) as (process, notify),
    ):
        assert b"READY=1" in notify.recv(4096)
        watcher.wait(f"{BASE}/availability")
        wait_phase(watcher, "cold", 10)
        assert latest(watcher)["lower_frac"] == 0.0
        ask(watcher, "light")
        wait_phase(watcher, "tending", 40)
        set_point = ask(watcher, "set_point", temp_c=97.0)
        wait_for(lambda: latest(watcher).get("set_point_c") == 97.0, 10, "the new set point")
        refused = ask(watcher, "set_point", temp_c=190.0)
        replies = {}

        def answered() -> bool:
            replies.update(
                {r["id"]: r for m in watcher.on(f"{BASE}/reply/#") for r in [json.loads(m.payload)]}
            )
            return {set_point, refused} <= set(replies)

        wait_for(answered, 10, "both replies")
        assert replies[set_point]["accepted"] is True
        assert replies[refused]["accepted"] is False
        wait_for(lambda: abs(float(latest(watcher)["pit_c"]) - 97.0) < 3.0, 30, "the pit at 97 °C")  # type: ignore[arg-type]
        ask(watcher, "snuff")
        wait_phase(watcher, "snuffing", 10)
        assert (latest(watcher)["lower_frac"], latest(watcher)["upper_frac"]) == (0.0, 0.0)
        wait_phase(watcher, "out", 60)
        drain(notify)
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
        wait_for(lambda: watcher.on(f"{BASE}/availability")[-1].payload == b"offline", 5, "offline")
        told = b""
        while b"STOPPING=1" not in told:
            told = notify.recv(4096)
    (record,) = (tmp_path / "cooks").glob("*.cook")
    with read(record) as cook:
        phases = [step.decision.phase for step in cook.steps()]
        commands = cook.commands()
    assert list(dict.fromkeys(map(str, phases)))[:2] == ["cold", "lighting"]
    assert str(phases[-1]) == "out"
    assert {"light", "snuff"} <= {c.kind for c in commands}
    assert all(c.client == "phone" for c in commands)


@pytest.mark.broker
@pytest.mark.timeout(120)
def test_the_service_tends_without_a_broker_and_catches_up(mosquitto: Mosquitto, tmp_path: Path) -> None:
    mosquitto.kill()
    with service(tmp_path, mosquitto.port) as (process, notify):
        assert b"READY=1" in notify.recv(4096)
        seen = b""
        while b"WATCHDOG=1" not in seen:  # steps go on with no broker at all
            seen = notify.recv(4096)
        assert process.poll() is None
        mosquitto.start()
        with Watcher(mosquitto, f"{BASE}/#") as watcher:
            watcher.wait(f"{BASE}/state", within_s=15)


@pytest.mark.broker
@pytest.mark.timeout(120)
def test_a_killed_service_goes_on_with_the_cook(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with Watcher(mosquitto, f"{BASE}/#") as watcher:
        with service(tmp_path, mosquitto.port) as (process, _):
            wait_phase(watcher, "cold", 10)
            ask(watcher, "light")
            wait_phase(watcher, "tending", 40)
            ask(watcher, "set_point", temp_c=99.0)
            wait_for(lambda: latest(watcher).get("set_point_c") == 99.0, 10, "the set point")
            wait_phase(watcher, "tending", 30)
            process.kill()
            process.wait(10)
        wait_for(lambda: watcher.on(f"{BASE}/availability")[-1].payload == b"offline", 60, "the last will")
        found = resume(tmp_path / "cooks", State, datetime.now(UTC).timestamp())
        assert not isinstance(found, Refusal), found.reason
        assert found.state.set_point_c == 99.0
        watcher.messages.clear()
        with service(tmp_path, mosquitto.port, "--simulate-arg", "start=burning"):
            watcher.wait(f"{BASE}/state", within_s=15)
            assert latest(watcher)["set_point_c"] == 99.0
            assert latest(watcher)["phase"] in ("settling", "tending", "lid_off")
            wait_for(lambda: bool(watcher.on(f"{BASE}/alarm/was_blind")), 10, "the alarm about the gap")


@pytest.mark.timeout(60)
def test_without_a_broker_the_coals_can_be_told_lit_at_the_start(tmp_path: Path) -> None:
    with service(tmp_path, 1, "--lit") as (process, notify):
        told = ""
        while "lighting" not in told:
            told = notify.recv(4096).decode()
        assert process.poll() is None


def test_vents_are_at_their_safe_place_within_a_second_of_the_start(tmp_path: Path) -> None:
    code = (
        "import time; began = time.monotonic()\n"
        "import asyncio, sys\n"
        "from coalminder.cli import main\n"
        "from coalminder.rehearse.hardware import SimulatedHardware as H\n"
        "async def safe(self):\n"
        "    print(time.monotonic() - began, flush=True); sys.exit(0)\n"
        "H.make_safe = safe\n"
        "main(sys.argv[1:])\n"
    )
    options = ["tend", "--config", str(configuration(tmp_path, 1)), "--simulate", "coalminder.grill:kettle"]
    times = []
    for _ in range(3):
        shown = subprocess.run(
            [sys.executable, "-c", code, *options], capture_output=True, text=True, check=False
        )
        times.append(float(shown.stdout.split()[0]))
    assert min(times) < 1.0, times


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGQUIT, signal.SIGINT, signal.SIGTERM])
def test_every_way_of_ending_it_shuts_the_vents(number: signal.Signals, tmp_path: Path) -> None:
    with service(tmp_path, 1) as (process, notify):
        assert b"READY=1" in notify.recv(4096)
        notify.recv(4096)
        process.send_signal(number)
        assert process.wait(10) == 0
        told = b""
        while b"shutting the vents" not in told:
            told = notify.recv(4096)


def state_of(process: subprocess.Popen[bytes]) -> str:
    """One letter, as in proc(5): T is stopped."""
    return Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()[0]


@pytest.mark.parametrize("words", [["tend", "--lit"], ["step-test"]], ids=lambda words: words[0])
@pytest.mark.parametrize("number", [signal.SIGTSTP, signal.SIGTTOU, signal.SIGUSR1, signal.SIGALRM])
def test_ctrl_z_leaves_no_fire_alone(number: signal.Signals, words: list[str], tmp_path: Path) -> None:
    """It stood still, or was gone, with open vents, and no watchdog helps who started it by hand."""
    more = ["--folder", str(tmp_path)] if words == ["step-test"] else []
    command = [sys.executable, "-m", "coalminder.cli", *words, "--config", str(wiring(tmp_path)), *more]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, process_group=0)  # as a shell's job
    try:
        wait_for(lambda: bool(list(tmp_path.glob("*.cook"))), 20.0, "the record")
        time.sleep(1.0)
        process.send_signal(number)
        time.sleep(0.5)
        assert process.poll() is None
        assert state_of(process) != "T"
        process.terminate()
        assert process.wait(10.0) in (0, 130)
    finally:
        process.kill()
        process.wait(10.0)


#: Root, too, is then held to the rights of a file.
AS_ANYBODY = [] if os.geteuid() else ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]


def test_a_daemon_that_root_tried_out_once_costs_the_service_no_cook(tmp_path: Path) -> None:
    """Files of root lay in the folder of the service's user for good: the pointer to root's record, a fault
    latched then, a count of starts that never rose.
    """
    config, log = wiring(tmp_path), tmp_path / "log"
    (tmp_path / "20260101T000000Z.cook").touch()
    of_root = {"written-to": "20260101T000000Z.cook", "latched": "[]", "boot": "another", "starts.json": "[]"}
    for name, text in of_root.items():
        (tmp_path / name).write_text(text, "utf-8")
        (tmp_path / name).chmod(0o444)
    command = [*AS_ANYBODY, sys.executable, "-m", "coalminder.cli", "tend", "--config", str(config)]
    for words, told in ((["--lit"], "phase lighting"), ([], "going on with the cook")):
        with log.open("wb") as lines:
            process = subprocess.Popen([*command, *words], stderr=lines)
        try:
            wait_for(lambda told=told: told in log.read_text("utf-8"), 20.0, told)  # type: ignore[misc]
            wait_for(lambda: (tmp_path / "written-to").read_text() != of_root["written-to"], 10.0, "a record")
            wait_for(lambda: (tmp_path / "latched").stat().st_size == 512, 10.0, "the note")
            time.sleep(3.0)  # a step reaches the disk within 2 s
        finally:
            process.kill()
            process.wait(10.0)
    assert len(json.loads((tmp_path / "starts.json").read_text())) == 2
    assert (tmp_path / "boot").read_text() != "another"


@pytest.mark.parametrize(
    ("note", "told"), [('["vents shut"]', "phase snuffing"), ("[]", "phase lighting")], ids=["shut", "open"]
)
def test_a_fire_that_was_put_out_while_the_disk_was_full_stays_so(
    note: str, told: str, tmp_path: Path
) -> None:
    """The record ends with open vents; the note goes over bytes that are there, which a full disk takes."""
    log = tmp_path / "log"
    command = [sys.executable, "-m", "coalminder.cli", "tend", "--config", str(wiring(tmp_path))]
    for words, awaited in ((["--lit"], "phase lighting"), ([], told)):
        with log.open("wb") as lines:
            process = subprocess.Popen([*command, *words], stderr=lines)
        try:
            wait_for(lambda awaited=awaited: awaited in log.read_text("utf-8"), 20.0, awaited)  # type: ignore[misc]
            time.sleep(3.0)  # a step reaches the disk within 2 s
        finally:
            process.kill()
            process.wait(10.0)
        (tmp_path / "latched").write_text(note, "utf-8")
    assert "going on with the cook" in log.read_text("utf-8")


def test_a_daemon_under_nohup_goes_on_when_its_terminal_goes(tmp_path: Path) -> None:
    """nohup(1): the program that it starts ignores SIGHUP. The cook was lost."""
    command = ["nohup", sys.executable, "-m", "coalminder.cli", "tend", "--config", str(wiring(tmp_path))]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notify:
        notify.bind(str(tmp_path / "notify"))
        notify.settimeout(10.0)
        process = subprocess.Popen(command, env={**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify")})
        try:
            while b"WATCHDOG=1" not in notify.recv(4096):
                pass
            process.send_signal(signal.SIGHUP)
            with pytest.raises(subprocess.TimeoutExpired):
                process.wait(2.0)
            process.send_signal(signal.SIGTERM)
            assert process.wait(10.0) == 0
        finally:
            process.kill()
            process.wait(10.0)


@pytest.mark.broker
def test_a_live_rehearsal_speaks_to_a_real_broker_and_draws_a_picture(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    of_a_real_one = {f"{BASE}/{name}": b"{}" for name in ("availability", "alarm/fire_out", "state")}
    with Watcher(mosquitto) as real:
        for topic, payload in of_a_real_one.items():
            real.client.publish(topic, payload, qos=1, retain=True).wait_for_publish(5)
    hub = "homeassistant/device/coalminder_rehearsal/config"
    with Watcher(mosquitto, ("coalminder/#", hub)) as watcher:
        picture, records = tmp_path / "cook.png", tmp_path / "records"
        figures = tmp_path / "cook.json"
        options = ("--json", figures, "--plot", picture, "--record", records)
        words = ("rehearse", "--hours", "0.5", "--speed", "600", "--broker", mosquitto.url, *options)
        assert main([str(word) for word in words]) == 0
        topics = {message.topic for message in watcher.messages}
        assert b"Snuff" in watcher.on(hub)[0].payload
        # in a hub it stands beside the real one, whose name it had
        assert json.loads(watcher.on(hub)[0].payload)["dev"]["name"] == "Rehearsal"
        wait_for(lambda: watcher.on(hub)[-1].payload == b"", what="hubs to be left without a device of it")
        here = "coalminder/rehearsal/availability"
        wait_for(lambda: watcher.on(here)[-1].payload == b"", what="push to be left without a silent daemon")
    with Watcher(mosquitto) as late:
        late.client.publish("last", "word")
        late.wait("last")
        assert {m.topic: m.payload for m in late.messages if m.retain} == of_a_real_one
    assert json.loads(figures.read_text("utf-8"))["steps"] >= 1700
    assert "coalminder/rehearsal/state" in topics
    assert "coalminder/rehearsal/availability" in topics
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert list(records.glob("*.cook"))


GATEWAY = """
calibration_file = "{0}/calibration.json"
[probes.pit]
kind = "mqtt"
topic = "gateway/pit"
field = "probe.t"
unit = "f"
[vents.lower]
driver = "simulated"
stroke_s = 0.1
settle_s = 0.02
"""


@pytest.mark.broker
def test_the_readings_of_a_gateway_reach_the_daemon(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Fresh ones: of a retained one nobody knows how old it is. 70.7 °F are 21.5 °C."""
    path = configuration(tmp_path, mosquitto.port)
    path.write_text(GATEWAY.format(tmp_path) + path.read_text("utf-8"), "utf-8")
    with Watcher(mosquitto) as watcher:

        def gateway(temp_f: float, retain: bool = False) -> None:
            watcher.client.publish("gateway/pit", json.dumps({"probe": {"t": temp_f}}), 1, retain)

        def shown() -> bool:
            gateway(70.7)
            return latest(watcher)["pit_c"] is not None

        gateway(140.0, retain=True)
        words = [sys.executable, "-m", "coalminder.cli", "tend", "--config", str(path)]
        process = subprocess.Popen(words)
        try:
            wait_for(lambda: len(watcher.on(f"{BASE}/state")) >= 2, 20.0, "two states")
            assert latest(watcher)["pit_c"] is None
            wait_for(shown, 20.0, "a reading")
        finally:
            process.terminate()
            assert process.wait(15) == 0
    assert latest(watcher)["pit_c"] == pytest.approx(21.5, abs=0.05)


@pytest.mark.broker
@pytest.mark.timeout(60)
@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM])
def test_a_rehearsal_that_is_ended_leaves_no_grill_behind(
    mosquitto: Mosquitto, tmp_path: Path, number: signal.Signals
) -> None:
    """Its terminal is closed: hubs kept its buttons, and push told that nobody watches the fire."""
    hub, here = "homeassistant/device/coalminder_rehearsal/config", "coalminder/rehearsal/availability"
    command = [sys.executable, "-m", "coalminder.cli", "rehearse", "--speed", "60", "--broker", mosquitto.url]
    process = subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.DEVNULL, env={**os.environ, "TMPDIR": str(tmp_path)}
    )
    try:
        with Watcher(mosquitto, (hub, here)) as watcher:
            watcher.wait(hub)
            watcher.wait(here)
            process.send_signal(number)
            assert process.wait(15) == 128 + number
        with Watcher(mosquitto) as late:
            late.client.publish("last", "word")
            late.wait("last")
            assert [message.topic for message in late.messages if message.retain] == []
    finally:
        process.kill()
        process.wait(10)
    assert list(tmp_path.glob("coalminder-*")) == []
