"""A recorded cook runs again bit for bit; other settings part from it, and the replay says where."""

from __future__ import annotations

import gc
import os
import shutil
import sqlite3
import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from itertools import islice
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

import coalminder
from coalminder.build import DECIDES, build, digest
from coalminder.codec import from_plain, to_plain
from coalminder.core import Config, State, step
from coalminder.core.config import LoopConfig
from coalminder.journal import Record, Step, read
from coalminder.journal.packing import pack
from coalminder.replay.again import replay
from coalminder.replay.command import residual
from coalminder.replay.fopdt import Fopdt
from coalminder.replay.learned import Learned
from coalminder.replay.load import load
from coalminder.replay.whatif import Cook, from_series, hold_vent, outside, run_again

SECONDS = 5400  # of the recorded cook, conftest.py
KETTLE = Fopdt(50.0, 1100.0, 20.0)


def test_every_decision_of_a_cook_comes_out_again_bit_for_bit(cook_file: Path) -> None:
    with read(cook_file) as record:
        again = replay(record, build())
    assert (again.steps, again.parted_steps, again.differences, again.reasons) == (SECONDS, 0, (), ())
    assert again.same


def test_other_gains_part_from_the_record_and_the_replay_says_where_and_why(cook_file: Path) -> None:
    def livelier(config: Config) -> Config:
        return replace(config, loop=replace(config.loop, kp=config.loop.kp * 2.0))

    with read(cook_file) as record:
        again = replay(record, build(), livelier)
        first_loop = next(s.n for s in record.steps() if s.decision.terms.p != 0.0)
    assert not again.same
    assert again.differences[0].n == first_loop
    assert again.differences[0].field == "terms.p"
    assert again.reasons == ("other settings were asked for",)


def test_record_of_another_version_says_so(cook_file: Path) -> None:
    with read(cook_file) as record:
        assert replay(record, "9.9").reasons == (f"recorded by version {build()}, this is 9.9",)


def test_replay_goes_on_after_a_gap_in_the_record(cook_file: Path, tmp_path: Path) -> None:
    """Steps 201 to 400 are lost; the record kept the state after them, as the journal does after a gap."""
    damaged = tmp_path / "gap.cook"
    shutil.copy(cook_file, damaged)
    with read(cook_file) as record:
        state: State = from_plain(State, record.state_before(1))
        for item in islice(record.steps(), 400):
            state, _ = step(state, item.inputs, item.now_s)
    with closing(sqlite3.connect(damaged)) as db, db:
        db.execute("DELETE FROM steps WHERE n BETWEEN 201 AND 400")
        db.execute("INSERT INTO snapshots VALUES (400, 1, 0.0, 0.0, 'settling', ?)", (pack(to_plain(state)),))
    with read(damaged) as record:
        again = replay(record, build())
    assert (again.gaps, again.skipped, again.parted_steps) == (1, 0, 0)
    assert again.steps == SECONDS - 200


def test_what_if_nothing_changes_is_the_record_itself(cook: Cook) -> None:
    outcome = run_again(cook, KETTLE)
    assert np.array_equal(outcome.pit_c, cook.series.pit_c)
    assert np.array_equal(outcome.lower, cook.series.lower)


def test_what_if_a_higher_set_point_lifts_the_pit_to_it(cook: Cook) -> None:
    config = replace(cook.state.config, set_point_c=100.0)
    outcome = run_again(cook, KETTLE, config)
    last = slice(-900, None)
    assert float(np.mean(outcome.pit_c[last])) == pytest.approx(100.0, abs=2.0)
    assert np.mean(outcome.lower[last]) > np.mean(cook.series.lower[last])


def test_what_if_agrees_with_the_kettle_itself(cook: Cook) -> None:
    """The same kettle, gusts and lid lift really tended at another set point: an independent truth."""
    from coalminder.grill import Kettle, Weather
    from coalminder.grill.scenario import LidLift, Wood
    from coalminder.rehearse.fast import run_fast

    config = replace(cook.state.config, set_point_c=88.0)
    script = (LidLift(3600.0, 60.0), Wood(3630.0, 0.08))
    truth = run_fast(Kettle(weather=Weather(seed=4), seed=4), config, script, SECONDS).trace
    outcome = run_again(cook, KETTLE, config)
    rows = slice(2400, 3500)
    assert float(np.mean(np.abs(outcome.pit_c[rows] - np.array(truth.pit_c)[rows]))) < 2.0
    was = float(np.mean(np.abs(cook.series.pit_c[rows] - np.array(truth.pit_c)[rows])))
    assert was > 4.0, "the check would pass without doing anything"


