"""Records from a failing card or a copy broken off: what can be read is used, and the rest is told."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import tracemalloc
import unicodedata
import zlib
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from coalminder.build import build
from coalminder.cli import main
from coalminder.core import Config, initial
from coalminder.errors import UserError
from coalminder.journal import Journal, Start, packing, read
from coalminder.replay.load import load
from coalminder.replay.whatif import scored_rows

from .conftest import SECONDS

PAGE = 4096


@pytest.fixture
def copy(cook_file: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(cook_file, tmp_path / "hurt.cook"))


def change(path: Path, statement: str) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(statement)


def test_a_copy_that_broke_off_is_read_as_far_as_it_goes(copy: Path) -> None:
    os.truncate(copy, copy.stat().st_size // 2)
    item = load(copy)
    assert 0.4 * SECONDS < len(item.steps) < 0.6 * SECONDS
    assert item.cook is not None
    assert any("damaged" in remark for remark in item.remarks)


def test_a_copy_that_broke_off_too_early_is_not_called_empty(copy: Path) -> None:
    with closing(sqlite3.connect(copy)) as db, db:
        (root,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name='steps'").fetchone()
    os.truncate(copy, root * PAGE)  # the leaves of the tree are behind
    with pytest.raises(UserError, match="it is damaged, and no step can be read: "):
        load(copy)


def test_a_copy_without_its_log_is_told_what_it_lacks(tmp_path: Path) -> None:
    """Until 2 MB are written all of a record is in its log (SQLite, "Write-Ahead Logging")."""
    state = initial(Config())
    journal = Journal(tmp_path, Start(build(), {}, 1.8e9, state))
    journal.flush(30.0)
    alone = shutil.copy(next(tmp_path.glob("*.cook")), tmp_path / "alone.cook")
    journal.close(30.0)
    with pytest.raises(UserError, match="needs its '-wal' file beside it"):
        load(Path(alone))


def test_the_steps_behind_an_unreadable_page_are_read(copy: Path) -> None:
    whole = copy.read_bytes()
    middle = len(whole) // 2 // PAGE * PAGE
    copy.write_bytes(whole[:middle] + bytes([255]) * PAGE + whole[middle + PAGE :])
    with read(copy) as record:
        numbers = [item.n for item in record.steps()]
        assert record.damage
    assert 0.98 * SECONDS < len(numbers) < SECONDS
    assert numbers[0] == 1
    assert numbers[-1] == SECONDS


def test_a_page_that_a_card_wrote_in_the_place_of_another_is_damage(copy: Path) -> None:
    """Rows of steps stand where the header should: SQLite reads them, and nothing in them is what it was."""
    with closing(sqlite3.connect(copy)) as db, db:
        roots = dict(db.execute("SELECT name, rootpage FROM sqlite_master"))
    pages = [copy.read_bytes()[at : at + PAGE] for at in range(0, copy.stat().st_size, PAGE)]
    steps = pages[roots["steps"] - 1]
    header, leaf = roots["header"] - 1, int.from_bytes(steps[8:12]) - 1  # the last of its leaves
    pages[header], pages[leaf] = pages[leaf], pages[header]
    copy.write_bytes(b"".join(pages))
    item = load(copy)
    assert len(item.steps) > 0.95 * SECONDS
    assert item.started is None
    assert any("damaged" in remark for remark in item.remarks)


@pytest.mark.parametrize("wrong_s", [1e7, 1e300, -5.0])
def test_one_step_with_a_wrong_time_does_not_take_the_others_along(copy: Path, wrong_s: float) -> None:
    change(copy, f"UPDATE steps SET now_s={wrong_s} WHERE n=2000")
    item = load(copy)
    assert [step.n for step in item.steps] == [n for n in range(1, SECONDS + 1) if n != 2000]
    assert np.all(np.diff(item.series.time_s) > 0.0)
    assert any("step 2000" in remark for remark in item.remarks)


def test_hours_in_which_the_machine_stood_still_are_no_damage(copy: Path) -> None:
    change(copy, "UPDATE steps SET now_s=now_s+9000, utc_s=utc_s+9000 WHERE n>4000")
    with read(copy) as record:
        assert len(list(record.steps())) == SECONDS
        assert record.damage == ""


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE steps SET inputs=x'001122' WHERE n=1000",
        "UPDATE steps SET decision=x'00' WHERE n=1000",
        "UPDATE header SET state=x'00'",
        "DROP TABLE alarms",
        "DROP TABLE notes",
        "DROP TABLE alarm_sets",
    ],
)
def test_what_is_missing_is_told_and_is_no_defect_of_the_program(
    copy: Path, statement: str, capsys: pytest.CaptureFixture[str]
) -> None:
    change(copy, statement)
    assert main(["replay", str(copy), "--quiet"]) == 0
    out = capsys.readouterr().out
    assert "the record is damaged" in out
    assert "defect" not in out
    assert f"{SECONDS / 3600:.2f} h" in out


@pytest.mark.parametrize("seed", range(8))
def test_no_damage_ends_in_a_traceback(copy: Path, seed: int, capsys: pytest.CaptureFixture[str]) -> None:
    rng = random.Random(seed)
    content = bytearray(copy.read_bytes())
    for _ in range((1, 20, 300, 3000)[seed % 4]):
        content[rng.randrange(100 if seed < 4 else 0, len(content))] = rng.randrange(256)
    copy.write_bytes(content[: len(content) if seed % 2 else rng.randrange(len(content))])
    code = main(["replay", str(copy), "--quiet"])
    told = capsys.readouterr()
    if code == 2:
        assert told.err.count("\n") == 1
    else:
        assert code == 0
        assert "damaged" in told.out or "bit for bit" in told.out


def test_steps_that_were_taken_out_are_no_defect(
    copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change(copy, "DELETE FROM steps WHERE n BETWEEN 2000 AND 2900")
    assert main(["replay", str(copy), "--report", str(tmp_path / "r.html")]) == 0
    for said in (capsys.readouterr().out, (tmp_path / "r.html").read_text("utf-8")):
        assert "steps are missing from the record" in said
        assert "defect" not in said


@pytest.mark.parametrize("started_s", ["1e300", "-1e300", "1e17"])
def test_a_start_that_no_calendar_has_is_left_out(copy: Path, tmp_path: Path, started_s: str) -> None:
    change(copy, f"UPDATE header SET started_utc_s={started_s}")
    assert main(["replay", str(copy), "--report", str(tmp_path / "r.html")]) == 0
    assert "Started" not in (tmp_path / "r.html").read_text("utf-8")


def test_what_if_ends_where_ten_minutes_of_steps_are_missing(copy: Path) -> None:
    """The vents that the loop would have moved after it are not known: its state there is not on record."""
    change(copy, "DELETE FROM steps WHERE n BETWEEN 4500 AND 5100")
    item = load(copy)
    assert item.cook is not None
    assert len(item.cook.inputs) == 4499
    assert len(item.series) == SECONDS - 601
    (told,) = [text for text in item.remarks if "asked 'what if'" in text]
    assert told.startswith("steps are missing: ")
    assert "1:15 h from 0:00 on" in told


def test_before_the_arrow_stands_the_record_though_steps_are_missing(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """40 of every 50 s are gone: mean error and strokes are still those of the day."""
    change(copy, "DELETE FROM steps WHERE n > 2500 AND n % 50 < 40")
    item = load(copy)
    assert item.cook is not None
    rows = scored_rows(item.cook) & np.isfinite(item.series.pit_c)
    error_c = np.mean(np.abs(item.series.pit_c - item.series.set_point_c)[rows])
    worked = item.series.part(slice(np.flatnonzero(rows)[0], np.flatnonzero(rows)[-1] + 1))
    hours = (worked.time_s[-1] - worked.time_s[0] + 1.0) / 3600.0
    strokes_per_h = np.sum(np.abs(np.diff(worked.lower))) / hours
    assert main(["replay", str(copy), "--kp", "0.2"]) == 0
    out = capsys.readouterr().out
    assert f"what if kp 0.2: mean error {error_c:.2f} ->" in out
    assert f"lower vent {strokes_per_h:.1f} ->" in out


def blob(content: bytes) -> bytes:
    packer = zlib.compressobj(level=9, wbits=packing._WINDOW, zdict=packing._dictionary)
    return packer.compress(content) + packer.flush()


@pytest.mark.parametrize(
    ("statement", "value"),
    [
        ("UPDATE steps SET decision=? WHERE n=1", blob(b'"' + b"a" * 50_000_000 + b'"')),
        ("UPDATE steps SET decision=? WHERE n=1", blob(b"[" * 100_000)),
        ("INSERT INTO alarm_sets VALUES (99, ?)", "[" * 100_000),
        ("UPDATE header SET state=?", blob(b"[" * 100_000)),
    ],
    ids=["50 MB in 50 kB", "a step nested without end", "alarms so", "a state so"],
)
def test_what_was_packed_to_exhaust_the_reader_is_damage(
    copy: Path, statement: str, value: bytes | str
) -> None:
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute(statement, (value,))
    tracemalloc.start()
    item = load(copy)
    _, most_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(item.steps) >= SECONDS - 1
    assert any("damaged" in remark for remark in item.remarks)
    assert most_bytes < 40_000_000


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        (
            "CREATE VIEW header AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x+1 FROM c) "
            "SELECT x AS run, '' AS version, '' AS settings, '' AS settings_sha256, 0.0 AS started_utc_s, "
            "0 AS first_n, x'' AS state FROM c",
            "the view 'header'",
        ),
        ("CREATE VIRTUAL TABLE header USING fts5(run)", "the table 'header'"),
        ("CREATE TRIGGER t AFTER INSERT ON notes BEGIN SELECT 1; END", "the trigger 't'"),
    ],
    ids=["a query without end", "a virtual table", "a trigger"],
)
def test_queries_that_somebody_wrote_into_a_record_are_not_run(copy: Path, statement: str, told: str) -> None:
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("ALTER TABLE header RENAME TO old")
        db.execute(statement)
    with pytest.raises(UserError, match=f"no record has {told}"):
        load(copy)


def test_a_column_that_makes_its_values_is_held_to_the_length_of_ours(copy: Path) -> None:
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("ALTER TABLE header RENAME TO old")
        db.execute(
            "CREATE TABLE header (run, version, settings, settings_sha256, started_utc_s, first_n, "
            "state BLOB AS (zeroblob(900000000)))"
        )
        db.execute("INSERT INTO header SELECT run, '', '{}', '', started_utc_s, first_n FROM old")
    with pytest.raises(UserError, match="too big"):
        load(copy)


def test_notes_in_a_strangers_record_do_not_command_the_terminal(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change(copy, "INSERT INTO notes (utc_s, text) VALUES (1.8e9, char(27) || '[2Jall is well' || char(155))")
    assert main(["replay", str(copy)]) == 0
    shown = capsys.readouterr().out
    assert r"\x1b[2Jall is well\x9b" in shown
    assert not {c for c in shown if unicodedata.category(c) == "Cc"} - {"\n"}
