"""Vents moved from the command line: never beside a daemon, never left open by a signal."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from unittest.mock import AsyncMock

import pytest
from fake_pulses import FakePulseOutput
from simulated import wiring

from coalminder.calibrate.stops import find_stops
from coalminder.cli import main
from coalminder.errors import UserError
from coalminder.service import command as service
from coalminder.vents import alone as alone_module
from coalminder.vents.alone import alone, held
from coalminder.vents.by_hand import ENDING, by_hand, refuse_while_tending
from coalminder.vents.servo import ServoVent, Stroke

COMMANDS = {
    "check": ["check", "--seconds", "3", "--yes"],
    "stops": ["calibrate", "WITH", "stops", "--vent", "lower"],
    "step-test": ["step-test"],
    "relay-test": ["relay-test"],
}


def systemctl(folder: Path, script: str) -> str:
    """A PATH whose systemctl is `script`."""
    program = folder / "systemctl"
    program.write_text(f"#!/bin/sh\n{script}\n", "utf-8")
    program.chmod(0o755)
    return f"{folder}:{os.environ['PATH']}"


def words_of(command: str, folder: Path) -> list[str]:
    path = wiring(folder)
    words = list(COMMANDS.get(command, [command]))
    if "WITH" in words:
        words[words.index("WITH") : words.index("WITH") + 1] = ["--config", str(path)]
    else:
        words += ["--config", str(path)]
    return [*words, "--folder", str(folder)] if command.endswith("-test") else words


@pytest.mark.parametrize("command", COMMANDS)
def test_a_daemon_started_by_hand_keeps_its_vents(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with alone(tmp_path):
        assert main(words_of(command, tmp_path)) == 2
    assert "another daemon tends" in capsys.readouterr().err


@pytest.mark.parametrize("unit", ["coalminder.service", "coalminder@east.service"])
def test_a_unit_that_runs_is_named(
    unit: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    script = f'case "$*" in *coalminder@\\**) echo "{unit} loaded activating auto-restart Coalminder";; esac'
    monkeypatch.setenv("PATH", systemctl(tmp_path, script))
    assert main(words_of("check", tmp_path)) == 2
    assert f"sudo systemctl stop {unit}" in capsys.readouterr().err


@pytest.mark.parametrize("script", ["exit 0", "echo 'System has not been booted' >&2; exit 1"])
def test_no_unit_no_objection(script: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", systemctl(tmp_path, script))
    refuse_while_tending()


def test_the_lock_is_of_use_to_a_user_who_may_only_read_its_file(tmp_path: Path) -> None:
    old = os.umask(0o077)
    try:
        with alone(tmp_path):
            assert (tmp_path / "tend.lock").stat().st_mode & 0o777 == 0o644
            assert held(tmp_path)
            with pytest.raises(UserError, match="another daemon"), by_hand(tmp_path):
                pass
    finally:
        os.umask(old)
    assert not held(tmp_path)
    assert not held(tmp_path / "missing")


def test_a_wire_has_one_program_whatever_folder_each_writes_to(tmp_path: Path) -> None:
    """A copied configuration with another folder of records, or a disk that takes no lock."""
    east, west = tmp_path / "east", tmp_path / "missing"
    east.mkdir()
    wires = (f"pin 18 of {os.getpid()}", f"pin 19 of {os.getpid()}")
    with alone(east, wires):
        assert held(west, wires[1:])
        with pytest.raises(UserError, match=r"pin 19 of \d+: another daemon"), by_hand(west, wires[1:]):
            pass
        with alone(tmp_path, ["another " + wires[0]]):
            pass
    assert not held(west, wires)
    with alone(west, wires), pytest.raises(UserError, match="pin 18 of"), alone(east, wires):
        pass


@pytest.mark.parametrize("command", [*COMMANDS, "tend"])
def test_whoever_moves_vents_holds_their_wires(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A simulated grill has none."""
    monkeypatch.setattr(alone_module, "_address", lambda wire: f"\0{os.getpid()}/{wire}")  # of this run only
    words = words_of(command, tmp_path)
    path = tmp_path / "coalminder.toml"
    text = path.read_text("utf-8")
    path.write_text(
        text.replace('[vents.lower]\ndriver = "simulated"', '[vents.lower]\ndriver = "pin"\npin = 4')
    )
    with alone(tmp_path / "of another", ("pin 4",)):
        assert main(words) == 2
        assert "pin 4: another daemon, or a test, moves a vent there" in capsys.readouterr().err
        if command == "tend":
            monkeypatch.setattr(service, "_tend", AsyncMock(return_value=0))
            assert main([*words, "--simulate", "coalminder.grill:kettle"]) == 0


def test_a_wire_is_free_again_however_its_program_ended(tmp_path: Path) -> None:
    wires = (f"pin 12 of {os.getpid()}",)
    program = (
        "import pathlib; from coalminder.vents.alone import alone\n"
        f"with alone(pathlib.Path('missing'), {wires!r}): print('has it', flush=True); input()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"has it\n"
        assert held(tmp_path, wires)
        other.kill()
    assert not held(tmp_path, wires)
    with alone(tmp_path, wires):
        pass


@pytest.mark.parametrize("number", ENDING)
def test_a_signal_ends_the_work_through_its_cleaning_up(number: signal.Signals, tmp_path: Path) -> None:
    before = signal.getsignal(number)
    shut = []

    def move() -> None:
        try:
            os.kill(os.getpid(), number)
        finally:
            os.kill(os.getpid(), number)  # impatient: the second one must not stop the shutting
            shut.append(True)

    with pytest.raises(KeyboardInterrupt), by_hand(tmp_path):
        move()
    assert shut
    assert signal.getsignal(number) is before


@pytest.mark.parametrize("last", ["x", "ctrl-c"])
def test_a_vent_is_not_left_open_when_its_stops_are_given_up(last: str) -> None:
    output = FakePulseOutput()
    vent = ServoVent("lower", output, Stroke(), sleep=lambda _s: None)
    waiting = iter(["0.7", last])

    def ask(_question: str) -> str:
        word = next(waiting)
        if word == "ctrl-c":
            raise KeyboardInterrupt
        return word

    asking: Callable[[str], str] = ask
    with pytest.raises((UserError, KeyboardInterrupt)):
        find_stops(vent, asking, lambda _line: None)
    assert vent.position == 0.0
    assert output.pulses_us[-1] == 1000.0


@pytest.mark.parametrize("there", [True, False])
def test_a_link_in_the_place_of_the_lock_has_root_change_no_other_file(tmp_path: Path, there: bool) -> None:
    """The folder is the service's user's; root looks into it with `check`."""
    folder, other = tmp_path / "records", tmp_path / "of-root"
    folder.mkdir()
    (folder / "tend.lock").symlink_to(other)
    if there:
        other.touch(0o600)
    with alone(folder):
        assert not held(folder)
    assert other.exists() == there
    if there:
        assert other.stat().st_mode & 0o777 == 0o600
