"""Full, read-only, hung, shortened, vanished: the journal says so, loses nothing it need not, and goes on."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from recorded_cook import UTC_S, CookState, alarm, cook_step, write_steps

from coalminder.journal import Journal, Refusal, Resume, Start, read, resume, store
from coalminder.journal.folder import write_anew
from coalminder.journal.sink import DamagedError, Sink
from coalminder.values import OutMessage

ROUNDS = int(os.environ.get("COALMINDER_ROUNDS", "40"))
Opener = Callable[..., Journal]


def eventually(true: Callable[[], bool], within_s: float = 5.0) -> bool:
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.005)  # a real thread and a real disk
    return False


def records(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.cook"))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 256 KB."""
    folder = tmp_path / "small"
    folder.mkdir()
    if (
        os.geteuid() != 0
        or subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", folder]).returncode
    ):
        pytest.skip("needs root and the right to mount")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def fill(ballast: Path) -> None:
    with pytest.raises(OSError), ballast.open("wb", buffering=0) as file:  # noqa: PT012
        while True:
            file.write(bytes(4096))


@contextmanager
def on_a_full_disk(disk: Path, start: Start) -> Iterator[Journal]:
    """Ten steps are safe, then something fills the disk: its `ballast`."""
    journal = Journal(disk / "cooks", start, commit_every_s=0.05, retry_s=0.02)
    try:
        write_steps(journal, 1, 10)
        assert journal.flush()
        fill(disk / "ballast")
        yield journal
    finally:
        journal.close()


@pytest.mark.root
def test_full_disk_is_reported_and_nothing_is_lost_once_there_is_space(
    small_disk: Path, start: Start
) -> None:
    with on_a_full_disk(small_disk, start) as journal:
        for i in range(11, 311):  # more than fits into what is left of allocated pages
            inputs, decision, state = cook_step(i, *([alarm("fire_dying")] if i > 200 else []))
            journal.record(float(i), UTC_S + i, inputs, decision, state)
        assert eventually(lambda: journal.health().failed)
        assert "full" in journal.health().detail
        assert "free space" in journal.health().detail
        assert not journal.flush(0.1)
        (small_disk / "ballast").unlink()
        assert journal.flush()
        health = journal.health()
        assert (health.failed, health.lost_steps) == (False, 0)
    with read(records(small_disk / "cooks")[0]) as record:
        assert [step.n for step in record.steps()] == list(range(1, 311))
        assert [change.code for change in record.alarms()] == ["fire_dying"]


def test_a_small_file_written_anew_is_there_and_whole_at_every_moment(tmp_path: Path) -> None:
    """A kill or a power cut leaves what another reader would see."""
    path, texts = tmp_path / "written-to", ("20260101T000000Z.cook", "20260102T000000Z.cook")
    path.write_text(texts[0])

    def write() -> None:
        for number in range(1000):
            write_anew(path, texts[number % 2])

    writer = threading.Thread(target=write)
    writer.start()
    seen = set()
    while writer.is_alive():
        seen.add(path.read_text())
    assert seen <= set(texts)
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.root
def test_a_small_file_is_written_anew_on_a_full_disk(small_disk: Path) -> None:
    path = small_disk / "starts.json"
    path.write_text("[]")
    fill(small_disk / "ballast")
    write_anew(path, "[[1.0, 2.0]]")
    assert path.read_text() == "[[1.0, 2.0]]"


