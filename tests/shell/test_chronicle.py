"""The log of the service: phases, and each alarm that comes and goes."""

from __future__ import annotations

import json
import logging
import os
import re
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest
from brokers import wait_for
from simulated import wiring

from coalminder.errors import UserError
from coalminder.journal import read
from coalminder.journal.store import newest
from coalminder.service.chronicle import Chronicle
from coalminder.settings import load_settings
from coalminder.settings.calibration import Calibration, VentCorrection, save_calibration
from coalminder.values import Action, Alarm, AlarmState, Decision, Inputs, Phase, Reading

SEEN = Inputs(Reading(93.0))


def alarm(code: str, state: AlarmState, action: Action, priority: str, *, active: bool) -> Alarm:
    return Alarm(code, state, action, priority, active, 0.0, f"{code} happened", f"mend {code}")


def told(caplog: pytest.LogCaptureFixture, *steps: tuple[Phase, list[Alarm]]) -> list[tuple[str, str]]:
    chronicle = Chronicle(logging.getLogger("coalminder"))
    with caplog.at_level(logging.INFO, "coalminder"):
        for phase, alarms in steps:
            chronicle(0.0, SEEN, Decision(phase, 93.0, 0.0, 0.0, alarms=tuple(alarms)))
    return [(record.levelname, record.getMessage()) for record in caplog.records]


def test_an_alarm_is_told_when_it_comes_with_its_remedy_and_when_it_goes(
    caplog: pytest.LogCaptureFixture,
) -> None:
    note = alarm("disk_failed", AlarmState.UNACKNOWLEDGED, Action.NOTE, "low", active=True)
    seen = alarm("disk_failed", AlarmState.ACKNOWLEDGED, Action.NOTE, "low", active=True)
    lines = told(
        caplog, (Phase.TENDING, []), (Phase.TENDING, [note]), (Phase.TENDING, [seen]), (Phase.TENDING, [])
    )
    assert lines == [
        ("INFO", "phase tending"),
        ("INFO", "alarm disk_failed raised (low, note): disk_failed happened; mend disk_failed"),
        ("INFO", "alarm disk_failed: cleared"),
    ]


@pytest.mark.parametrize(
    ("action", "priority"),
    [(Action.THROTTLE, "medium"), (Action.SNUFF_AND_STOP, "high"), (Action.WARN, "high")],
)
def test_what_acts_or_is_of_high_priority_is_a_warning(
    action: Action, priority: str, caplog: pytest.LogCaptureFixture
) -> None:
    strong = alarm("x", AlarmState.UNACKNOWLEDGED, action, priority, active=True)
    assert told(caplog, (Phase.TENDING, [strong]))[0][0] == "WARNING"


def test_a_latched_cut_off_is_told_also_at_the_start(caplog: pytest.LogCaptureFixture) -> None:
    left = alarm("restart_loop", AlarmState.LATCHED_ACKNOWLEDGED, Action.SNUFF_AND_STOP, "high", active=False)
    lines = told(caplog, (Phase.CUT_OFF, [left]), (Phase.CUT_OFF, [left]))
    assert [level for level, _ in lines] == ["WARNING", "WARNING"]
    assert "latched" in lines[0][1]
    assert "mend restart_loop" in lines[0][1]
    assert lines[1][1] == "phase cut_off"


@pytest.mark.parametrize("state", [AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE])
def test_what_a_person_silenced_is_not_told(state: AlarmState, caplog: pytest.LogCaptureFixture) -> None:
    quiet = alarm("x", state, Action.WARN, "high", active=True)
    assert told(caplog, (Phase.TENDING, [quiet])) == [("INFO", "phase tending")]


def test_the_service_writes_it_to_its_log(tmp_path: Path) -> None:
    config = tmp_path / "coalminder.toml"
    config.write_text(
        f'[mqtt]\nenabled = false\n[journal]\ndirectory = "{tmp_path}"\n[safety]\nunattended_s = 3600\n',
        "utf-8",
    )
    command = [
        sys.executable, "-m", "coalminder.cli", "tend", "--config", str(config), "--lit",
        "--simulate", "coalminder.grill:kettle", "--speed", "1000",
    ]  # fmt: skip
    log = tmp_path / "log"
    with log.open("wb") as out:
        process = subprocess.Popen(command, stderr=out)
    try:
        wait_for(lambda: "phase cut_off" in log.read_text("utf-8"), 40, "the cut-off in the log")
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(10)
    lines = log.read_text("utf-8")
    assert re.search(r"(?m)^INFO \S+: phase lighting$", lines)
    assert re.search(r"(?m)^WARNING \S+: alarm unattended raised \(high", lines)


