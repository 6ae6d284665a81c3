"""Grills of other people that keep the protocol badly."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from coalminder.cli import main
from coalminder.vents.alone import alone

MODES = [
    "plain", "float32", "int64", "int", "nan at first", "nan a while", "no food", "text", "huge",
    "numpy alive", "alive as a method", "does not tell",
]  # fmt: skip
FAST = ("rehearse", "--fast", "--hours", "0.6")


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parent))


@pytest.mark.parametrize("mode", MODES)
def test_an_odd_grill_still_ends_in_figures_and_a_picture(mode: str, tmp_path: Path) -> None:
    figures, picture = tmp_path / "cook.json", tmp_path / "cook.png"
    options = ("--grill", "guests:make", "--grill-arg", f"mode={mode}")
    assert main([*FAST, *options, "--json", str(figures), "--plot", str(picture)]) == 0
    summary = json.loads(figures.read_text("utf-8"), parse_constant=lambda word: pytest.fail(word))
    assert 80.0 < summary["peak_c"] < 121.0
    assert summary["fire_alive"] is (None if mode == "does not tell" else True)
    assert picture.stat().st_size > 10_000


@pytest.mark.parametrize("where", ["guests:anything", "guests:Slots"])
def test_any_factory_without_required_arguments_will_do(where: str) -> None:
    assert main([*FAST, "--grill", where]) == 0


@pytest.mark.parametrize("live", [False, True], ids=["fast", "live"])
def test_a_grill_that_fails_is_one_line_that_says_when(
    live: bool, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    options = ["--grill", "guests:make", "--grill-arg", "mode=raises"]
    speed = ["--hours", "0.6", "--speed", "2000", "--plot", str(tmp_path / "x.png")]
    assert main(["rehearse", *speed, *options] if live else [*FAST, *options]) == 2
    error = capfd.readouterr().err
    assert "Traceback" not in error
    assert "advance failed at 0:15:00: RuntimeError: burnt through" in error


def test_a_grill_that_fails_in_a_step_test_is_one_line_that_says_when(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    options = ["--grill", "guests:make", "--grill-arg", "mode=raises", "--folder", str(tmp_path)]
    assert main(["step-test", *options]) == 2
    assert "advance failed at 0:15:00: RuntimeError: burnt through" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["def broken(:\n", "raise OSError('no disk')\n"], ids=["syntax", "raises"])
def test_a_module_that_cannot_be_imported_is_one_line(
    text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    name = f"badgrill_{len(text)}"
    (tmp_path / f"{name}.py").write_text(text, "utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    assert main([*FAST, "--grill", f"{name}:x"]) == 2
    shown = capsys.readouterr().err
    assert len(shown.strip().splitlines()) == 1
    assert f"cannot import '{name}'" in shown


@pytest.mark.parametrize(
    "words",
    [[*FAST, "--record"], ["step-test", "--folder"], ["relay-test", "--folder"]],
    ids=lambda words: words[0],
)
def test_a_simulated_cook_is_not_recorded_where_a_service_would_go_on_with_it(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """On a cold grill the service would tend, or lose for it the cook that it is in the midst of."""
    with alone(tmp_path):
        pass  # a service was here
    assert main([*words, str(tmp_path)]) == 2
    assert f"{words[-1]} {tmp_path}: the service keeps its records there" in capsys.readouterr().err
    assert not list(tmp_path.glob("*.cook"))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--fast", "--json", "/"], "--json"),
        (["--fast", "--plot", "a.xyz"], ".png"),
        (["--fast", "--plot", "noending"], ".png"),
        (["--fast", "--record", "/proc/none"], "--record"),
        (["--broker", "mqtt://127.0.0.1:1", "--hours", "0.1"], "no connection"),
        (["--hours", "0.1"], "--plot cook.png"),
    ],
    ids=["json is a folder", "no such picture", "no ending", "no folder", "no broker", "the usual picture"],
)
def test_outputs_and_brokers_that_cannot_be_had_are_said_at_once(
    options: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("coalminder.rehearse.live._CONNECT_S", 0.5)
    if "--broker" not in options:
        (tmp_path / "cook.png").mkdir()
        monkeypatch.chdir(tmp_path)
    assert main(["rehearse", *options]) == 2
    shown = capsys.readouterr()
    assert said in shown.err
    assert "cook of" not in shown.out, "no cook before that"
    assert "Traceback" not in shown.err


@pytest.mark.parametrize(
    "text",
    [
        "[band]\nset_point = 118\nhigh = 121\nhighest_set_point = 128\n",
        "[safety]\nceiling_c = 100\nband_low_c = 80\n",
        "[band]\nkeep_warm = 95\n",
    ],
    ids=["set points over the ceiling", "ceiling under the band", "keeping warmer than tending"],
)
def test_limits_that_contradict_each_other_are_refused(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "c.toml"
    path.write_text(text, "utf-8")
    assert main(["rehearse", "--fast", "--config", str(path)]) == 2
    assert str(path) in capsys.readouterr().err


def test_a_section_set_as_a_whole_in_the_environment_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COALMINDER_LOOP", "xx")
    assert main(["rehearse", "--fast"]) == 2
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("where", ["coalminder.grill:kettle", "mine:make"])
def test_what_lies_where_it_is_called_is_no_library_of_ours(where: str, tmp_path: Path) -> None:
    """A folder of downloads may hold anything; only the grill that was named is taken from there."""
    for name in ("numba", "numpy", "matplotlib", "queue"):
        (tmp_path / f"{name}.py").write_text("raise SystemExit('a stranger was run')")
    (tmp_path / "mine.py").write_text(
        "import numba\nfrom coalminder.grill import kettle\ndef make(): return kettle()\n"
    )
    command = [sys.executable, "-m", "coalminder.cli", *FAST, "--grill", where, "--plot", "cook.png"]
    environment = {**os.environ, "PYTHONSAFEPATH": "1"}  # as of the installed command
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