def test_what_if_the_vent_is_left_by_hand(cook: Cook) -> None:
    wide = hold_vent(cook, KETTLE, 0.3)
    shut = hold_vent(cook, KETTLE, 0.0)
    assert wide.pit_c[-1] > cook.series.pit_c[-1] + 20.0
    assert shut.pit_c[-1] < cook.series.pit_c[-1] - 10.0


def test_what_if_it_were_colder_the_loop_opens_the_vent(cook: Cook) -> None:
    colder = run_again(cook, KETTLE, None, outside(cook, KETTLE, -15.0))
    assert np.mean(colder.lower[-900:]) > 1.1 * np.mean(cook.series.lower[-900:])
    assert float(np.mean(colder.pit_c[-900:])) == pytest.approx(93.0, abs=2.5)


def test_table_of_another_logger_can_be_run_again(cook: Cook) -> None:
    again = from_series(cook.series, "table", Config())
    outcome = run_again(again, KETTLE, replace(Config(), loop=LoopConfig(kp=0.05, ki=1e-4, kd=0.0)))
    assert len(outcome.pit_c) == len(again.inputs)
    assert np.isfinite(outcome.pit_c).all()


def test_the_residual_of_a_later_run_lies_on_the_clock_of_the_whole_record(cook: Cook) -> None:
    kettle = cast(Learned, SimpleNamespace(models=(KETTLE,)))
    time_s, rest = residual(replace(cook, from_s=1000.0), kettle)
    assert np.array_equal(time_s, 1000.0 + cook.series.time_s)
    assert len(rest) == len(time_s)
    assert float(np.nanmean(rest)) == pytest.approx(0.0, abs=1e-9)


def test_another_rule_makes_another_build_and_other_line_ends_do_not(tmp_path: Path) -> None:
    ours = Path(coalminder.__file__).parent
    assert build() == f"{coalminder.__version__}+{digest(ours)}"
    for name in DECIDES:
        shutil.copytree(ours / name, tmp_path / name)
    assert digest(tmp_path) == digest(ours)
    air = tmp_path / "core" / "air.py"
    air.write_bytes(air.read_bytes().replace(b"\n", b"\r\n"))
    assert digest(tmp_path) == digest(ours)
    air.write_bytes(air.read_bytes().replace(b"5.0", b"6.0"))
    assert digest(tmp_path) != digest(ours)


def test_a_record_is_read_once(cook_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that is being written would be another each time, and a day of it takes half a gigabyte twice."""
    reads: list[Path] = []
    steps = Record.steps

    def counted(self: Record) -> Iterator[Step]:
        reads.append(self.path)
        return steps(self)

    monkeypatch.setattr(Record, "steps", counted)
    item = load(cook_file)
    assert reads == [cook_file]
    assert item.cook is not None
    assert item.cook.inputs[0] == item.steps[0].inputs
    assert item.again is not None
    assert item.again.same


def test_a_cook_that_was_read_takes_little_memory_and_is_exact(cook_file: Path) -> None:
    """Fifty are pooled on a board of 1 GB: as they are read, each second takes over a kilobyte."""
    load(cook_file)  # what is made once for all
    tracemalloc.start()
    item = load(cook_file)
    gc.collect()
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert held / len(item.steps) < 350.0
    with read(cook_file) as record:
        steps = tuple(record.steps())
    assert item.cook is not None
    assert (tuple(item.steps), tuple(item.cook.inputs)) == (steps, tuple(step.inputs for step in steps))
    assert (item.steps[-1], item.steps[100:300:7]) == (steps[-1], steps[100:300:7])
    with pytest.raises(IndexError):
        item.steps[len(steps)]


@pytest.mark.parametrize(("options", "said"), [([], True), (["--quiet"], False)])
def test_a_terminal_is_told_that_the_work_goes_on(cook_file: Path, options: list[str], said: bool) -> None:
    """A day of steps takes half a minute on a good machine, minutes on a small one."""
    reader, writer = os.openpty()
    told = b""
    code = "import sys; from coalminder.cli import main; sys.exit(main(sys.argv[1:]))"
    words = [sys.executable, "-c", code, "replay", str(cook_file), *options]
    process = subprocess.Popen(
        words, stdout=subprocess.DEVNULL, stderr=writer, env=os.environ | {"TERM": "xterm"}
    )
    os.close(writer)
    try:
        while chunk := os.read(reader, 4096):
            told += chunk
    except OSError:  # the other end is closed (Linux: EIO)
        pass
    finally:
        os.close(reader)
    assert process.wait(60.0) == 0
    assert (b"deciding it again" in told) is said