@pytest.mark.root
def test_a_disk_full_for_long_loses_the_oldest_steps_and_tells_how_many(
    small_disk: Path, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coalminder.journal.writer.MAX_STEPS", 100)
    with on_a_full_disk(small_disk, start) as journal:
        for first in range(11, 1000, 90):
            write_steps(journal, first, first + 89)
            time.sleep(0.1)  # a real thread tries again meanwhile
        assert eventually(lambda: journal.health().lost_steps > 500)
        (small_disk / "ballast").unlink()
        assert journal.flush()
        lost = journal.health().lost_steps
    with read(records(small_disk / "cooks")[0]) as record:
        kept = [step.n for step in record.steps()]
    assert len(kept) == 1000 - lost
    assert kept[-100:] == list(range(901, 1001))


@pytest.mark.root
def test_disk_that_turns_read_only_is_reported_and_caught_up_with(small_disk: Path, start: Start) -> None:
    journal = Journal(small_disk / "cooks", start, commit_every_s=0.05, retry_s=0.02)
    try:
        assert journal.flush()
        subprocess.run(["mount", "-o", "remount,ro", small_disk], check=False)
        if not os.statvfs(small_disk).f_flag & os.ST_RDONLY:
            # The open log keeps the mount busy: a fresh journal on a read-only mount shows the same.
            journal.close()
            subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
            journal = Journal(small_disk / "other", start, commit_every_s=0.05, retry_s=0.02)
        write_steps(journal, 1, 5)
        assert eventually(lambda: journal.health().failed)
        assert "read-only" in journal.health().detail.lower()
        subprocess.run(["mount", "-o", "remount,rw", small_disk], check=True)
        assert journal.flush()
        assert not journal.health().failed
    finally:
        journal.close()


def test_a_message_that_is_not_on_disk_is_not_said_to_be(tmp_path: Path, start: Start) -> None:
    """An alarm for the phone outlives a restart only there."""
    (tmp_path / "cooks").write_text("in the way", "utf-8")
    journal = Journal(tmp_path / "cooks", start, retry_s=60.0)
    journal.post(OutMessage("t", "x", 0.0))
    assert not journal.flush(0.2)
    assert not journal.close()


@pytest.mark.root
def test_a_cook_that_was_closed_in_order_goes_on_from_a_disk_that_is_read_only_since(
    small_disk: Path, start: Start
) -> None:
    """As a worn card comes up after the board was restarted: SQLite opens no such file in WAL mode itself
    ("Write-Ahead Logging", read-only databases).
    """
    with closing(Journal(small_disk / "cooks", start, commit_every_s=0.05, retry_s=0.02)) as journal:
        write_steps(journal, 1, 5)
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    found = resume(small_disk / "cooks", CookState, UTC_S + 10.0)
    assert isinstance(found, Resume), found
    assert (found.state, found.damage) == (cook_step(5)[-1], "")
    with closing(Journal(small_disk / "cooks", start, found, commit_every_s=0.05, retry_s=0.02)) as journal:
        write_steps(journal, 6, 10)
        assert eventually(lambda: journal.health().failed)
        subprocess.run(["mount", "-o", "remount,rw", small_disk], check=True)
        assert journal.flush()
    with read(records(small_disk / "cooks")[0]) as record:
        assert len(list(record.steps())) == 10


def test_a_cook_goes_on_from_a_record_that_another_program_has_locked(tmp_path: Path, start: Start) -> None:
    journal = Journal(tmp_path, start, commit_every_s=0.05)
    write_steps(journal, 1, 5)
    assert journal.flush()
    crashed = tmp_path / "crashed"
    crashed.mkdir()
    for file in tmp_path.glob("*.cook*"):
        (crashed / file.name).write_bytes(file.read_bytes())  # with its log, as a kill leaves it
    journal.close()
    with closing(sqlite3.connect(records(crashed)[0], isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode=EXCLUSIVE")
        other.execute("BEGIN IMMEDIATE")
        found = resume(crashed, CookState, UTC_S + 10.0)
    assert isinstance(found, Resume), found
    assert (found.state, found.damage) == (cook_step(5)[-1], "")


def test_folder_that_cannot_be_made_is_reported_and_recording_starts_when_it_can(
    tmp_path: Path, start: Start
) -> None:
    blocker = tmp_path / "cooks"
    blocker.write_text("a file where the folder should be")
    journal = Journal(blocker, start, commit_every_s=0.05, retry_s=0.02)
    try:
        write_steps(journal, 1, 5)
        assert eventually(lambda: journal.health().failed)
        blocker.unlink()
        assert journal.flush()
    finally:
        journal.close()
    with read(records(blocker)[0]) as record:
        assert len(list(record.steps())) == 5


def test_who_keeps_the_record_from_being_written_is_told_from_a_full_disk(
    tmp_path: Path, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A browser of SQLite files with a change not yet saved; a folder given to another user to copy it."""
    monkeypatch.setattr(store, "_BUSY_S", 0.05)
    with closing(Journal(tmp_path, start, commit_every_s=0.05, retry_s=0.02)) as journal:
        write_steps(journal, 1, 5)
        assert journal.flush()
        path = journal.health().path
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            write_steps(journal, 6, 10)
            assert eventually(lambda: journal.health().failed)
            assert journal.health().detail == (
                f"database is locked; close the other program that writes to '{path}'"
            )
        assert journal.flush()
    user, folder = os.geteuid(), tmp_path / "cooks"
    folder.mkdir(0o500)
    os.seteuid(user or 65534)  # root writes everywhere
    try:
        with closing(Journal(folder, start, commit_every_s=0.05, retry_s=0.02)) as journal:
            write_steps(journal, 1, 5)
            assert eventually(lambda: journal.health().failed)
            assert f"make '{folder}' a folder that this user can write to" in journal.health().detail
    finally:
        os.seteuid(user)
        folder.chmod(0o700)


class SlowDisk:
    """Opens files only when it is let."""

    def __init__(self) -> None:
        self.go = threading.Event()

    def __call__(self, path: Path) -> sqlite3.Connection:
        self.go.wait(10.0)
        return store.open_for_writing(path)


def test_loop_is_never_held_up_by_a_hung_disk_and_memory_is_bounded(
    open_journal: Opener, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coalminder.journal.writer._STALLED_S", 0.05)
    monkeypatch.setattr("coalminder.journal.writer.MAX_STEPS", 100)
    disk = SlowDisk()
    journal = open_journal(connect=disk)
    begin = time.perf_counter()
    write_steps(journal, 1, 250, alarm("pit_high"))
    assert time.perf_counter() - begin < 0.25, "a step took more than a millisecond"
    assert eventually(lambda: journal.health().failed)
    assert journal.health().detail == "the disk does not answer"
    disk.go.set()
    assert journal.flush()
    assert journal.health().lost_steps == 150
    inputs, decision, state = cook_step(251)
    journal.record(251.0, UTC_S + 251, inputs, decision, state)
    journal.close()
    with read(records(tmp_path / "cooks")[0]) as record:
        assert [step.n for step in record.steps()] == list(range(151, 252))
        assert [change.n for change in record.alarms()] == [1, 251], "no alarm is lost"
        assert record.notes()[0][1] == "150 steps before step 151 were not written"
        assert record.state_before(151) is not None, "a replay can go on after the gap"


def test_record_cut_short_while_in_use_is_set_aside_and_a_new_one_started(
    open_journal: Opener, tmp_path: Path
) -> None:
    rng = random.Random(5)
    journal = open_journal()
    n = 0
    for _ in range(10):
        write_steps(journal, n + 1, n + 200, alarm("pit_high"))
        n += 200
        assert journal.flush()
        path = Path(journal.health().path)
        victim = rng.choice([path, Path(f"{path}-wal")])
        os.truncate(victim, rng.randrange(victim.stat().st_size))
        assert eventually(lambda path=path: Path(journal.health().path) != path)
        assert journal.health().corrupt
        assert not journal.health().failed
    message = OutMessage("kettle/alarm/x", "late", UTC_S)
    number = journal.post(message)
    write_steps(journal, n + 1, n + 3)
    assert journal.flush()
    folder = tmp_path / "cooks"
    assert len([p for p in folder.glob("*.damaged") if not p.name.endswith(("-wal", "-shm"))]) == 10
    journal.close()
    found = resume(folder, CookState, UTC_S + n + 5)
    assert isinstance(found, Resume)
    assert found.last_n == n + 3
    assert found.undelivered == ((number, message),)
    with read(found.path) as record:
        assert "set aside as" in record.notes()[0][1]


def test_steps_written_into_a_file_that_was_cut_short_meanwhile_are_in_the_next(
    open_journal: Opener, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = open_journal()
    write_steps(journal, 1, 2)
    assert journal.flush()
    looks: list[int] = []

    def look(sink: Sink) -> None:
        looks.append(1)
        if len(looks) == 2:  # after the batch, before anybody knows that it is safe
            raise DamagedError("the file was cut short")

    monkeypatch.setattr(Sink, "_look_at_file", look)
    write_steps(journal, 3, 5)
    assert eventually(lambda: len(records(tmp_path / "cooks")) == 1 and len(looks) > 3)
    assert journal.flush()
    journal.close()
    with read(records(tmp_path / "cooks")[0]) as record:
        assert [step.n for step in record.steps()] == [3, 4, 5]
        assert record.headers[0].first_n == 3
        assert [text for _, text in record.notes() if "not written" in text] == []
        (told,) = [utc_s for utc_s, text in record.notes() if "set aside" in text]
        assert abs(told - time.time()) < 60.0, "the note bears the time of the event"


def test_a_full_disk_makes_no_damage_of_a_sound_record(tmp_path: Path, start: Start) -> None:
    """The log cannot be taken into the file then: after a kill the record waits as it is."""
    journal = Journal(tmp_path / "cooks", start, commit_every_s=0.05)
    write_steps(journal, 1, 20)
    assert journal.flush()
    path = Path(journal.health().path)
    connection = sqlite3.connect(path)

    class FullDisk:
        def execute(self, words: str) -> sqlite3.Cursor:
            if "wal_checkpoint" in words:
                error = sqlite3.OperationalError("database or disk is full")
                error.sqlite_errorcode = sqlite3.SQLITE_FULL
                raise error
            return connection.execute(words)

    try:
        assert store.damage(FullDisk(), path) is None  # type: ignore[arg-type]
    finally:
        connection.close()
        journal.close()


def test_a_file_that_is_no_record_is_never_renamed(open_journal: Opener, tmp_path: Path) -> None:
    own = tmp_path / "shopping.txt"
    own.write_text("two char, salt\n", "utf-8")
    found = resume(own, CookState, UTC_S)
    assert isinstance(found, Refusal)
    assert found.damaged_path
    journal = open_journal(found)
    write_steps(journal, 1, 3)
    assert journal.flush()
    assert own.read_text("utf-8") == "two char, salt\n"
    assert len(records(tmp_path / "cooks")) == 1


def test_record_deleted_while_in_use_is_replaced(open_journal: Opener, tmp_path: Path) -> None:
    journal = open_journal()
    write_steps(journal, 1, 5)
    message = OutMessage("t", "x", UTC_S)
    number = journal.post(message)
    assert journal.flush()
    Path(journal.health().path).unlink()
    assert eventually(lambda: journal.health().corrupt)
    write_steps(journal, 6, 9)
    assert journal.flush()
    journal.close()
    with read(records(tmp_path / "cooks")[0]) as record:
        assert [step.n for step in record.steps()] == [6, 7, 8, 9]
        assert record.state_before(6) is not None
        assert record.outbox() == ((number, message),)


def test_message_that_is_no_text_is_damage_and_the_state_beside_it_is_taken(
    open_journal: Opener, tmp_path: Path
) -> None:
    """Handed to the link it would fail every step."""
    journal = open_journal()
    write_steps(journal, 1, 5)
    journal.post(OutMessage("kettle/alarm/x", "late", UTC_S))
    assert journal.close()
    (path,) = records(tmp_path / "cooks")
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE outbox SET payload = x'ff'")
    found = resume(path, CookState, UTC_S + 9)
    assert isinstance(found, Resume)
    assert (found.last_n, found.undelivered) == (5, ())
    assert "decode" in found.damage


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The bytes of a sound record of 600 steps (with a message waiting)."""
    folder = tmp_path_factory.mktemp("whole")
    journal = Journal(folder, Start("0.1.0", {}, UTC_S, CookState()))
    write_steps(journal, 1, 600, alarm("pit_high"))
    journal.post(OutMessage("kettle/alarm/pit_high", "hot", UTC_S))
    assert journal.close()
    return records(folder)[0].read_bytes()


def start_from_damage(folder: Path, content: bytes) -> str:
    """Restart on a record with this content, as the service would; what became of it."""
    folder.mkdir()
    path = folder / "x.cook"
    path.write_bytes(content)
    found = resume(folder, CookState, UTC_S + 700)
    state = found.state if isinstance(found, Resume) else CookState()
    journal = Journal(folder, Start("0.1.0", {}, UTC_S, state), found, commit_every_s=0.05)
    n = found.last_n if isinstance(found, Resume) else 0
    write_steps(journal, n + 1, n + 5)
    assert journal.flush(), journal.health()
    corrupt = journal.health().corrupt
    assert journal.close()
    newest = Path(journal.health().path)
    with read(newest) as record:
        assert [step.n for step in record.steps()][-5:] == list(range(n + 1, n + 6))
    connection = store.open_for_writing(newest)
    assert store.damage(connection, newest) is None
    connection.close()
    if isinstance(found, Resume):
        assert found.state == cook_step(found.state_n)[2], "a state that is not what was written"
    assert corrupt or isinstance(found, Resume), "damage that nobody was told of"
    return "reported" if corrupt else "resumed"


def test_record_truncated_at_random_bytes_never_stops_a_start_and_is_reported(
    tmp_path: Path, whole: bytes
) -> None:
    rng = random.Random(3)
    for k, size in enumerate(
        [0, 1, 15, 16, 99, 100, 4096, *(rng.randrange(len(whole)) for _ in range(ROUNDS))]
    ):
        assert start_from_damage(tmp_path / str(k), whole[:size]) == "reported", size


def test_record_with_random_bytes_overwritten_never_stops_a_start(tmp_path: Path, whole: bytes) -> None:
    rng = random.Random(4)
    for k in range(ROUNDS):
        content = bytearray(whole)
        for _ in range(rng.choice([1, 10, 200])):
            content[rng.randrange(len(content))] = rng.randrange(256)
        start_from_damage(tmp_path / str(k), bytes(content))


def test_last_state_is_salvaged_from_a_record_that_lost_its_tail(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "x.cook"
    path.write_bytes(whole[:-4096])
    found = resume(tmp_path, CookState, UTC_S + 700)
    assert isinstance(found, Resume | Refusal)
    if isinstance(found, Resume):
        assert found.damage
        assert found.state == cook_step(600)[2]
    else:
        assert found.damaged_path == str(path)


def test_state_without_a_plain_form_is_reported_not_raised(open_journal: Opener) -> None:
    journal = open_journal()
    inputs, decision, _ = cook_step(1)
    journal.record(1.0, UTC_S, inputs, decision, object())
    assert eventually(lambda: journal.health().failed)
    assert "no plain form" in journal.health().detail
