"""`step-test` and `relay-test` on the real grill: how they begin and how they end."""

from __future__ import annotations

import os
import signal
import threading
from pathlib import Path

import pytest
from rich.console import Console

from coalminder.cli import main
from coalminder.grill import Kettle
from coalminder.rehearse.hardware import SimulatedHardware
from coalminder.service import command
from coalminder.vents.by_hand import ENDING


class Board(SimulatedHardware):
    """A grill whose person ends the program, twice, once a vent is open."""

    def __init__(self, number: signal.Signals) -> None:
        super().__init__(Kettle())
        self.number = number
        self.opened = self.closed = False

    async def move(self, lower: float, upper: float) -> None:
        await super().move(lower, upper)
        if lower > 0.0:
            self.opened = True
            os.kill(os.getpid(), self.number)
            os.kill(os.getpid(), self.number)

    async def close(self) -> None:
        assert self.lower == self.upper == 0.0
        self.closed = True


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "coalminder.toml"
    path.write_text(
        f'[journal]\ndirectory = "{tmp_path}"\n[probes.pit]\nkind = "simulated"\n'
        '[vents.lower]\ndriver = "simulated"\n',
        "utf-8",
    )
    return path


@pytest.mark.timeout(20)
@pytest.mark.parametrize("number", ENDING)
@pytest.mark.parametrize("test", ["step-test", "relay-test"])
def test_a_signal_shuts_the_vents(
    number: signal.Signals,
    test: str,
    config: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    board = Board(number)
    monkeypatch.setattr(command, "open_board", lambda _settings: board)
    assert main([test, "--config", str(config), "--folder", str(config.parent)]) == 130
    assert board.opened
    assert board.closed
    assert "the vents are shut" in capsys.readouterr().out


@pytest.mark.timeout(30)
def test_a_terminal_that_takes_no_more_holds_up_no_step(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-S: the fire was left alone with whatever the vents had, until Ctrl-Q."""
    board, goes_on, held_up = Board(signal.SIGTERM), threading.Event(), []
    said = Console.print

    def stalls(console: Console, *words: object, **how: bool) -> None:
        if " min  pit" in str(words[0]):
            held_up.append(not goes_on.wait(10.0))
        said(console, *words, **how)

    monkeypatch.setattr(Console, "print", stalls)
    monkeypatch.setattr(command, "open_board", lambda _settings: board)
    assert main(["step-test", "--config", str(config), "--folder", str(config.parent)]) == 130
    assert board.opened
    assert held_up == []
    goes_on.set()


class Disobeying(Board):
    """A vent of it hangs at the last."""

    async def make_safe(self) -> None:
        self.vents_failed = self.opened
        await super().make_safe()


@pytest.mark.timeout(20)
def test_a_vent_that_was_not_shut_is_not_called_shut(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(command, "open_board", lambda _settings: Disobeying(signal.SIGTERM))
    assert main(["step-test", "--config", str(config), "--folder", str(config.parent)]) == 130
    said = capsys.readouterr().out
    assert "did NOT obey: shut it by hand" in said
    assert "are shut" not in said


@pytest.mark.parametrize("name", ["a file", "a file/cooks"])
def test_a_folder_that_takes_no_record_is_told_before_a_vent_moves(
    name: str, config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (config.parent / "a file").touch()
    board = Board(signal.SIGTERM)
    monkeypatch.setattr(command, "open_board", lambda _settings: board)
    folder = config.parent / name
    assert main(["step-test", "--config", str(config), "--folder", str(folder)]) == 2
    told = capsys.readouterr().err
    assert f"--folder {folder}" in told
    assert not board.opened


@pytest.mark.parametrize(("asked", "told"), [("400 F", "400 F is outside 55 to 110"), ("warm", "warm")])
def test_set_point_may_carry_its_unit(asked: str, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["step-test", "--set-point", asked]) == 2
    error = capsys.readouterr().err
    assert told in error
    assert "200 F" in error
