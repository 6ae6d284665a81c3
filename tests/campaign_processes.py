"""Faults of processes and machines, put into the real service with a real mosquitto, in real time.

Each scenario is a function of a folder; it returns what it found. `python tests/campaign_processes.py` runs
them all, some at a time; tests/campaign asks the same of every run of the tests.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import random
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from brokers import Mosquitto, Watcher, wait_for
from campaign_service import BASE, Service, alarms, command, last_state, tended, wait_alarm, wait_state

from coalminder.safety.faults import BY_CODE
from coalminder.safety.limits import Limits
from coalminder.values import Action

GRACE_S = 2.0
LATEST_STEP_S = 2.5  # longest time between two steps that is no trouble


@dataclass
class Finding:
    """row: of the fault table, "" for a promise that is no row. took_s: from the fault to its alarm."""

    row: str
    what: str
    took_s: float | None = None
    allowed_s: float | None = None
    seen: str = ""
    faults: list[str] = field(default_factory=list)

    def need(self, holds: bool, wrong: str) -> None:
        """Note what is wrong unless `holds`."""
        if not holds:
            self.faults.append(wrong)


def allowed(code: str) -> float:
    """The row's own delay."""
    return BY_CODE[code].detected_within_s(Limits())


def timed(row: str, what: str, took_s: float, within_s: float, alarm: dict[str, Any]) -> Finding:
    """A finding of an alarm that came, checked for time, action and words."""
    found = Finding(row, what, took_s, within_s)
    found.need(took_s <= within_s + GRACE_S, f"told after {took_s:.1f} s, allowed {within_s:g} s")
    found.need(alarm["action"] == BY_CODE[row].action.value, f"action {alarm['action']}")
    found.need(bool(alarm["message"]) and bool(alarm["remedy"]), "nothing said to the person")
    return found


@contextlib.contextmanager
def setting(folder: Path, **service: Any) -> Iterator[tuple[Service, Mosquitto, Watcher]]:
    """A broker, a watcher and a service, ended whatever happens."""
    folder.mkdir(parents=True, exist_ok=True)
    broker = Mosquitto(folder)
    broker.start()
    served = Service(folder, broker, **service)
    try:
        with Watcher(broker) as watcher:
            try:
                yield served, broker, watcher
            finally:
                served.end()
    finally:
        broker.kill()


def vents_shut_in_time(service: Service, since_s: float) -> tuple[bool, float]:
    """Whether both vents were shut by the end of the trace, and how long that took from `since_s`."""
    shut_s = None
    for vents in service.trace():
        if vents.at_s < since_s:
            continue
        if vents.lower > 0.0 or vents.upper > 0.0:
            shut_s = None
        elif shut_s is None:
            shut_s = vents.at_s
    return shut_s is not None, (shut_s or since_s) - since_s


def longest_gap_s(service: Service, since_s: float, until_s: float) -> float:
    """Longest time between two steps."""
    times = [v.at_s for v in service.trace() if since_s - 2.0 <= v.at_s <= until_s]
    return max((b - a for a, b in itertools.pairwise(times)), default=float("inf"))


# ---- the daemon itself


