"""Mistakes of people: one clear line, exit code 2, never a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from coalminder.cli import main

CASES = {
    "unknown key": ("[band]\nset_pint = 93\n", ["set_pint", "did you mean 'set_point'"]),
    "unknown section": ("[bandd]\nx = 1\n", ["bandd", "band"]),
    "wrong unit": ('[band]\nset_point = "95 K"\n', ["band.set_point", "K", "°c", "95 K"]),
    "out of range": ("[band]\nset_point = 400\n", ["band.set_point", "400", "55 to 130"]),
    "negative gain": ("[loop]\nkp = -0.1\n", ["loop.kp", "-0.1", "0 to 4"]),
    "not a number": ("[loop]\nki = nan\n", ["loop.ki", "finite", "0 to 0.1"]),
    "infinite": ("[loop]\nkd = inf\n", ["loop.kd", "finite"]),
    "text for a number": ('[loop]\nkp = "much"\n', ["loop.kp", "much"]),
    "order": ("[band]\nlow = 100\nset_point = 93\n", ["low < set_point < high"]),
    "not TOML": ("[band\nset_point = 93\n", ["not TOML", "line 1"]),
    "no pit probe": ('[probes.dome]\nkind = "simulated"\n', ["pit"]),
    "no such kind of probe": ('[probes.pit]\nkind = "wet_finger"\n', ["probes", "wet_finger"]),
}


def one_line(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(list(words)) == 2
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err + shown.out
    assert len(shown.err.strip().splitlines()) == 1, shown.err
    return shown.err


@pytest.mark.parametrize(("text", "said"), CASES.values(), ids=CASES.keys())
def test_a_mistake_in_the_configuration_is_one_line(
    text: str, said: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "coalminder.toml"
    path.write_text(text, "utf-8")
    line = one_line(capsys, "rehearse", "--fast", "--config", str(path))
    assert str(path) in line
    for words in said:
        assert words in line


def test_a_missing_configuration_says_where_to_get_one(capsys: pytest.CaptureFixture[str]) -> None:
    line = one_line(capsys, "tend", "--config", "/nonexistent/coalminder.toml")
    assert "/nonexistent/coalminder.toml" in line
    assert "config/coalminder.toml" in line


def test_a_mistyped_environment_variable_is_caught(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COALMINDER_BNAD__LOW", "80")
    assert "COALMINDER_BNAD__LOW" in one_line(capsys, "rehearse", "--fast")


def test_an_environment_variable_overrides_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    from coalminder.settings import load_settings

    monkeypatch.setenv("COALMINDER_BAND__SET_POINT", "200 F")
    assert load_settings().core().set_point_c == pytest.approx(93.333, abs=1e-3)


OPTIONS = {
    "set point in F without unit": (["--fast", "--set-point", "200"], ["200", "55 to 110", "200 F"]),
    "set point nonsense": (["--fast", "--set-point", "warm"], ["warm"]),
    "hours": (["--fast", "--hours", "-1"], ["--hours", "0.01 to 200"]),
    "speed": (["--speed", "0"], ["--speed", "1 to 10000"]),
    "lid": (["--fast", "--lid-lift", "abc"], ["--lid-lift", "AT_S:FOR_S"]),
    "wood": (["--fast", "--wood", "60:99"], ["--wood", "up to 5"]),
    "no module": (["--fast", "--grill", "nowhere:x"], ["nowhere"]),
    "no factory": (["--fast", "--grill", "json:nothing"], ["nothing"]),
    "not a grill": (["--fast", "--grill", "builtins:dict"], ["advance", "pit_c"]),
    "grill argument": (
        ["--fast", "--grill", "coalminder.grill:kettle", "--grill-arg", "charcol_kg=1"],
        ["charcoal_kg"],
    ),
    "broker URL": (["--broker", "http://x"], ["mqtt://"]),
    "json folder": (["--fast", "--json", "/nonexistent/x.json"], ["/nonexistent"]),
    "broker with fast": (["--fast", "--broker", "mqtt://127.0.0.1"], ["--fast"]),
}


@pytest.mark.parametrize(("options", "said"), OPTIONS.values(), ids=OPTIONS.keys())
def test_a_mistake_on_the_command_line_is_one_line(
    options: list[str], said: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    line = one_line(capsys, "rehearse", *options)
    for words in said:
        assert words in line
