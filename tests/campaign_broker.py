"""The broker and what comes over it, broken under the real service; see campaign_processes.py."""

from __future__ import annotations

import contextlib
import json
import random
import select
import socket
import threading
import time
from datetime import datetime
from pathlib import Path

from brokers import Mosquitto, Watcher, wait_for
from campaign_finding import (
    GRACE_S,
    LATEST_STEP_S,
    Finding,
    longest_gap_s,
    reply_to,
    setting,
    timed,
    utc_s,
)
from campaign_service import BASE, Service, command, last_state, tended, wait_alarm, wait_state

# ---- the broker


def broker_killed(folder: Path) -> list[Finding]:
    """The broker dies; meanwhile another fault comes; the broker is back."""
    with setting(folder, safety="broker_lost_s = 30") as (service, broker, watcher):
        tended(service, watcher)
        service.wait_steps(2)
        broker.kill()
        lost_s, lost_utc = time.monotonic(), time.time()
        time.sleep(3.0)
        service.control(supply_low=True)
        time.sleep(36.0)
        gap_s = longest_gap_s(service, lost_s, time.monotonic())
        broker.start()
        alarm = wait_alarm(watcher, "broker_lost", 90.0)
        took_s = utc_s(alarm["raised_utc"]) - lost_utc
        found = timed("broker_lost", "the broker is killed (limit set to 30 s)", took_s, 30.0, alarm)
        found.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
        other = wait_alarm(watcher, "servo_supply_low", 20.0)
        nothing_lost = Finding("", "an alarm raised while there is no broker")
        nothing_lost.need(utc_s(other["raised_utc"]) - lost_utc < 15.0, "raised late")
        nothing_lost.seen = f"delivered when the broker was back; longest time between steps {gap_s:.1f} s"
        return [found, nothing_lost]


def broker_frozen(folder: Path) -> list[Finding]:
    """The broker stops answering with its sockets open."""
    with setting(folder, safety="broker_lost_s = 30", mqtt="keepalive_s = 5") as (service, broker, watcher):
        tended(service, watcher)
        service.wait_steps(2)
        broker.freeze()
        frozen_s, frozen_utc = time.monotonic(), time.time()
        time.sleep(50.0)
        gap_s = longest_gap_s(service, frozen_s, time.monotonic())
        broker.thaw()
        alarm = wait_alarm(watcher, "broker_lost", 60.0)
        # Silence is a loss after one and a half keep-alives (MQTT 5, 3.1.2-22); then the limit runs.
        took_s = utc_s(alarm["raised_utc"]) - frozen_utc
        found = timed(
            "broker_lost", "the broker freezes (limit 30 s, keep-alive 5 s)", took_s, 30.0 + 15.0, alarm
        )
        found.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
        found.seen = f"told when it thawed; longest time between steps {gap_s:.1f} s"
        return [found]


def broker_refuses(folder: Path) -> list[Finding]:
    """The broker takes no login any more."""
    folder.mkdir(parents=True, exist_ok=True)
    passwords = folder / "passwords"
    passwords.write_text("")
    locked = Mosquitto(folder, f"allow_anonymous false\npassword_file {passwords}\n")
    locked.start()
    service = Service(folder, locked, safety="broker_lost_s = 30")
    try:
        begun_s = time.monotonic()
        service.start()
        service.wait_steps(5)
        found = Finding("broker_lost", "the broker refuses the login (limit set to 30 s)", allowed_s=30.0)
        time.sleep(38.0)
        gap_s = longest_gap_s(service, begun_s + 5.0, time.monotonic())
        service.kill()  # its journal is not for others while it lives
        state = service.state()
        record = next((r for r in state.safety.records if r.code == "broker_lost"), None)
        found.need(record is not None and record.active, "never told")
        if record is not None:
            found.took_s = record.raised_s
            found.need(record.raised_s <= 30.0 + GRACE_S + 2.0, f"told after {record.raised_s:.0f} s")
        found.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
        found.need(service.no_traceback(), "a traceback in the log")
        found.seen = f"in the journal and the log; longest time between steps {gap_s:.1f} s"
        return [found]
    finally:
        service.end()
        locked.kill()


class Proxy:
    """Passes TCP on to a broker until `mute`: then the connection stays open and nothing goes through."""

    def __init__(self, port: int) -> None:
        self.mute = False
        self._target = port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._open = True
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while self._open:
            try:
                near, _ = self._server.accept()
                far = socket.create_connection(("127.0.0.1", self._target), 5)
            except OSError:
                continue
            self._pairs.append((near, far))
            threading.Thread(target=self._pump, args=(near, far), daemon=True).start()

    def _pump(self, near: socket.socket, far: socket.socket) -> None:
        with contextlib.suppress(OSError, ValueError):  # a socket that `close` took away has no number
            while self._open:
                ready, _, _ = select.select([near, far], [], [], 0.2)
                for end in ready:
                    if self.mute:
                        time.sleep(0.05)
                        continue
                    data = end.recv(65536)
                    if not data:
                        near.close()
                        far.close()
                        return
                    (far if end is near else near).sendall(data)

    def close(self) -> None:
        self._open = False
        self._server.close()
        for pair in self._pairs:
            for end in pair:
                end.close()