def killed_and_resumed(folder: Path) -> list[Finding]:
    """SIGKILL, a minute of nothing, and back."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        command(watcher, "set_point", temp_c=97.0)
        wait_state(watcher, lambda s: s["set_point_c"] == 97.0)
        service.wait_steps(6)
        killed_s = service.kill()
        before = service.trace()[-1]
        kept = service.state()
        time.sleep(62.0)
        count = len(service.trace())
        service.start()
        alarm = wait_alarm(watcher, "was_blind", 20.0)
        first_s = service.trace()[count].at_s if len(service.trace()) > count else time.monotonic()
        found = timed(
            "was_blind",
            "SIGKILL, back after a minute",
            time.monotonic() - first_s,
            allowed("was_blind"),
            alarm,
        )
        state = wait_state(watcher, lambda s: s["phase"] != "cold")
        found.need(state["set_point_c"] == 97.0, f"set point is {state['set_point_c']}")
        found.need(kept.phase.value in ("settling", "tending"), f"kept phase {kept.phase}")
        found.need(state["phase"] in ("settling", "tending", "lid_off"), f"resumed in {state['phase']}")
        lost_s = before.at_s - (
            before.at_s if kept.last_s is None else killed_s - _age(kept.last_s, service, count)
        )
        found.seen = f"resumed in '{state['phase']}' at 97 °C; {alarm['message']}"
        found.need(lost_s <= 5.0, f"{lost_s:.1f} s of readings lost")
        found.need(service.no_traceback(), "a traceback in the log")
        return [found]


def _age(last_s: float, service: Service, count: int) -> float:
    """How long before the end of the first run the kept step was: one step a second from its start."""
    return max(count - 1 - last_s, 0.0)


def killed_while_latched(folder: Path) -> list[Finding]:
    """A latched fault survives SIGKILL; no vent opens; only a person and a gone cause end it."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(2)
        put_in_s = time.monotonic()
        service.control(vents_failed=True)
        alarm = wait_alarm(watcher, "vent_driver_failed", 12.0)
        first = timed(
            "vent_driver_failed", "the vent driver reports an error", time.monotonic() - put_in_s,
            allowed("vent_driver_failed"), alarm,
        )  # fmt: skip
        service.wait_steps(2)
        shut, took_s = vents_shut_in_time(service, put_in_s)
        first.need(shut, "vents not shut")
        first.seen = f"vents shut {took_s:.0f} s after the fault"
        reply = _reply(watcher, command(watcher, "reset"))
        first.need(not reply["accepted"], "a reset was taken while the cause was there")
        second = Finding("", "SIGKILL while a fault is latched")
        service.kill()
        service.control()
        count = len(service.trace())
        service.start()
        wait_for(lambda: len(service.trace()) >= count + 8, 30.0, "steps after the restart")
        opened = [v for v in service.trace()[count:] if v.lower > 0.0 or v.upper > 0.0]
        second.need(not opened, "a vent opened on a latched fault")
        second.need(last_state(watcher)["phase"] == "cut_off", f"phase {last_state(watcher)['phase']}")
        time.sleep(1.0)
        reset = command(watcher, "reset")
        reply = _reply(watcher, reset)
        second.need(reply["accepted"], f"reset refused: {reply['reason']}")
        wait_state(watcher, lambda s: s["phase"] != "cut_off", 5.0, "the end of cut_off")
        second.seen = "still cut off, vents stayed shut; a reset after the cause was gone ended it"
        second.need(service.no_traceback(), "a traceback in the log")
        return [first, second]


def _reply(watcher: Watcher, made: str) -> dict[str, Any]:
    def answers() -> list[dict[str, Any]]:
        found = [json.loads(m.payload) for m in watcher.on(f"{BASE}/reply/#") + watcher.on(f"{BASE}/reply")]
        return [reply for reply in found if reply["id"] == made]

    wait_for(lambda: bool(answers()), 10.0, f"the reply to {made}")
    return answers()[-1]


def stopped(folder: Path) -> list[Finding]:
    """SIGSTOP for 9 s, as when the machine hangs; then again and again."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(3)
        service.send(signal.SIGSTOP)
        time.sleep(9.0)
        put_in_s = time.monotonic()
        service.send(signal.SIGCONT)
        alarm = wait_alarm(watcher, "loop_late", 10.0)
        first = timed(
            "loop_late", "SIGSTOP for 9 s", time.monotonic() - put_in_s, allowed("loop_late"), alarm
        )
        first.need(last_state(watcher)["phase"] != "cut_off", "one stop cut the fire off")
        first.seen = "throttled, not cut off"
        for _ in range(4):
            service.wait_steps(1)
            service.send(signal.SIGSTOP)
            time.sleep(9.0)
            put_in_s = time.monotonic()
            service.send(signal.SIGCONT)
        alarm = wait_alarm(watcher, "loop_cannot_keep_up", 10.0)
        second = timed(
            "loop_cannot_keep_up", "SIGSTOP for 9 s five times", time.monotonic() - put_in_s,
            allowed("loop_cannot_keep_up"), alarm,
        )  # fmt: skip
        service.wait_steps(2)
        shut, took_s = vents_shut_in_time(service, put_in_s)
        second.need(shut, "vents not shut")
        second.seen = f"vents shut {took_s:.0f} s after the last stop"
        return [first, second]


def restart_loop(folder: Path) -> list[Finding]:
    """SIGKILL again and again."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        for _ in range(3):
            service.wait_steps(2)
            service.kill()
            service.start()
        service.wait_steps(2)
        early = Finding("", "three restarts in ten minutes")
        early.need(last_state(watcher)["phase"] != "cut_off", "cut off too early")
        early.seen = f"goes on in '{last_state(watcher)['phase']}'"
        service.kill()
        count = len(service.trace())
        service.start()
        wait_for(lambda: len(service.trace()) > count, 20.0, "a step after the restart")
        first_s = service.trace()[count].at_s
        alarm = wait_alarm(watcher, "restart_loop", 10.0)
        found = timed("restart_loop", "the fourth restart in ten minutes", time.monotonic() - first_s,
                      allowed("restart_loop"), alarm)  # fmt: skip
        service.wait_steps(2)
        shut, took_s = vents_shut_in_time(service, first_s)
        found.need(shut, "vents not shut")
        found.seen = f"vents shut {took_s:.0f} s after the first step"
        return [early, found]


