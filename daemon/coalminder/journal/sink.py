"""The file side of the journal: opens records, writes batches, sets damaged files aside.

Used by the writer thread alone; every call may block. Failures come back as one line of text.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from coalminder.codec import CodecError, to_plain
from coalminder.journal import store
from coalminder.journal.packing import canonical_json, pack, to_json
from coalminder.journal.values import Refusal, Resume, Start, Waiting
from coalminder.values import Decision, Inputs, OutMessage

_MOST_SET_ASIDE = 20  # in one run; more would push sound records of other cooks out
_NEXT = "free space, or check the card"
_INSERT = {
    "alarm": "INSERT INTO alarms VALUES (NULL,?,?,?,?,?,?,?,?,?)",
    "command": "INSERT INTO commands VALUES (NULL,?,?,?,?,?,?,?)",
    "post": "INSERT OR REPLACE INTO outbox VALUES (?,?,?,?,1,?)",
    "delivered": "DELETE FROM outbox WHERE id=?",
    "note": "INSERT INTO notes VALUES (NULL,?,?)",
}


@dataclass(frozen=True, slots=True)
class StepItem:
    """A step to write; `before` and `after` are the states of the core around it.

    rested: those before it were left out on purpose.
    """

    n: int
    now_s: float
    utc_s: float
    inputs: Inputs
    decision: Decision
    before: object
    after: object
    rested: bool = False


@dataclass(frozen=True, slots=True)
class NoteItem:
    """A row for one of the small tables."""

    table: str
    row: tuple[object, ...]


Item = StepItem | NoteItem


def posted(message_id: int, message: OutMessage) -> tuple[object, ...]:
    """The row of a message in the table of those that wait."""
    return message_id, message.utc_s, message.topic, message.body.encode(), int(message.retain)


class DamagedError(Exception):
    """The file shrank or vanished under us."""


class Sink:
    """Where batches go. `damaged_at_s`: monotonic time at which a file was last found damaged."""

    def __init__(
        self,
        directory: Path,
        start: Start,
        resume: Resume[object] | Refusal | None,
        keep_cooks: int,
        connect: Callable[[Path], sqlite3.Connection],
        waiting: Callable[[], Waiting],
    ) -> None:
        self.path: Path | None = None
        self.damaged_at_s: float | None = None
        self._directory = directory
        self._start = start
        self._keep_cooks = keep_cooks
        self._connect = connect
        self._waiting = waiting
        self._db: sqlite3.Connection | None = None
        self._sizes = (0, 0)
        self._last_n = 0
        self._last_state: object = start.state
        self._alarm_sets: dict[str, int] = {}
        self._set_aside = 0
        self._file = 0
        self._remarks: list[NoteItem] = []
        self._damaged_at_start: Path | None = None
        if isinstance(resume, Resume):
            self._last_n = resume.last_n
            if resume.damage:
                self._damaged_at_start = Path(resume.path)
            else:
                self.path = Path(resume.path)
        elif isinstance(resume, Refusal) and resume.damaged_path:
            self._damaged_at_start = Path(resume.damaged_path)

    @property
    def is_open(self) -> bool:
        """A file is open."""
        return self._db is not None

    def close(self) -> None:
        """Close the file; never raises."""
        if self._db is not None:
            try:
                self._db.close()
            except sqlite3.Error:
                pass
            self._db = None

    def work(self, batch: Sequence[Item], file: int) -> str:
        """Look at the file and write `batch` whole or not at all; "" when all is well, else what is wrong.

        A damaged file is set aside and the batch goes to a new one. file: number of the file in this run; a
        higher one than before begins another.
        """
        if batch and file > self._file:
            self._turn_to(file, batch)
        for _ in range(3):
            if self._set_aside >= _MOST_SET_ASIDE:
                break
            try:
                if self._damaged_at_start is not None:
                    self._put_away(self._damaged_at_start, "found damaged at the start")
                    self._damaged_at_start = None
                if self._db is None:
                    self._open()
                self._look_at_file()
                written = self._write([*batch, *self._remarks])
                self._look_at_file()
                self._remarks.clear()
                self._last_n, self._last_state, self._alarm_sets = written
            except (DamagedError, store.NotARecordError, sqlite3.Error, UnicodeDecodeError) as error:
                if not (isinstance(error, DamagedError) or store.means_damage(error)):
                    self._back_out()
                    return f"{error}; {self._next_step(error)}"
                self._leave_damaged_file(str(error))
            except OSError as error:
                self._back_out()
                return f"{error.strerror or error}; {self._next_step(error)}"
            except CodecError:
                self._back_out()
                raise
            else:
                return ""
        return f"one record after the other is damaged; {_NEXT}"

    def _next_step(self, error: Exception) -> str:
        """What a person can do about it."""
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return f"close the other program that writes to '{self.path}'"
        if not os.access(self._directory, os.W_OK | os.X_OK, effective_ids=True):
            return f"make '{self._directory}' a folder that this user can write to, or change the card"
        return _NEXT

    def _turn_to(self, file: int, batch: Sequence[Item]) -> None:
        """The next cook's file: it begins with the state before its first step."""
        self.close()
        self.path, self._file = None, file
        first = next((item for item in batch if isinstance(item, StepItem)), None)
        if first is not None:
            self._start = replace(self._start, utc_s=first.utc_s, state=first.before)
            self._last_n, self._last_state = first.n - 1, first.before

    def _back_out(self) -> None:
        try:
            if self._db is not None and self._db.in_transaction:
                self._db.execute("ROLLBACK")
        except sqlite3.Error:
            self.close()

    def _open(self) -> None:
        self._directory.mkdir(parents=True, exist_ok=True)
        fresh = self.path is None
        if self.path is None:
            self.path = store.new_path(self._directory, self._start.utc_s)
        db = self._connect(self.path)
        try:
            db.execute("BEGIN IMMEDIATE")
            (run,) = db.execute("SELECT ifnull(max(run), 0) + 1 FROM header").fetchone()
            settings = canonical_json(self._start.settings)
            digest = hashlib.sha256(settings.encode()).hexdigest()
            state = pack(to_plain(self._last_state))
            row = (run, self._start.version, settings, digest, self._start.utc_s, self._last_n + 1, state)
            db.execute("INSERT INTO header VALUES (?,?,?,?,?,?,?)", row)
            db.executemany(_INSERT["post"], [posted(*one) for one in self._waiting()])
            db.execute("COMMIT")
        except BaseException:
            db.close()
            raise
        store.point_at(self.path)  # not before it can take the place of the last: it has the messages now
        self._db, self._sizes, self._alarm_sets = db, (0, 0), {}
        if fresh:
            store.prune(self._directory, self._keep_cooks, self.path)

    def _look_at_file(self) -> None:
        """A record and its log only grow: smaller ones were damaged from outside."""
        assert self.path is not None
        try:
            sizes = (self.path.stat().st_size, Path(f"{self.path}-wal").stat().st_size)
        except FileNotFoundError:
            raise DamagedError("the file has gone") from None
        if sizes[0] < self._sizes[0] or sizes[1] < self._sizes[1]:
            raise DamagedError("the file was cut short")
        self._sizes = sizes

    def _write(self, batch: Sequence[Item]) -> tuple[int, object, dict[str, int]]:
        """Put `batch` into the file; last step, state after it and sets of alarms, if the file is sound."""
        db = self._db
        assert db is not None
        steps = [item for item in batch if isinstance(item, StepItem)]
        known = dict(self._alarm_sets)
        last_n, last_state = (steps[-1].n, steps[-1].after) if steps else (self._last_n, self._last_state)
        if not batch:
            return last_n, last_state, known
        db.execute("BEGIN IMMEDIATE")
        self._mark_gaps(db, steps)
        db.executemany("INSERT INTO steps VALUES (?,?,?,?,?,?)", [_row(db, known, step) for step in steps])
        for item in batch:
            if isinstance(item, NoteItem):
                db.execute(_INSERT[item.table], item.row)
        if steps:
            db.execute("DELETE FROM snapshots WHERE kept=0")
            _snapshot(db, last_n, steps[-1], last_state, kept=0)
        db.execute("COMMIT")
        return last_n, last_state, known

    def _mark_gaps(self, db: sqlite3.Connection, steps: list[StepItem]) -> None:
        """Where steps are missing, keep the state after them, so that a replay can go on from there."""
        expected = self._last_n + 1
        for step in steps:
            if step.n != expected:
                _snapshot(db, step.n - 1, step, step.before, kept=1)
                if not step.rested:
                    text = f"{step.n - expected} steps before step {step.n} were not written"
                    db.execute(_INSERT["note"], (step.utc_s, text))
            expected = step.n + 1

    def _leave_damaged_file(self, why: str) -> None:
        self.close()
        if self.path is not None:
            self._put_away(self.path, why)

    def _put_away(self, path: Path, why: str) -> None:
        self.path = None
        self._set_aside += 1
        moved = store.set_aside(path)
        text = f"'{path.name}': {why}" + (f"; set aside as '{moved.name}'" if moved else "")
        self.damaged_at_s = time.monotonic()
        self._remarks.append(NoteItem("note", (time.time(), text)))


def _row(db: sqlite3.Connection, known: dict[str, int], step: StepItem) -> tuple[object, ...]:
    decision = to_plain(step.decision)
    alarms, number = decision.pop("alarms", None), None
    if alarms:
        text = to_json(alarms)
        number = known.get(text)
        if number is None:
            number = db.execute("INSERT INTO alarm_sets VALUES (NULL,?)", (text,)).lastrowid
            assert number is not None
            known[text] = number
    return (step.n, step.now_s, step.utc_s, pack(to_plain(step.inputs)), pack(decision), number)


def _snapshot(db: sqlite3.Connection, n: int, step: StepItem, state: object, *, kept: int) -> None:
    row = (n, kept, step.now_s, step.utc_s, str(step.decision.phase), pack(to_plain(state)))
    db.execute("INSERT OR REPLACE INTO snapshots VALUES (?,?,?,?,?,?)", row)