def half_open(folder: Path) -> list[Finding]:
    """The network swallows everything and closes nothing."""
    folder.mkdir(parents=True, exist_ok=True)
    broker = Mosquitto(folder)
    broker.start()
    proxy = Proxy(broker.port)
    service = Service(folder, broker, port=proxy.port, safety="broker_lost_s = 30", mqtt="keepalive_s = 5")
    try:
        with Watcher(broker) as watcher:
            tended(service, watcher)
            service.wait_steps(2)
            proxy.mute = True
            mute_s, mute_utc = time.monotonic(), time.time()
            time.sleep(50.0)
            gap_s = longest_gap_s(service, mute_s, time.monotonic())
            proxy.mute = False
            alarm = wait_alarm(watcher, "broker_lost", 90.0)
            took_s = utc_s(alarm["raised_utc"]) - mute_utc
            found = timed(
                "broker_lost", "half-open TCP (limit 30 s, keep-alive 5 s)", took_s, 30.0 + 15.0, alarm
            )
            found.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
            found.seen = f"told when the network was back; longest time between steps {gap_s:.1f} s"
            return [found]
    finally:
        service.end()
        proxy.close()
        broker.kill()


# ---- what comes over the broker


def flooded(folder: Path, messages: int = 10_000) -> list[Finding]:
    """Ten thousand random and malformed commands, then one that counts."""
    rng = random.Random(23)
    kinds = ("light", "set_point", "tend", "reset", "lid", "wood", "shelve", "acknowledge", "nonsense", "")
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(4)
        before_kb = service.resident_kb()
        begun_s = time.monotonic()
        phases = set()
        for n in range(messages):
            body = rng.choice((
                rng.randbytes(rng.randrange(200)),
                b'{"id": "x", "issued_utc": "2020-01-01T00:00:00Z"}',
                json.dumps({"id": f"f{n}", "temp_c": rng.choice([1e308, -1, "hot", None])}).encode(),
                b"[" * rng.randrange(1, 3000),
                b'{"version": 99}',
                b"",
            ))  # fmt: skip
            sent = watcher.client.publish(f"{BASE}/command/{rng.choice(kinds)}", body, qos=rng.randrange(2))
            if n % 500 == 0:
                time.sleep(0.2)
                phases.add(last_state(watcher).get("phase"))
        sent = watcher.client.publish(f"{BASE}/command/nonsense", b"the last", qos=1)
        sent.wait_for_publish(120.0)  # the sender's own queue is not the daemon's
        flood_s = time.monotonic() - begun_s
        service.wait_steps(3, within_s=60.0)
        gap_s = longest_gap_s(service, begun_s, time.monotonic())
        grown_kb = service.resident_kb() - before_kb
        found = Finding("", f"{messages} random and malformed commands")
        found.need(service.alive, "the daemon died")
        found.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
        found.need(grown_kb < 20_000, f"grew by {grown_kb} kB")
        found.need(service.no_traceback(), "a traceback in the log")
        found.need(last_state(watcher)["set_point_c"] == 93.0, "the set point moved")
        asked_s = time.monotonic()
        command(watcher, "snuff")
        wait_state(watcher, lambda s: s["phase"] == "snuffing", 20.0, "snuffing")
        took_s = time.monotonic() - asked_s
        found.need(took_s < 5.0, f"snuff obeyed only after {took_s:.1f} s")
        found.seen = (
            f"{messages / flood_s:.0f} a second; longest time between steps {gap_s:.1f} s, "
            f"+{grown_kb} kB, snuff obeyed in {took_s:.1f} s"
        )
        return [found]


def duplicates(folder: Path) -> list[Finding]:
    """The same command twice, an old one, a retained one."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(2)
        found = Finding("", "duplicate, replayed, old and retained commands")
        made = command(watcher, "wood", mass_kg=0.08)
        found.need(reply_to(watcher, made)["accepted"], "the first was refused")
        count = len(watcher.on(f"{BASE}/reply/#") + watcher.on(f"{BASE}/reply"))
        command(watcher, "wood", id=made, mass_kg=0.08)
        wait_for(
            lambda: len(watcher.on(f"{BASE}/reply/#") + watcher.on(f"{BASE}/reply")) > count, 5.0, "a reply"
        )
        found.need(not reply_to(watcher, made)["accepted"], "the duplicate was taken")
        old = command(watcher, "set_point", temp_c=100.0, issued_utc="2026-01-01T00:00:00+00:00")
        found.need(not reply_to(watcher, old)["accepted"], "an old command was taken")
        body = json.dumps(
            {"id": "r1", "issued_utc": datetime.now().astimezone().isoformat(), "temp_c": 101.0}
        )
        service.end()
        watcher.client.publish(f"{BASE}/command/set_point", body, qos=1, retain=True).wait_for_publish(5)
        service.start()
        service.wait_steps(3)
        found.need(last_state(watcher)["set_point_c"] == 93.0, "a retained command moved the set point")
        found.seen = "each taken once at most; the retained one not at all"
        return [found]