def terminated(folder: Path) -> list[Finding]:
    """SIGTERM: vents shut before the end."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(4)
        found = Finding("", "SIGTERM while tending")
        code = service.end()
        found.need(code == 0, f"exit code {code}")
        watcher.wait(f"{BASE}/availability", 2, 5.0)
        said = watcher.on(f"{BASE}/availability")[-1].payload
        found.need(said == b"offline", f"availability is {said!r}")
        found.seen = "exit code 0, 'offline' told"
        return [found]


def watchdog_fed(folder: Path) -> list[Finding]:
    """A lost probe is the fault table's to handle: the watchdog must not end the process meanwhile."""
    with setting(folder) as (service, _, watcher):
        name = f"\0coalminder-campaign-{os.getpid()}-{time.monotonic_ns()}"
        ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        ear.bind(name)
        ear.settimeout(0.5)
        service.env = {"NOTIFY_SOCKET": "@" + name[1:], "WATCHDOG_USEC": "10000000"}
        fed: list[float] = []
        over = threading.Event()

        def listen() -> None:
            while not over.is_set():
                with contextlib.suppress(TimeoutError):
                    if b"WATCHDOG=1" in ear.recv(4096):
                        fed.append(time.monotonic())

        thread = threading.Thread(target=listen, daemon=True)
        thread.start()
        try:
            tended(service, watcher)
            service.wait_steps(3)
            service.control(unplugged=True)
            put_in_s = time.monotonic()
            wait_alarm(watcher, "pit_probe_lost", 40.0)
            service.wait_steps(8)
            lost = Finding("", "watchdog while the pit probe is lost and the fire is cut off")
            gap_s = max(
                (b - a for a, b in itertools.pairwise([t for t in fed if t > put_in_s - 2.0])), default=99.0
            )
            lost.need(gap_s < 5.0, f"{gap_s:.1f} s unfed")
            lost.seen = f"fed at least every {gap_s:.1f} s (systemd waits 10 s)"
            stopped_too = Finding("", "watchdog while the process is stopped")
            service.send(signal.SIGSTOP)
            time.sleep(0.5)
            count = len(fed)
            time.sleep(11.0)
            stopped_too.need(len(fed) == count, "fed although stopped")
            stopped_too.seen = "not fed for 11 s: systemd would kill it and shut the vents"
            return [lost, stopped_too]
        finally:
            over.set()
            thread.join(2.0)
            ear.close()


def started_twice(folder: Path) -> list[Finding]:
    """Somebody starts a second daemon by hand while the first one tends."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(3)
        found = Finding("", "a second daemon is started while the first one tends")
        first = service.process
        assert first is not None
        service.start()
        second = service.process
        assert second is not None
        code = second.wait(20)
        service.process = first
        found.need(code == 2, f"exit code {code}")
        found.need("another daemon tends" in service.log(), "no reason given")
        found.need(service.no_traceback(), "a traceback in the log")
        begun_s = time.monotonic()
        service.wait_steps(3)
        gap_s = longest_gap_s(service, begun_s, time.monotonic())
        found.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
        found.seen = "refused with the reason; the first one went on"
        return [found]


# ---- the machine


def supply_low(folder: Path) -> list[Finding]:
    """The servos' supply drops for a while."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(2)
        put_in_s = time.monotonic()
        service.control(supply_low=True)
        alarm = wait_alarm(watcher, "servo_supply_low", 12.0)
        found = timed("servo_supply_low", "the servos' supply drops", time.monotonic() - put_in_s,
                      allowed("servo_supply_low"), alarm)  # fmt: skip
        found.need(last_state(watcher)["phase"] != "cut_off", "cut off")
        found.seen = "throttled"
        return [found]


