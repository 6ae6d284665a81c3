"""kill -9 at random moments: no alarm that was on disk is lost, at most 5 s of readings, always resumed.

The writer runs 10 times as fast as a cook, so the 5 s are 0.5 s here.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from journal_killed import TIMES_AS_FAST, has_alarm
from recorded_cook import CookState, cook_step

from coalminder.journal import Resume, read, resume

WRITER = Path(__file__).parents[1] / "journal_killed.py"


def run_and_kill(folder: Path, after_s: float) -> tuple[list[tuple[int, float]], int, float]:
    """Steps handed over (n, utc), the step up to which alarms were safe, and the time of the kill."""
    process = subprocess.Popen(
        [sys.executable, str(WRITER), str(folder), "2"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        lines = [process.stdout.readline()]  # it lives
        time.sleep(after_s)  # the moment of the kill is what is tested
    finally:
        process.send_signal(signal.SIGKILL)
        killed_utc_s = time.time()
    lines += process.stdout.readlines()
    process.stdout.close()
    assert process.wait() == -signal.SIGKILL
    if lines and not lines[-1].endswith("\n"):
        lines.pop()
    words = [line.split() for line in lines]
    safe = max((int(w[1]) for w in words if w[0] == "safe"), default=0)
    return [(int(w[0]), float(w[1])) for w in words if w[0] != "safe"], safe, killed_utc_s


def kill_many(folder: Path, kills: int, seed: int) -> dict[str, float]:
    rng = random.Random(seed)
    worst_loss_s, alarms_checked, done = 0.0, 0, 0
    for _ in range(kills):
        handed, safe, killed_utc_s = run_and_kill(folder, rng.uniform(0.0, 1.8))
        found = resume(folder, CookState, time.time())
        assert isinstance(found, Resume), found
        assert found.damage == ""
        assert found.state == cook_step(found.state_n)[2]
        assert found.last_n >= safe
        worst_loss_s = max(worst_loss_s, killed_utc_s - found.last_utc_s)
        assert handed[0][0] == done + 1, "it went on where the record ended"
        done = found.last_n
        with read(found.path) as record:
            raised = {change.code for change in record.alarms() if change.state == "unacknowledged"}
            # What a step says of alarms and the rows of alarms agree, and nothing safe is missing.
            expected = {f"code_{i}" for i in range(1, found.last_n + 1) if has_alarm(i)}
            assert raised == expected
            alarms_checked = len(expected)
    with read(found.path) as record:
        steps = list(record.steps())
        assert record.damage == ""
    assert [step.n for step in steps] == list(range(1, done + 1))
    assert all(step.decision.pit_c == cook_step(step.n)[1].pit_c for step in steps[-200:])
    return {"kills": kills, "worst_loss_s": worst_loss_s, "alarms": alarms_checked, "steps": done}


def test_50_random_kills_lose_no_alarm_and_less_than_5_s_of_readings(tmp_path: Path) -> None:
    """Two cooks side by side: they wait far more than they work."""
    with ThreadPoolExecutor(2) as pool:
        folders = [tmp_path / "a", tmp_path / "b"]
        for figures in pool.map(kill_many, folders, (25, 25), (1, 5)):
            assert figures["kills"] == 25
            assert figures["worst_loss_s"] * TIMES_AS_FAST < 5.0
            assert figures["alarms"] > 50


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_200_random_kills_lose_no_alarm_and_less_than_5_s_of_readings(tmp_path: Path) -> None:
    figures = kill_many(tmp_path, 200, seed=int(os.environ.get("COALMINDER_SEED", "2")))
    print(figures)
    assert figures["worst_loss_s"] * TIMES_AS_FAST < 5.0
