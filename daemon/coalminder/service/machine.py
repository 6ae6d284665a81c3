"""What is wrong with the machine: lateness, clock jumps, disk, broker, power, heat, a changed configuration.

Reads small files, now and then, and the health of the other parts; nothing here waits for the network.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Sequence
from pathlib import Path

from coalminder.journal.folder import write_anew
from coalminder.journal.values import Health
from coalminder.values import Machine

log = logging.getLogger(__name__)

_SLOW_S = 10.0  # kernel files and the configuration are looked at this often
_MOST_BYTES = 1_000_000  # of a file of settings
_RESTARTS_S = 600.0
_STARTS = "starts.json"
_BOOT = "boot"
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
# Linux hwmon sysfs interface: inX_lcrit_alarm is 1 while the voltage is critically low (rpi_volt).
_VOLTAGE_ALARMS = "hwmon*/in0_lcrit_alarm"
_BOARD_HOT_MILLI_C = 80_000  # the board slows itself down from 80 °C (makers' documentation, from memory)


class MachineWatch:
    """Collects values.Machine once a step. `blind_s`: time without steps before this run, else 0."""

    def __init__(
        self,
        *,
        journal_health: Callable[[], Health],
        broker_lost_s: Callable[[float], float],
        vents_failed: Callable[[], bool] = lambda: False,
        supply_low: Callable[[], bool] = lambda: False,
        settings_files: Sequence[Path] = (),
        blind_s: float = 0.0,
        resumed: bool = False,
        restarts: int = 0,
        sys_class: Path = Path("/sys/class"),
    ) -> None:
        self._journal_health, self._broker_lost_s = journal_health, broker_lost_s
        self._vents_failed, self._supply_low = vents_failed, supply_low
        self._settings_files, self._sys = settings_files, sys_class
        self._blind_s, self._resumed, self._restarts = blind_s, resumed, restarts
        self._began_s: float | None = None
        self._offset_s: float | None = None
        self._next_look_s = -1.0
        self._under_voltage = self._hot = self._changed = False
        self._loaded = _contents(settings_files)
        self._told = ""

    def __call__(self, now_s: float, utc_s: float, late_s: float) -> Machine:
        """The machine in the step at `now_s`."""
        first = self._began_s is None
        began_s = now_s if self._began_s is None else self._began_s
        self._began_s = began_s
        if now_s >= self._next_look_s:
            self._next_look_s = now_s + _SLOW_S
            self._look()
        offset_s = utc_s - now_s
        jump_s = 0.0 if self._offset_s is None else offset_s - self._offset_s
        self._offset_s = offset_s
        health = self._journal_health()
        if health.detail not in ("", self._told):
            log.warning("record: %s", health.detail)
        self._told = health.detail
        return Machine(
            late_s=late_s,
            blind_s=self._blind_s if first else 0.0,
            blind_start=first and self._resumed,
            clock_jump_s=jump_s if abs(jump_s) > 0.5 else 0.0,
            servo_supply_low=self._supply_low(),
            under_voltage=self._under_voltage,
            board_hot=self._hot,
            disk_failed=health.failed,
            journal_corrupt=health.corrupt,
            broker_lost_s=self._broker_lost_s(now_s),
            settings_changed=self._changed,
            restarts_in_10_min=self._restarts if now_s - began_s < _RESTARTS_S else 0,
            vent_driver_failed=self._vents_failed(),
        )

    def _look(self) -> None:
        self._under_voltage = "1" in _texts(self._sys / "hwmon", _VOLTAGE_ALARMS)
        millis = _texts(self._sys / "thermal", "thermal_zone*/temp")
        self._hot = any(text.lstrip("-").isdigit() and int(text) >= _BOARD_HOT_MILLI_C for text in millis)
        now = _contents(self._settings_files)
        if now is not None:  # else nobody knows: no file handle left, a worn card
            self._changed = now != self._loaded


def count_restarts(directory: Path, utc_s: float, cook_s: float | None = None) -> int:
    """Note this start in `directory` and tell how many there were in the last ten minutes before it.

    cook_s: control time of the cook that goes on, None for a new one. A board without a clock of its own
    starts at the same hour again and again: ten minutes of the cook count as well. Before the first step a
    start may seem to be a little earlier than the last one.
    """
    path = directory / _STARTS
    try:
        starts = [(float(at_s), float(at_cook_s)) for at_s, at_cook_s in json.loads(path.read_text("utf-8"))]
    except (OSError, ValueError, TypeError):
        starts = []
    recent = [
        (at_s, at_cook_s)
        for at_s, at_cook_s in starts
        if 0.0 <= utc_s - at_s < _RESTARTS_S or (cook_s is not None and abs(cook_s - at_cook_s) < _RESTARTS_S)
    ][-50:]
    try:
        directory.mkdir(parents=True, exist_ok=True)
        write_anew(path, json.dumps([*recent, (utc_s, cook_s or 0.0)]))
    except OSError:
        pass  # a full disk is told of by the journal
    return len(recent)


def forget_starts(directory: Path) -> None:
    """A person, or the system, ended the daemon in an orderly way: the next start is no restart."""
    try:
        (directory / _STARTS).unlink(missing_ok=True)
    except OSError:
        pass  # a full or read-only disk is told of by the journal


def begun_in_this_boot(directory: Path, *, now: bool, boot_id: Path = _BOOT_ID) -> bool:
    """Whether the cook was begun since the board was started. `now`: it begins now, which is noted.

    The clock of a board that has run on since may be wrong, but what it says of the cook's age is right.
    """
    this, path = _text(boot_id), directory / _BOOT
    if not now:
        return this != "" and _text(path) == this
    try:
        write_anew(path, this)
    except OSError:
        pass  # a full or read-only disk is told of by the journal
    return True


def _texts(folder: Path, pattern: str) -> list[str]:
    """What the files say; nothing when the folder cannot be listed (no file handle left, say)."""
    try:
        return [_text(path) for path in folder.glob(pattern)]
    except OSError:
        return []


def _text(path: Path) -> str:
    try:
        return path.read_text("ascii").strip()
    except (OSError, ValueError):
        return ""


def _contents(paths: Sequence[Path]) -> list[bytes | None] | None:
    """What the files hold, None for one that is gone or no use; None when that cannot be told."""
    found: list[bytes | None] = []
    for path in paths:
        try:
            # a pipe would hold up the loop, and what somebody puts there may be a disk's whole image
            fit = path.is_file() and path.stat().st_size <= _MOST_BYTES
            found.append(path.read_bytes() if fit else None)
        except (FileNotFoundError, PermissionError):
            found.append(None)
        except (OSError, MemoryError):
            return None
    return found