def settings_changed(folder: Path) -> list[Finding]:
    """Somebody edits the configuration."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(2)
        text = service.config.read_text("utf-8")
        put_in_s = time.monotonic()
        service.config.write_text(text + "# edited\n", "utf-8")
        alarm = wait_alarm(watcher, "settings_changed", 20.0)
        found = timed("settings_changed", "the configuration is edited", time.monotonic() - put_in_s,
                      allowed("settings_changed"), alarm)  # fmt: skip
        service.config.write_text(text, "utf-8")
        wait_alarm(watcher, "settings_changed", 30.0, active=False)
        found.seen = "noted, and gone when put back; tending went on"
        return [found]


def clock_moved(folder: Path) -> list[Finding]:
    """The wall clock goes back and forth."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(2)
        found = []
        begun_s = time.monotonic()
        for n, (offset_s, what) in enumerate(((3600.0, "an hour forward"), (-86400.0, "back a day"))):
            put_in_s = time.monotonic()
            service.control(clock_offset_s=offset_s)
            # Still active from the jump before: the second one is seen by the vents going on.
            if n == 0:
                alarm = wait_alarm(watcher, "clock_jumped", 10.0)
                found.append(timed("clock_jumped", f"the wall clock goes {what}", time.monotonic() - put_in_s,
                                   allowed("clock_jumped"), alarm))  # fmt: skip
            service.wait_steps(4)
        last = Finding("", "control while the wall clock goes forward and back")
        gap_s = longest_gap_s(service, begun_s, time.monotonic())
        last.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
        last.need("cut_off" not in {last_state(watcher)["phase"]}, "cut off")
        # A command of a phone with the right time must not be refused for ever.
        service.control()
        service.wait_steps(2)
        made = command(watcher, "acknowledge", code="")
        reply = _reply(watcher, made)
        last.need(reply["accepted"], f"command refused afterwards: {reply['reason']}")
        last.seen = f"longest time between steps {gap_s:.1f} s"
        return [*found, last]


@contextlib.contextmanager
def small_disk(folder: Path, size: str = "2m") -> Iterator[Path]:
    """A tmpfs of its own; needs root."""
    place = folder / "disk"
    place.mkdir(parents=True, exist_ok=True)
    subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)], check=True, capture_output=True
    )
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False, capture_output=True)


def disk_full(folder: Path) -> list[Finding]:
    """A small disk runs full, then has room again."""
    with small_disk(folder) as disk, setting(folder, journal=disk / "journal") as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(3)
        put_in_s = time.monotonic()
        filler = disk / "filler"
        _fill(filler)
        alarm = wait_alarm(watcher, "disk_failed", 30.0)
        # The journal writes every 2 s: a full disk is noticed at its next writing.
        found = timed(
            "disk_failed",
            "the disk is full",
            time.monotonic() - put_in_s,
            allowed("disk_failed") + 2.0,
            alarm,
        )
        filled_s = time.monotonic()
        service.wait_steps(5)
        gap_s = longest_gap_s(service, put_in_s, time.monotonic())
        found.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
        filler.unlink()
        wait_alarm(watcher, "disk_failed", 90.0, active=False)
        found.need(service.no_traceback(), "a traceback in the log")
        found.seen = f"tending went on; over {time.monotonic() - filled_s:.0f} s after"
        service.kill()
        found.need(hasattr(service.kept(), "state"), "nothing to resume afterwards")
        return [found]


def _fill(path: Path) -> None:
    with contextlib.suppress(OSError), path.open("wb", buffering=0) as file:
        for size in (65536, 4096, 512, 1):
            with contextlib.suppress(OSError):
                while file.write(b"x" * size) == size:
                    pass


def disk_read_only(folder: Path) -> list[Finding]:
    """The card is read-only from the start, as worn cards become."""
    with small_disk(folder) as disk:
        (disk / "journal").mkdir()
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True, capture_output=True)
        with setting(folder, journal=disk / "journal") as (service, _, watcher):
            tended(service, watcher)
            first_s = service.trace()[0].at_s
            alarm = wait_alarm(watcher, "disk_failed", 30.0)
            found = timed(
                "disk_failed",
                "the disk is read-only from the start",
                time.monotonic() - first_s,
                allowed("disk_failed") + 2.0,
                alarm,
            )
            service.wait_steps(5)
            gap_s = longest_gap_s(service, first_s, time.monotonic())
            found.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
            found.need(service.no_traceback(), "a traceback in the log")
            found.seen = "tends without a record"
            return [found]


