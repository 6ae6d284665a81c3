"""Where the words go: nobody listens, a full disk, a plain terminal, a missing extra."""

from __future__ import annotations

import importlib
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from simulated import wiring

from coalminder import cli

COMMANDS = {
    "check": "check --config {config} --seconds 3 --no-move",
    "rehearse": "rehearse --fast --hours 0.5",
    "plan": "plan --foods",
    "help": "--help",
}


def shell(folder: Path, command: str, redirected: str) -> subprocess.CompletedProcess[str]:
    words = COMMANDS[command].format(config=wiring(folder))
    line = f"{sys.executable} -m coalminder.cli {words} {redirected}"
    return subprocess.run(
        ["bash", "-o", "pipefail", "-c", line], capture_output=True, text=True, check=False, cwd=folder
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_a_reader_that_goes_is_no_error(command: str, tmp_path: Path) -> None:
    done = shell(tmp_path, command, "| true")
    assert done.stderr == ""


def test_a_plan_is_written_although_its_reader_goes(tmp_path: Path) -> None:
    line = f"{sys.executable} -m coalminder.cli plan --sources --json plan.json | true"
    subprocess.run(["bash", "-c", line], check=True, capture_output=True, cwd=tmp_path)
    assert (tmp_path / "plan.json").stat().st_size > 0


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "help"])  # argparse keeps silent
def test_a_full_disk_is_one_line(command: str, tmp_path: Path) -> None:
    done = shell(tmp_path, command, "> /dev/full")
    assert done.returncode == 1
    assert done.stderr == "coalminder: output cannot be written: No space left on device; free space\n"


@pytest.mark.parametrize("command", COMMANDS)
def test_a_closed_output_changes_nothing(command: str, tmp_path: Path) -> None:
    done = shell(tmp_path, command, ">&-")
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("command", COMMANDS)
def test_a_terminal_without_our_letters_gets_others(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONIOENCODING", "ascii")
    done = shell(tmp_path, command, "")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.isascii()


BOIL = ("boil", "--probe", "pit", "--pressure-hpa", "1000")


@pytest.mark.parametrize(
    ("words", "module", "extra"),
    [
        (["page"], "uvicorn", "page"),
        (["page", "--set-password", "hash"], "argon2", "page"),
        (["push", "--to", "json://127.0.0.1/"], "apprise", "push"),
        (["rehearse", "--hours", "0.01"], "amqtt", "demo"),
        (["rehearse", "--hours", "0.01", "--fast", "--plot", "cook.png"], "matplotlib", "demo"),
        (["calibrate", "--config", "empty.toml", *BOIL], "CoolProp", "calibrate"),
    ],
)
def test_a_missing_extra_is_one_line_that_names_it(
    words: list[str], module: str, extra: str, tmp_path: Path
) -> None:
    """In a process of its own: nothing that other tests have loaded is unloaded for it."""
    (tmp_path / "empty.toml").touch()
    code = f"import sys; sys.modules['{module}'] = None; from coalminder.cli import main; sys.exit(main())"
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert module in done.stderr
    assert f"install.sh --with {extra}" in done.stderr


@pytest.mark.parametrize(
    ("command", "module"), [("replay", "scipy"), ("bench", "numba"), ("push", "apprise")]
)
def test_help_is_given_without_the_extra(command: str, module: str) -> None:
    code = f"import sys; sys.modules['{module}'] = None; from coalminder.cli import main; sys.exit(main())"
    words = [sys.executable, "-c", code, command, "--help"]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0
    assert cli.COMMANDS[command][1] in done.stdout
    assert done.stderr == ""
    said = " ".join(done.stdout.split())
    assert (f'pip install -e ".[{command}]"' in said) == (command != "push"), "push needs it only to send"


@pytest.mark.parametrize("after_s", [0.15, 0.3, 0.45])
@pytest.mark.parametrize("command", ["replay", "page", "plan"])
def test_ctrl_c_in_the_first_moments_is_no_traceback(command: str, after_s: float) -> None:
    code = f"""
import signal, sys
from coalminder.cli import main
signal.signal(signal.SIGALRM, signal.default_int_handler)
signal.setitimer(signal.ITIMER_REAL, {after_s})
try:
    sys.exit(main())
finally:
    signal.signal(signal.SIGALRM, signal.SIG_IGN)
"""
    words = [sys.executable, "-c", code, command, "--help"]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.stderr == ""
    assert done.returncode in (0, 130), "0: it was done before"


def test_ctrl_c_while_a_command_is_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    def import_module(_name: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli.importlib, "import_module", import_module)
    assert cli.main(["plan"]) == 130


def test_a_defect_of_ours_is_not_taken_for_a_missing_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    module = importlib.import_module("coalminder.page.command")

    def run(_args: object) -> int:
        raise ModuleNotFoundError("No module named 'coalminder.gone'", name="coalminder.gone")

    monkeypatch.setattr(module, "run", run)
    with pytest.raises(ModuleNotFoundError):
        cli.main(["page"])


def test_other_errors_of_files_are_not_taken_for_the_output(monkeypatch: pytest.MonkeyPatch) -> None:
    module = importlib.import_module("coalminder.page.command")

    def run(_args: object) -> int:
        raise OSError(28, "No space left on device", "a.file")

    monkeypatch.setattr(module, "run", run)
    with pytest.raises(OSError, match=r"a\.file"):
        cli.main(["page"])


def test_extras_are_those_of_the_project() -> None:
    text = (Path(__file__).parents[2] / "pyproject.toml").read_text("utf-8")
    for extra in cli.EXTRAS.values():
        assert f"\n{extra} = [\n" in text
    assert set(cli.EXTRAS) <= set(cli.COMMANDS)


def test_a_file_of_a_stranger_does_not_command_the_terminal_that_tells_its_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "strange.toml"
    config.write_text('[page]\n"\\u001b]0;mine\\u0007\\u009b2J" = 1\n')
    assert cli.main(["tend", "--config", str(config)]) == 2
    shown = capsys.readouterr().err
    assert r"\x1b]0;mine\x07\x9b2J" in shown
    assert not {c for c in shown if unicodedata.category(c) == "Cc"} - {"\n"}
