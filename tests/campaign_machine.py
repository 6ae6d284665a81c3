"""The machine under the service broken: supply, disk, clock, probes; see campaign_processes.py."""

from __future__ import annotations

import contextlib
import os
import random
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

from brokers import wait_for
from campaign_finding import (
    GRACE_S,
    LATEST_STEP_S,
    Finding,
    allowed,
    longest_gap_s,
    reply_to,
    setting,
    timed,
    vents_shut_in_time,
)
from campaign_service import BASE, alarms, command, last_state, tended, wait_alarm, wait_state

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
        reply = reply_to(watcher, made)
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
        alarm = wait_alarm(watcher, "pit_probe_stale", 80.0)
        took_s = time.monotonic() - put_in_s
        first = timed(
            "pit_probe_silent", "the probe driver hangs", silent_s, allowed("pit_probe_silent"), silent
        )
        found = timed("pit_probe_stale", "the probe driver hangs", took_s, allowed("pit_probe_stale"), alarm)
        state = wait_state(watcher, lambda s: s["phase"] == "cut_off", 5.0, "cut_off")
        found.need(state["lower_frac"] == 0.0 and state["upper_frac"] == 0.0, "vents not shut")
        found.seen = "vents shut, latched"
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
        alarm = wait_alarm(watcher, "pit_probe_lost", 80.0)
        found = timed("pit_probe_lost", "the pit probe is pulled for good", time.monotonic() - put_in_s,
                      allowed("pit_probe_lost"), alarm)  # fmt: skip
        service.wait_steps(2)
        shut, took_s = vents_shut_in_time(service, put_in_s)
        found.need(shut, "vents not shut")
        found.seen = f"vents shut {took_s:.0f} s after the fault"
        return [brief, found]