def journal_truncated(folder: Path, times: int = 6) -> list[Finding]:
    """The journal's files are cut at random bytes while the daemon is dead: the database, its log, or both.

    A log cut short loses its last seconds and is whole again: that needs no alarm when the cook goes on.
    """
    rng = random.Random(11)
    with setting(folder) as (service, _, watcher):
        found = Finding("journal_corrupt", f"journal cut at random bytes, {times} times", allowed_s=0.0)
        worst_s = 0.0
        told = resumed = 0
        tended(service, watcher)
        for n in range(times):
            service.wait_steps(5)
            service.kill()
            (service.journal / "starts.json").unlink(missing_ok=True)  # these are not a restart loop
            files = list(service.journal.iterdir())
            newest = max(f.name.split(".")[0] for f in files if f.suffix == ".cook")
            endings = ((".cook",), (".cook-wal",), (".cook", ".cook-wal"))[n % 3]
            for file in files:
                if file.name in {newest + ending for ending in endings} and file.stat().st_size:
                    os.truncate(file, rng.randrange(file.stat().st_size))
            count, seen = len(service.trace()), len(alarms(watcher, "journal_corrupt"))
            went_on = service.log().count("going on with the cook")
            service.start()
            wait_for(lambda have=count: len(service.trace()) > have, 30.0, "a step after the restart")
            first_s = service.trace()[count].at_s
            went_on = service.log().count("going on with the cook") - went_on
            resumed += went_on
            try:
                wait_alarm(watcher, "journal_corrupt", 3.0, after=seen)
                told += 1
                worst_s = max(worst_s, time.monotonic() - first_s)
            except AssertionError:
                found.need(went_on == 1, f"{' and '.join(endings)} cut: neither told nor resumed")
            found.need(service.alive, "the daemon died")
        found.took_s = worst_s
        found.need(worst_s <= GRACE_S, f"told after {worst_s:.1f} s")
        found.need(service.no_traceback(), "a traceback in the log")
        found.seen = f"told {told} times, cook resumed {resumed} times"
        return [found]


def probe_driver_hung(folder: Path) -> list[Finding]:
    """A probe driver never comes back."""
    with setting(folder, board=True) as (service, _, watcher):
        service.start()
        watcher.wait(f"{BASE}/state", within_s=30.0)
        command(watcher, "light")
        command(watcher, "tend")
        wait_state(watcher, lambda s: s["phase"] in ("settling", "tending"), 20.0, "tending")
        time.sleep(2.0)
        put_in_s = time.monotonic()
        service.control(hang=True)
        silent = wait_alarm(watcher, "pit_probe_silent", 30.0)
        silent_s = time.monotonic() - put_in_s
        alarm = wait_alarm(watcher, "pit_probe_stale", 40.0)
        took_s = time.monotonic() - put_in_s
        first = timed(
            "pit_probe_silent", "the probe driver hangs", silent_s, allowed("pit_probe_silent"), silent
        )
        found = timed("pit_probe_stale", "the probe driver hangs", took_s, allowed("pit_probe_stale"), alarm)
        state = wait_state(watcher, lambda s: s["phase"] == "cut_off", 5.0, "cut_off")
        found.need(state["lower_frac"] == 0.0 and state["upper_frac"] == 0.0, "vents not shut")
        found.seen = "vents shut, latched; the loop kept its second"
        return [first, found]


