"""Faults of processes and machines, put into the real service with a real mosquitto, in real time.

Each scenario is a function of a folder; it returns what it found. `python tests/campaign_processes.py` runs
them all, some at a time; tests/campaign asks the same of every run of the tests.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import signal
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from brokers import wait_for
from campaign_broker import (
    broker_frozen,
    broker_killed,
    broker_refuses,
    duplicates,
    flooded,
    half_open,
)
from campaign_finding import (
    LATEST_STEP_S,
    Finding,
    allowed,
    longest_gap_s,
    reply_to,
    setting,
    timed,
    vents_shut_in_time,
)
from campaign_machine import (
    clock_moved,
    disk_full,
    disk_read_only,
    journal_truncated,
    probe_driver_hung,
    probe_unplugged,
    settings_changed,
    supply_low,
)
from campaign_service import BASE, Service, command, last_state, tended, wait_alarm, wait_state

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
        reply = reply_to(watcher, command(watcher, "reset"))
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
        reply = reply_to(watcher, reset)
        second.need(reply["accepted"], f"reset refused: {reply['reason']}")
        wait_state(watcher, lambda s: s["phase"] != "cut_off", 5.0, "the end of cut_off")
        second.seen = "still cut off, vents stayed shut; a reset after the cause was gone ended it"
        second.need(service.no_traceback(), "a traceback in the log")
        return [first, second]


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
            wait_alarm(watcher, "pit_probe_lost", 80.0)
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
    sys.exit(1 if wrong else 0)
