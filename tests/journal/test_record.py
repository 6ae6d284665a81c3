"""What was recorded comes back: steps, alarms, commands, outbox, header."""

from __future__ import annotations

import hashlib
import json
import os
import re
import sqlite3
import time
import zlib
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from recorded_cook import UTC_S, CookState, alarm, cook_step, write_steps

from coalminder.codec import from_plain, to_plain
from coalminder.errors import UserError
from coalminder.journal import Journal, Refusal, Resume, Start, packing, read, resume, store, writer
from coalminder.values import AlarmState, CommandRecord, OutMessage, Phase

Opener = Callable[..., Journal]


def records(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.cook"))


def only_record(tmp_path: Path) -> Path:
    (path,) = (tmp_path / "cooks").glob("*.cook")
    return path


def test_every_step_comes_back_bit_for_bit(open_journal: Opener, tmp_path: Path) -> None:
    journal = open_journal()
    write_steps(journal, 1, 300)
    assert journal.close()
    with read(only_record(tmp_path)) as record:
        steps = list(record.steps())
        assert record.damage == ""
    assert [step.n for step in steps] == list(range(1, 301))
    for step in steps:
        inputs, decision, _ = cook_step(step.n)
        assert (step.now_s, step.utc_s) == (step.n, UTC_S + step.n)
        assert repr((step.inputs, step.decision)) == repr((inputs, decision))


@pytest.mark.parametrize("beside", [(), ("-wal",), ("-wal", "-shm")], ids=["closed", "copied", "killed"])
def test_who_reads_a_record_leaves_nothing_beside_it(
    open_journal: Opener, tmp_path: Path, beside: tuple[str, ...]
) -> None:
    """SQLite makes a log and its index for a reader, too, and the reader cannot take them away ("Write-Ahead
    Logging", read-only databases). What is only in the log is read.
    """
    journal = open_journal()
    write_steps(journal, 1, 50)
    assert journal.flush() if beside else journal.close()
    path = only_record(tmp_path)
    apart = tmp_path / "apart"
    apart.mkdir()
    for side in ("", *beside):
        (apart / f"{path.name}{side}").write_bytes(Path(f"{path}{side}").read_bytes())
    before = {file.name for file in apart.iterdir()}
    assert len(before) == 1 + len(beside)
    with read(apart / path.name) as record:
        assert len(list(record.steps())) == 50
        assert record.damage == ""
    assert {file.name for file in apart.iterdir()} == before


def test_another_program_finds_what_the_manual_says(open_journal: Opener, tmp_path: Path) -> None:
    manual = (Path(__file__).parents[2] / "docs/journal.md").read_text("utf-8")
    journal = open_journal()
    write_steps(journal, 1, 3)
    assert journal.close()
    with closing(sqlite3.connect(only_record(tmp_path))) as file:
        tables = {name for (name,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        blobs = [blob for row in file.execute("SELECT inputs, decision FROM steps") for blob in row]
    assert set(re.findall(r"^\| `(\w+)` \|", manual, re.MULTILINE)) == tables
    (dictionary,) = re.findall(r"`(daemon/\S+\.json)`", manual)
    words = (Path(__file__).parents[2] / dictionary).read_bytes()
    assert [json.loads(zlib.decompressobj(zdict=words).decompress(blob)) for blob in blobs]


def test_header_holds_version_settings_and_the_state_before_the_first_step(
    open_journal: Opener, tmp_path: Path
) -> None:
    open_journal().close()
    with read(only_record(tmp_path)) as record:
        (header,) = record.headers
    assert header.version == "0.1.0"
    assert json.loads(header.settings) == {"loop": {"kp": 0.02}, "band": {"set_point": 93.0}}
    assert header.settings == '{"band":{"set_point":93.0},"loop":{"kp":0.02}}'  # canonical: sorted, no spaces
    assert header.settings_sha256 == hashlib.sha256(header.settings.encode()).hexdigest()
    assert (header.started_utc_s, header.first_n) == (UTC_S, 1)
    assert from_plain(CookState, header.state) == CookState()


def test_alarm_transitions_are_rows_and_the_alarms_of_each_step_come_back(
    open_journal: Opener, tmp_path: Path
) -> None:
    journal = open_journal()
    raised, seen = alarm("pit_high"), alarm("pit_high", AlarmState.ACKNOWLEDGED)
    write_steps(journal, 1, 3)
    write_steps(journal, 4, 6, raised)
    write_steps(journal, 7, 9, seen)
    write_steps(journal, 10, 12)
    journal.close()
    with read(only_record(tmp_path)) as record:
        changes = [(c.n, c.code, c.state, c.active) for c in record.alarms()]
        alarms = [step.decision.alarms for step in record.steps()]
    assert changes == [
        (4, "pit_high", "unacknowledged", True),
        (7, "pit_high", "acknowledged", True),
        (10, "pit_high", "normal", False),
    ]
    assert alarms == [()] * 3 + [(raised,)] * 3 + [(seen,)] * 3 + [()] * 3


def test_alarm_and_phase_are_committed_at_once_and_readings_later(
    open_journal: Opener, tmp_path: Path
) -> None:
    journal = open_journal(commit_every_s=3600.0)
    assert journal.flush()
    write_steps(journal, 1, 2)
    path = only_record(tmp_path)

    def on_disk() -> tuple[int, int]:
        with read(path) as record:
            return len(list(record.steps())), len(record.alarms())

    # The first step is a new phase. Wait until it is seen, without asking the journal to flush.
    assert _eventually(lambda: on_disk()[0] >= 1)
    inputs, decision, state = cook_step(3, alarm("pit_high"))
    journal.record(3.0, UTC_S + 3, inputs, decision, state)
    assert _eventually(lambda: on_disk() == (3, 1))
    write_steps(journal, 4, 9, alarm("pit_high"))
    assert on_disk() == (3, 1)  # six steps wait
    inputs, decision, state = cook_step(10, alarm("pit_high"), phase=Phase.SNUFFING)
    journal.record(10.0, UTC_S + 10, inputs, decision, state)
    assert _eventually(lambda: on_disk() == (10, 1))


def test_an_alarm_does_not_wait_for_the_next_look_at_the_disk(open_journal: Opener, tmp_path: Path) -> None:
    """Power may go with the alarm; the least of some, because what else the machine does is not its doing."""
    journal = open_journal(commit_every_s=60.0)
    write_steps(journal, 1, 2)
    assert journal.flush()
    path, took_s = only_record(tmp_path), []

    def told() -> int:
        with read(path) as record:
            return len(record.alarms())

    for n in range(3, 8):
        inputs, decision, state = cook_step(n, *(alarm(f"code_{i}") for i in range(3, n + 1)))
        begun_s = time.monotonic()
        journal.record(float(n), UTC_S + n, inputs, decision, state)
        assert _eventually(lambda have=n - 2: told() == have)
        took_s.append(time.monotonic() - begun_s)
    assert min(took_s) < 0.5


def _eventually(true: Callable[[], bool], within_s: float = 5.0) -> bool:
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.005)  # the writer is a real thread and a real disk
    return False


def test_commands_are_kept_with_their_sender_and_answer(open_journal: Opener, tmp_path: Path) -> None:
    journal = open_journal()
    good = CommandRecord(UTC_S, "c1", "phone-1", "kettle/command/snuff", '{"id":"c1"}', True)
    bad = CommandRecord(UTC_S + 1, "c2", "", "kettle/command/tend", "{", False, "not JSON")
    journal.command(good)
    journal.command(bad)
    journal.close()
    with read(only_record(tmp_path)) as record:
        assert record.commands() == [good, bad]


def post_all(journal: Journal, messages: Iterable[OutMessage]) -> list[tuple[int, OutMessage]]:
    """Each with the number that it got."""
    return [(journal.post(message), message) for message in messages]


def test_outbox_keeps_order_over_a_restart_and_forgets_what_was_delivered(
    open_journal: Opener, tmp_path: Path
) -> None:
    journal = open_journal()
    write_steps(journal, 1, 1)
    posted = post_all(
        journal,
        (OutMessage(f"kettle/alarm/{i}", f"\x00° {i}", UTC_S + i, retain=i % 2 == 0) for i in range(6)),
    )
    journal.delivered(posted[0][0])
    journal.delivered(posted[3][0])
    journal.delivered(999)
    journal.close()
    waiting = tuple(posted[i] for i in (1, 2, 4, 5))
    assert journal.undelivered(100) == waiting
    found = resume(tmp_path / "cooks", CookState, UTC_S + 10)
    assert isinstance(found, Resume)
    assert found.undelivered == waiting
    again = open_journal(found)
    assert again.undelivered(2) == waiting[:2]
    (newer,) = post_all(again, [OutMessage("kettle/alarm/7", "x", UTC_S + 20)])
    assert newer[0] > posted[-1][0]
    assert again.undelivered(100) == (*waiting, newer)


def test_outbox_is_bounded_and_says_what_it_dropped(
    open_journal: Opener, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coalminder.journal.writer.MAX_UNDELIVERED", 3)
    journal = open_journal()
    posted = post_all(journal, (OutMessage("t", str(i), UTC_S) for i in range(5)))
    assert journal.undelivered(100) == tuple(posted[2:])
    journal.close()
    with read(only_record(tmp_path)) as record:
        assert record.outbox() == tuple(posted[2:])
        assert [text for _, text in record.notes()] == [
            f"outbox full: message {posted[0][0]} dropped",
            f"outbox full: message {posted[1][0]} dropped",
        ]


def test_cook_goes_on_in_its_file_with_a_header_for_each_run(open_journal: Opener, tmp_path: Path) -> None:
    journal = open_journal()
    write_steps(journal, 1, 20)
    journal.close()
    found = resume(tmp_path / "cooks", CookState, UTC_S + 50)
    assert isinstance(found, Resume)
    assert found.state == cook_step(20)[2]
    assert (found.last_n, found.last_utc_s, found.age_s, found.phase) == (20, UTC_S + 20, 30.0, "tending")
    again = open_journal(found)
    write_steps(again, 21, 30)
    again.close()
    with read(only_record(tmp_path)) as record:
        assert [(step.n, step.run) for step in record.steps()] == [
            (i, 1 if i <= 20 else 2) for i in range(1, 31)
        ]
        assert [header.first_n for header in record.headers] == [1, 21]
        assert record.state_before(21) is not None
        assert record.state_before(22) is None


def test_a_run_whose_first_step_is_missing_is_a_run_of_its_own(open_journal: Opener, tmp_path: Path) -> None:
    """As after a start on a full disk: two runs are not taken for one."""
    journal = open_journal()
    write_steps(journal, 1, 20)
    journal.close()
    again = open_journal(resume(tmp_path / "cooks", CookState, UTC_S + 50))
    write_steps(again, 21, 30)
    again.close()
    with closing(sqlite3.connect(only_record(tmp_path))) as db, db:
        db.execute("DELETE FROM steps WHERE n=21")
    with read(only_record(tmp_path)) as record:
        assert [(step.n, step.run) for step in record.steps()] == [
            (i, 1 if i <= 20 else 2) for i in range(1, 31) if i != 21
        ]


def test_a_run_that_ended_before_its_first_step_leaves_its_state_to_the_next(
    open_journal: Opener, start: Start, tmp_path: Path
) -> None:
    """As of a daemon that dies at once: the next run may go on under other settings."""
    journal = open_journal()
    write_steps(journal, 1, 20)
    journal.close()
    for count in (100, 200):
        found = resume(tmp_path / "cooks", CookState, UTC_S + 50)
        again = Journal(tmp_path / "cooks", replace(start, state=CookState(count)), found)
        assert again.flush()
        if count == 200:
            write_steps(again, 21, 22)
        again.close()
    with read(only_record(tmp_path)) as record:
        assert [header.first_n for header in record.headers] == [1, 21, 21]
        assert [(step.n, step.run) for step in record.steps()][-2:] == [(21, 3), (22, 3)]
        assert record.state_before(21)["count"] == 200


@pytest.mark.parametrize("behind_s", [3600.0, 90 * 86_400.0, UTC_S])
def test_a_run_by_a_clock_that_started_in_the_past_makes_the_cook_no_older(
    behind_s: float, open_journal: Opener, tmp_path: Path
) -> None:
    """A power cut on a board without a clock of its own, and a second one, or a crash, before the network
    told the time: the cook was months old then, and its fire was put out.
    """
    journal = open_journal()
    write_steps(journal, 1, 20)
    journal.close()
    found = resume(tmp_path / "cooks", CookState, UTC_S + 20.0 - behind_s)
    assert isinstance(found, Resume)
    again = open_journal(found)
    for i in range(21, 31):
        again.record(float(i), UTC_S - behind_s + i, *cook_step(i))
    again.close()

    def resumed(now_utc_s: float) -> Resume[CookState] | Refusal:
        return resume(tmp_path / "cooks", CookState, now_utc_s)

    for now_utc_s, age_s in ((UTC_S + 630.0, 600.0), (UTC_S - behind_s + 40.0, 10.0)):
        found = resumed(now_utc_s)
        assert isinstance(found, Resume)
        assert (found.age_s, found.last_utc_s) == (age_s, UTC_S + 30.0)
    assert isinstance(resumed(UTC_S + 14 * 3600.0), Refusal), "yesterday's cook"


@pytest.mark.parametrize(
    ("phase", "now_utc_s", "why"),
    [
        (Phase.OUT, UTC_S + 10, "ended"),
        (Phase.COLD, UTC_S + 10, "ended"),
        (Phase.TENDING, UTC_S + 7 * 3600, "7.0 h ago, longer than 6.0 h"),
    ],
    ids=["out", "cold", "too_old"],
)
def test_ended_or_old_cook_is_not_resumed(
    open_journal: Opener, tmp_path: Path, phase: Phase, now_utc_s: float, why: str
) -> None:
    journal = open_journal()
    inputs, decision, state = cook_step(1, phase=phase)
    journal.record(1.0, UTC_S, inputs, decision, state)
    journal.close()
    found = resume(tmp_path / "cooks", CookState, now_utc_s)
    assert isinstance(found, Refusal)
    assert why in found.reason
    assert found.damaged_path == ""


def test_nothing_to_resume_is_said_plainly(tmp_path: Path) -> None:
    for where in (tmp_path, tmp_path / "nowhere", tmp_path / "no.cook"):
        found = resume(where, CookState, UTC_S)
        assert isinstance(found, Refusal)
        assert found.reason == "there is no earlier record"


def test_state_of_another_version_that_does_not_fit_is_refused(open_journal: Opener, tmp_path: Path) -> None:
    journal = open_journal()
    write_steps(journal, 1, 3)
    journal.close()
    found = resume(tmp_path / "cooks", Start, UTC_S + 5)  # stands for a state that changed beyond reading
    assert isinstance(found, Refusal)
    assert "state cannot be read" in found.reason


@pytest.mark.parametrize("content", [b"", b"pit,vent\n1,2\n", b"SQLite format 3\x00" + bytes(4000)])
def test_reading_a_file_that_is_no_record_is_a_clear_error(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.cook"
    path.write_bytes(content)
    with pytest.raises(UserError, match=r"record '.*x\.cook'") as told:
        read(path)
    assert told.tb is not None  # holds whatever `read` left open
    assert path not in [fd.resolve() for fd in Path("/proc/self/fd").iterdir()]
    with pytest.raises(UserError, match="there is no file"):
        read(tmp_path / "y.cook")


def test_record_of_a_newer_program_is_refused_and_left_alone(open_journal: Opener, tmp_path: Path) -> None:
    open_journal().close()
    path = only_record(tmp_path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("PRAGMA user_version=99")
    with pytest.raises(UserError, match="schema 99"):
        read(path)
    with pytest.raises(store.NotARecordError, match="schema 99"):
        store.open_for_writing(path)


def test_record_is_read_while_it_is_written_and_from_a_read_only_copy(
    open_journal: Opener, tmp_path: Path
) -> None:
    journal = open_journal()
    write_steps(journal, 1, 50)
    assert journal.flush()
    with read(only_record(tmp_path)) as record:
        assert len(list(record.steps())) == 50
        write_steps(journal, 51, 60)
        assert journal.flush()
        assert len(list(record.steps())) == 60
    assert journal.close()
    with read(only_record(tmp_path)) as record:
        assert len(list(record.steps())) == 60
    assert [file.name for file in (tmp_path / "cooks").iterdir() if "-" in file.suffix] == []


def test_oldest_records_are_pruned(open_journal: Opener, tmp_path: Path) -> None:
    for _ in range(5):
        open_journal(keep_cooks=3).close()
    assert len(list((tmp_path / "cooks").glob("*.cook"))) == 3


def test_a_copied_or_touched_record_is_as_old_as_what_it_tells(open_journal: Opener, tmp_path: Path) -> None:
    """A copy has the time of copying; a cook of last year must not be gone on with, nor outlive the last."""
    for day in range(4):
        journal = open_journal()
        for n in (1, 2):
            inputs, decision, after = cook_step(n)
            journal.record(float(n), UTC_S + 86_400.0 * day + n, inputs, decision, after)
        assert journal.close()
    folder = tmp_path / "cooks"
    (folder / "written-to").unlink()
    paths = []
    for path in records(folder):
        with read(path) as record:
            paths.append((next(record.steps()).utc_s, path))
    by_step = [path for _, path in sorted(paths)]
    for age_s, path in enumerate(by_step):
        os.utime(path, (2e9 - age_s,) * 2)  # the last one is the oldest file
    assert store.newest(folder) == by_step[-1]
    store.prune(folder, 2)
    assert records(folder) == sorted(by_step[2:])


def test_a_board_started_each_day_of_winter_costs_no_cook_of_the_summer(
    open_journal: Opener, tmp_path: Path
) -> None:
    for phase, cooks in ((Phase.OUT, 3), (Phase.COLD, 6)):
        for _ in range(cooks):
            journal = open_journal(keep_cooks=5)
            inputs, decision, after = cook_step(1)
            journal.record(1.0, UTC_S + 1.0, inputs, replace(decision, phase=phase), after)
            journal.close()
    names = [path.name for path in sorted(records(tmp_path / "cooks"), key=lambda path: path.stat().st_mtime)]
    assert len(names) == 5
    for name, lit in zip(names, (True, True, True, False, False), strict=True):
        with read(tmp_path / "cooks" / name) as record:
            assert any(step.decision.phase is not Phase.COLD for step in record.steps()) is lit


def test_preset_dictionary_of_schema_1_never_changes() -> None:
    # Records already on people's cards need it to be read.
    digest = hashlib.sha256(packing._dictionary).hexdigest()
    assert digest == "3218037d8955f1feaf771f32ac35e61c5c631f24696d682a23ba140d0b07ced4"


def test_a_flipped_bit_in_a_blob_is_noticed() -> None:
    blob = bytearray(packing.pack({"pit": 93.123}))
    for i in range(len(blob)):
        for bit in range(8):
            bad = bytearray(blob)
            bad[i] ^= 1 << bit
            try:
                assert packing.unpack(bytes(bad)) == {"pit": 93.123}, "a wrong value passed for a good one"
            except packing.DamagedBlobError:
                continue


def test_message_numbers_rise_from_one_cook_to_the_next(open_journal: Opener, tmp_path: Path) -> None:
    """What was delivered is forgotten, its number is not given again (docs/mqtt.md: `seq` rises)."""
    first = open_journal()
    last = [first.post(OutMessage("t", "x", UTC_S)) for _ in range(5)][-1]
    first.delivered(last)
    first.close()
    later = Start("0.1.0", {}, UTC_S + 60.0, CookState())
    second = Journal(tmp_path / "cooks", later)
    assert second.post(OutMessage("t", "x", UTC_S + 60.0)) > last
    second.close()


@pytest.mark.parametrize(
    ("change", "kept"),
    [
        ("now_s = now_s + 5000 WHERE n = 150", False),
        ("now_s = now_s - 100 WHERE n = 150", False),
        ("now_s = -1 WHERE n = 150", False),
        ("utc_s = 1e12 WHERE n = 150", False),
        ("now_s = now_s + 5000, utc_s = utc_s + 5000 WHERE n >= 150", True),
        ("utc_s = utc_s + 3600 WHERE n >= 150", True),
    ],
    ids=[
        "ahead",
        "back",
        "before all",
        "beyond all",
        "the machine stood still",
        "the wall clock was put right",
    ],
)
def test_a_step_whose_times_cannot_be_is_left_out_and_told(
    open_journal: Opener, tmp_path: Path, change: str, kept: bool
) -> None:
    journal = open_journal()
    write_steps(journal, 1, 300)
    assert journal.close()
    path = only_record(tmp_path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(f"UPDATE steps SET {change}")
    with read(path) as record:
        numbers = [step.n for step in record.steps()]
        assert ("step 150:" in record.damage) is not kept
    assert numbers == [n for n in range(1, 301) if kept or n != 150]


def test_a_power_cut_that_the_clock_told_of_late_is_no_damage(open_journal: Opener, tmp_path: Path) -> None:
    """The board started a month behind; once its clock is right ten unseen minutes pass at once."""
    journal = open_journal()
    for n in range(1, 21):
        inputs, decision, state = cook_step(n)
        late_s = 600.0 if n >= 10 else 0.0
        machine = replace(inputs.machine, blind_s=late_s, blind_start=n == 10)
        utc_s = UTC_S + n + (30 * 86_400.0 + late_s if n >= 10 else 0.0)
        journal.record(n + late_s, utc_s, replace(inputs, machine=machine), decision, state)
    assert journal.close()
    with read(only_record(tmp_path)) as record:
        assert [step.n for step in record.steps()] == list(range(1, 21))
        assert record.damage == ""


def record_phases(journal: Journal, phases: list[tuple[Phase, int]], n: int = 0) -> int:
    """Steps of the given phases, each for so many seconds; the number of the last."""
    for phase, seconds in phases:
        for _ in range(seconds):
            n += 1
            inputs, decision, state = cook_step(n)
            journal.record(float(n), UTC_S + n, inputs, replace(decision, phase=phase), state)
    return n


def test_every_fire_of_a_run_has_a_record_of_its_own(open_journal: Opener, tmp_path: Path) -> None:
    """A service runs for months: what is learned from a record must be of one cook."""
    journal = open_journal()
    cook = [(Phase.LIGHTING, 5), (Phase.TENDING, 20), (Phase.SNUFFING, 5)]
    n = record_phases(journal, [(Phase.COLD, 10), *cook, (Phase.OUT, 10)])
    (message,) = post_all(journal, [OutMessage("t", "waits", UTC_S)])
    journal.command(CommandRecord(UTC_S, "a", "phone", "light", "{}", True))
    record_phases(journal, [*cook, (Phase.OUT, 4)], n)
    journal.command(CommandRecord(UTC_S + 1, "b", "phone", "snuff", "{}", True))
    assert journal.flush()
    journal.close()
    first, second = records(tmp_path / "cooks")
    with read(first) as record:
        assert [step.n for step in record.steps()] == list(range(1, 51))
        assert [c.command_id for c in record.commands()] == ["a"]
        assert record.damage == ""
    with read(second) as record:
        steps = list(record.steps())
        assert [step.n for step in steps] == list(range(51, 85))
        assert record.headers[0].first_n == 51
        assert record.state_before(51) == to_plain(cook_step(50)[2])
        assert [c.command_id for c in record.commands()] == ["b"]
        assert record.outbox() == (message,)
        assert record.notes() == []
        assert record.damage == ""


def test_lighting_again_while_the_coals_are_hot_goes_on_in_the_same_record(
    open_journal: Opener, tmp_path: Path
) -> None:
    journal = open_journal()
    record_phases(journal, [(Phase.TENDING, 9), (Phase.SNUFFING, 3), (Phase.LIGHTING, 3), (Phase.TENDING, 9)])
    journal.close()
    (path,) = records(tmp_path / "cooks")
    with read(path) as record:
        assert len(list(record.steps())) == 24


def test_days_without_a_fire_are_not_recorded(
    open_journal: Opener, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coalminder.journal.writer.IDLE_S", 30.0)
    journal = open_journal()
    n = record_phases(journal, [(Phase.COLD, 200)])
    inputs, decision, state = cook_step(n + 1, alarm("broker_lost"))
    journal.record(n + 1.0, UTC_S + n + 1, inputs, replace(decision, phase=Phase.COLD), state)
    record_phases(journal, [(Phase.COLD, 50), (Phase.LIGHTING, 10)], n + 1)
    assert journal.flush()
    journal.close()
    idle, cook = records(tmp_path / "cooks")
    with read(idle) as record:
        assert len(list(record.steps())) == 30
        assert "broker_lost" in {change.code for change in record.alarms()}
    with read(cook) as record:
        assert [step.n for step in record.steps()] == list(range(252, 262))
        assert record.headers[0].first_n == 252
        assert record.state_before(252) == to_plain(cook_step(251)[2])
        assert record.notes() == [], "what was left out is no gap"


@pytest.mark.parametrize(("over", "kept"), [(True, 30), (False, 60)])
def test_food_that_cools_is_recorded_for_longer_than_a_cold_grill(
    over: bool, kept: int, open_journal: Opener, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the fire after it has a record of its own all the same. Food Code 3-501.14: cooling takes 6 h."""
    assert writer.OPEN_S >= 6 * 3600.0
    monkeypatch.setattr("coalminder.journal.writer.IDLE_S", 30.0)
    monkeypatch.setattr("coalminder.journal.writer.OPEN_S", 60.0)
    journal = open_journal(ended=lambda _state: over)
    record_phases(journal, [(Phase.TENDING, 5), (Phase.OUT, 200), (Phase.LIGHTING, 10)])
    journal.close()
    first, second = records(tmp_path / "cooks")
    with read(first) as record:
        assert len(list(record.steps())) == 5 + kept
    with read(second) as record:
        assert len(list(record.steps())) == 10


@pytest.mark.parametrize("chilled_n", [50, 90], ids=["after the hour", "after all was recorded"])
def test_a_cook_that_ends_late_is_not_taken_up_again(
    chilled_n: int, open_journal: Opener, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Food reported chilled later than a cold grill is recorded came back warm with the next restart."""
    monkeypatch.setattr("coalminder.journal.writer.IDLE_S", 30.0)
    monkeypatch.setattr("coalminder.journal.writer.OPEN_S", 60.0)

    def over(state: CookState) -> bool:
        return state.count >= chilled_n

    assert cook_step(chilled_n)[2].count == chilled_n
    journal = open_journal(ended=over)
    n = record_phases(journal, [(Phase.TENDING, 5), (Phase.OUT, 200)])
    journal.close()
    assert isinstance(resume(tmp_path / "cooks", CookState, UTC_S + n, ended=over), Refusal)
    with read(only_record(tmp_path)) as record:
        assert [step.n for step in record.steps()] == [*range(1, min(chilled_n, 66)), chilled_n]
        assert record.state_before(chilled_n) is not None or chilled_n < 66, "a replay goes on from there"
        assert record.notes() == [], "what was left out is no gap"


def test_a_fire_lit_at_the_start_has_a_record_of_its_own(open_journal: Opener, tmp_path: Path) -> None:
    """Though the start took up the cook before, whose food cools."""
    journal = open_journal()
    n = record_phases(journal, [(Phase.TENDING, 5), (Phase.OUT, 5)])
    journal.close()
    found = resume(tmp_path / "cooks", CookState, UTC_S + n + 5, ended=lambda _state: False)
    assert isinstance(found, Resume)
    again = open_journal(found)
    record_phases(again, [(Phase.LIGHTING, 7)], n)
    again.close()
    counted = []
    for path in records(tmp_path / "cooks"):
        with read(path) as record:
            counted.append(len(list(record.steps())))
    assert counted == [10, 7]


def test_a_full_disk_between_two_cooks_loses_neither(open_journal: Opener, tmp_path: Path) -> None:
    full = False

    def connect(path: Path) -> sqlite3.Connection:
        if full:
            raise sqlite3.OperationalError("database or disk is full")
        return store.open_for_writing(path)

    journal = open_journal(connect=connect)
    n = record_phases(journal, [(Phase.TENDING, 9), (Phase.OUT, 3)])
    assert journal.flush()
    full = True
    record_phases(journal, [(Phase.LIGHTING, 9)], n)
    assert not journal.flush(0.2)
    full = False
    assert journal.flush()
    journal.close()
    with read(records(tmp_path / "cooks")[-1]) as record:
        assert [step.n for step in record.steps()] == list(range(n + 1, n + 10))


def test_dying_at_the_turn_to_the_next_file_loses_no_message(open_journal: Opener, tmp_path: Path) -> None:
    """Until its header is written the new file stands for nothing: what waits is still in the old one."""
    turning = False

    def connect(path: Path) -> sqlite3.Connection:
        if turning:
            path.write_bytes(b"")
            raise sqlite3.OperationalError("killed here")
        return store.open_for_writing(path)

    journal = open_journal(connect=connect)
    n = record_phases(journal, [(Phase.TENDING, 9), (Phase.OUT, 3)])
    (message,) = post_all(journal, [OutMessage("t", "waits", UTC_S)])
    assert journal.flush()
    turning = True
    record_phases(journal, [(Phase.LIGHTING, 3)], n)
    assert not journal.flush(0.2)
    journal.close(0.1)
    found = resume(tmp_path / "cooks", CookState, UTC_S + n + 9)
    assert isinstance(found, Refusal)
    assert found.damaged_path == ""
    assert found.undelivered == (message,)