def probe_unplugged(folder: Path) -> list[Finding]:
    """The pit probe is pulled for a second, then for good."""
    with setting(folder) as (service, _, watcher):
        tended(service, watcher)
        service.wait_steps(2)
        service.control(unplugged=True)
        time.sleep(1.2)
        service.control()
        service.wait_steps(8)
        brief = Finding("", "the pit probe is pulled for a second")
        raised = [a for a in alarms(watcher, "pit_probe_lost") if a["active"]]
        brief.need(not raised, "an alarm for a moment")
        brief.need(last_state(watcher)["phase"] != "cut_off", "cut off for a moment")
        brief.seen = "nothing happens"
        put_in_s = time.monotonic()
        service.control(unplugged=True)
        alarm = wait_alarm(watcher, "pit_probe_lost", 40.0)
        found = timed("pit_probe_lost", "the pit probe is pulled for good", time.monotonic() - put_in_s,
                      allowed("pit_probe_lost"), alarm)  # fmt: skip
        service.wait_steps(2)
        shut, took_s = vents_shut_in_time(service, put_in_s)
        found.need(shut, "vents not shut")
        found.seen = f"vents shut {took_s:.0f} s after the fault"
        return [brief, found]


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
        took_s = _utc(alarm["raised_utc"]) - lost_utc
        found = timed("broker_lost", "the broker is killed (limit set to 30 s)", took_s, 30.0, alarm)
        found.need(gap_s <= LATEST_STEP_S, f"{gap_s:.1f} s without a step")
        other = wait_alarm(watcher, "servo_supply_low", 20.0)
        nothing_lost = Finding("", "an alarm raised while there is no broker")
        nothing_lost.need(_utc(other["raised_utc"]) - lost_utc < 15.0, "raised late")
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
        took_s = _utc(alarm["raised_utc"]) - frozen_utc
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
        with contextlib.suppress(OSError):
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
            took_s = _utc(alarm["raised_utc"]) - mute_utc
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


def _utc(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


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
        found.need(_reply(watcher, made)["accepted"], "the first was refused")
        count = len(watcher.on(f"{BASE}/reply/#") + watcher.on(f"{BASE}/reply"))
        command(watcher, "wood", id=made, mass_kg=0.08)
        wait_for(
            lambda: len(watcher.on(f"{BASE}/reply/#") + watcher.on(f"{BASE}/reply")) > count, 5.0, "a reply"
        )
        found.need(not _reply(watcher, made)["accepted"], "the duplicate was taken")
        old = command(watcher, "set_point", temp_c=100.0, issued_utc="2026-01-01T00:00:00+00:00")
        found.need(not _reply(watcher, old)["accepted"], "an old command was taken")
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


# The longest first, so that running them side by side ends early.
SCENARIOS: dict[str, Callable[[Path], list[Finding]]] = {
    run.__name__: run
    for run in (
        killed_and_resumed,
        journal_truncated,
        stopped,
        broker_frozen,
        half_open,
        broker_killed,
        broker_refuses,
        settings_changed,
        watchdog_fed,
        disk_full,
        flooded,
        probe_unplugged,
        restart_loop,
        killed_while_latched,
        probe_driver_hung,
        clock_moved,
        disk_read_only,
        duplicates,
        supply_low,
        started_twice,
        terminated,
    )
}
NEEDS_ROOT = ("disk_full", "disk_read_only")


def run_one(name: str, folder: Path) -> list[Finding]:
    """One scenario; what goes wrong in it is a finding too."""
    try:
        return SCENARIOS[name](folder)
    except Exception as error:
        log = folder / "service.log"
        tail = log.read_text("utf-8", "replace")[-600:] if log.exists() else ""
        return [Finding("", name, faults=[f"{type(error).__name__}: {error} {tail}"])]


def run_all(
    folder: Path, names: tuple[str, ...] = tuple(SCENARIOS), at_once: int = 10
) -> dict[str, list[Finding]]:
    """All of `names`, some at a time."""
    if os.geteuid() != 0:
        names = tuple(name for name in names if name not in NEEDS_ROOT)
    with ThreadPoolExecutor(at_once) as pool:
        return dict(zip(names, pool.map(lambda name: run_one(name, folder / name), names), strict=True))


if __name__ == "__main__":
    wanted = tuple(sys.argv[1:]) or tuple(SCENARIOS)
    with tempfile.TemporaryDirectory() as place:
        wrong = 0
        for key, findings in run_all(Path(place), wanted).items():
            for item in findings:
                wrong += bool(item.faults)
                took = "" if item.took_s is None else f"{item.took_s:.1f}/{item.allowed_s:g} s"
                print(f"{key:22} {item.row:22} {item.what:50} {took:12} {item.seen} {item.faults or 'ok'}")
    severity = max(Action, key=lambda action: action.severity)
    assert severity is Action.SNUFF_AND_STOP
    sys.exit(1 if wrong else 0)