def test_a_log_that_nobody_reads_holds_up_neither_the_fire_nor_a_stop(tmp_path: Path) -> None:
    """A terminal stopped with Ctrl-S, a pager left alone, a journal that hangs: a pipe that is full."""
    unread, log = os.pipe()
    os.set_blocking(log, False)
    with suppress(BlockingIOError):
        while True:
            os.write(log, b"x")
    os.set_blocking(log, True)

    def steps() -> int:
        record = newest(tmp_path / "cooks")
        if record is None or record.stat().st_size == 0:
            return 0
        with suppress(UserError), read(record) as found:
            return len(list(found.steps()))
        return 0

    command = [sys.executable, "-m", "coalminder.cli", "tend", "--config", str(wiring(tmp_path)), "--lit"]
    process = subprocess.Popen(
        command, stderr=log, env={**os.environ, "COALMINDER_JOURNAL__DIRECTORY": str(tmp_path / "cooks")}
    )
    try:
        wait_for(lambda: steps() >= 3, 20.0, "steps")
        process.send_signal(signal.SIGTERM)
        assert process.wait(10.0) == 0
    finally:
        process.kill()
        process.wait(10.0)
        os.close(unread)
        os.close(log)


def test_a_record_says_how_the_vents_were_calibrated_while_it_was_made(tmp_path: Path) -> None:
    config, cooks, lower = wiring(tmp_path), tmp_path / "cooks", VentCorrection(stop_shut=0.1)
    save_calibration(load_settings(config).calibration_file, Calibration(vents={"lower": lower}))
    process = subprocess.Popen(
        [sys.executable, "-m", "coalminder.cli", "tend", "--config", str(config)],
        env={**os.environ, "COALMINDER_JOURNAL__DIRECTORY": str(cooks)},
    )
    try:
        wait_for(lambda: (record := newest(cooks)) is not None and record.stat().st_size > 0, 20.0, "record")
        process.send_signal(signal.SIGTERM)
        assert process.wait(10.0) == 0
    finally:
        process.kill()
        process.wait(10.0)
    record = newest(cooks)
    assert record is not None
    with read(record) as found:
        (said,) = (json.loads(header.settings)["calibration"] for header in found.headers)
    assert said["vents"]["lower"]["stop_shut"] == 0.1


#: A wall clock that is as far off as a file says.
AS_FAR_OFF = """
import sys, time
from pathlib import Path
wall, off = time.time, Path(sys.argv.pop(1))
time.time = lambda: wall() + float(off.read_text())
from coalminder.cli import main
sys.exit(main())
"""


@pytest.mark.parametrize(
    ("off_s", "cut_s", "told"),
    [
        (-20.0, 7200.0, "alarm was_blind raised"),
        (-90 * 86_400.0, 600.0, "alarm was_blind raised"),
        (-20.0, 86_400.0, "snuffing"),
    ],
    ids=["the clock stood still", "it starts months ago", "yesterday's cook"],
)
def test_the_log_tells_of_a_power_cut_when_the_clock_is_put_right(
    off_s: float, cut_s: float, told: str, tmp_path: Path
) -> None:
    config, off, log, cooks = (tmp_path / name for name in ("c.toml", "off", "log", "cooks"))
    config.write_text(f'[mqtt]\nenabled = false\n[journal]\ndirectory = "{cooks}"\n', "utf-8")
    off.write_text("0", "ascii")
    command = [
        sys.executable, "-c", AS_FAR_OFF, str(off), "tend", "--config", str(config),
        "--simulate", "coalminder.grill:kettle",
    ]  # fmt: skip

    def lights() -> bool:
        return "phase lighting" in log.read_text("utf-8")

    def starts() -> int:
        return len(json.loads((cooks / "starts.json").read_text("utf-8")))

    with log.open("wb") as lines:
        first = subprocess.Popen([*command, "--lit"], stderr=lines)
    try:
        wait_for(lights, 20.0, "the fire")
        time.sleep(3.0)  # a step reaches the disk within 2 s
    finally:
        first.kill()
        first.wait(10)
    (cooks / "boot").write_text("another", "ascii")
    off.write_text(str(off_s), "ascii")
    with log.open("wb") as lines:
        second = subprocess.Popen(command, stderr=lines)
    try:
        wait_for(lights, 20.0, "the same fire")
        wait_for(lambda: starts() == 2, 5.0, "a restart, by the cook's time")  # after the phase was told
        (tmp_path / "right").write_text(str(cut_s), "ascii")
        (tmp_path / "right").replace(off)
        wait_for(lambda: told in log.read_text("utf-8"), 10.0, told)
    finally:
        second.kill()
        second.wait(10)
    text = log.read_text("utf-8")
    assert ("is an old one" in text) == (told == "snuffing")
    if told != "snuffing":
        (blind_s,) = re.findall(r"without control \((\d+) s\)", text)
        assert float(blind_s) == pytest.approx(cut_s, abs=15.0)
    assert "loop_late" not in text
