"""What the service sees of its own machine, from the kernel's files."""

from __future__ import annotations

import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from coalminder.journal.values import Health
from coalminder.service.machine import MachineWatch


def watch(sys_class: Path) -> MachineWatch:
    return MachineWatch(journal_health=Health, broker_lost_s=lambda _now_s: 0.0, sys_class=sys_class)


@contextmanager
def no_file_handle_left() -> Iterator[None]:
    """No file can be opened inside: open(2) then fails with EMFILE."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (0, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)


def board(sys_class: Path, *, voltage_alarm: int, milli_c: int) -> Path:
    """The two files of Linux' sysfs that are looked at: hwmon interface, generic thermal sysfs driver."""
    for name, text in (
        ("hwmon/hwmon1/in0_lcrit_alarm", voltage_alarm),
        ("thermal/thermal_zone0/temp", milli_c),
    ):
        path = sys_class / name
        path.parent.mkdir(parents=True)
        path.write_text(f"{text}\n", "ascii")
    return sys_class


def test_low_supply_and_heat_are_seen(tmp_path: Path) -> None:
    seen = watch(board(tmp_path, voltage_alarm=1, milli_c=80_000))(0.0, 0.0, 0.0)
    assert seen.under_voltage
    assert seen.board_hot
    seen = watch(board(tmp_path / "other", voltage_alarm=0, milli_c=79_999))(0.0, 0.0, 0.0)
    assert not seen.under_voltage
    assert not seen.board_hot


def test_without_a_file_handle_the_loop_goes_on(tmp_path: Path) -> None:
    """It ended the daemon with a traceback at the next look, ten seconds later at most."""
    look = watch(board(tmp_path, voltage_alarm=1, milli_c=20_000))
    with no_file_handle_left():
        assert not look(0.0, 0.0, 0.0).under_voltage
    assert look(11.0, 11.0, 0.0).under_voltage


def test_a_configuration_that_cannot_be_read_just_now_was_not_changed(tmp_path: Path) -> None:
    """What cannot be told leaves an alarm as it is."""
    config = tmp_path / "c.toml"
    config.write_text("[band]\n")
    look = MachineWatch(
        journal_health=Health, broker_lost_s=lambda _now_s: 0.0, sys_class=tmp_path, settings_files=[config]
    )
    with no_file_handle_left():
        assert not look(0.0, 0.0, 0.0).settings_changed
    config.write_text("[band]\nhigh = 100\n")
    assert look(11.0, 11.0, 0.0).settings_changed
    with no_file_handle_left():
        assert look(22.0, 22.0, 0.0).settings_changed
    config.write_text("[band]\n")
    assert not look(33.0, 33.0, 0.0).settings_changed
    config.unlink()
    assert look(44.0, 44.0, 0.0).settings_changed


@pytest.mark.timeout(10)
def test_what_is_no_file_in_the_place_of_the_configuration_is_a_change_and_holds_nobody_up(
    tmp_path: Path,
) -> None:
    """open(2) of a pipe waits until somebody writes into it: perhaps for ever (fifo(7))."""
    config = tmp_path / "c.toml"
    config.write_text("[band]\n")
    look = MachineWatch(
        journal_health=Health, broker_lost_s=lambda _now_s: 0.0, sys_class=tmp_path, settings_files=[config]
    )

    def make_huge(path: Path) -> None:
        path.touch()
        os.truncate(path, 1 << 40)

    for n, make in enumerate((os.mkfifo, os.mkdir, lambda path: os.symlink(path, path), make_huge)):
        config.unlink()
        make(config)
        assert look(20.0 * n, 20.0 * n, 0.0).settings_changed
        config.rename(tmp_path / f"{n}")
        config.write_text("[band]\n")
        assert not look(20.0 * n + 10.0, 20.0 * n + 10.0, 0.0).settings_changed


def test_a_configuration_that_the_daemon_may_no_longer_read_was_changed(tmp_path: Path) -> None:
    """As an editor of root's leaves it under a strict umask."""
    config = tmp_path / "c.toml"
    config.write_text("[band]\n")
    look = MachineWatch(
        journal_health=Health, broker_lost_s=lambda _now_s: 0.0, sys_class=tmp_path, settings_files=[config]
    )
    config.chmod(0)
    user = os.geteuid()
    os.seteuid(user or 65534)  # root reads everything
    try:
        seen = look(0.0, 0.0, 0.0)
    finally:
        os.seteuid(user)
    assert seen.settings_changed
