"""Reading records back: for replay, for reports, and to go on after a restart."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from coalminder.codec import from_plain
from coalminder.errors import UserError
from coalminder.journal import store
from coalminder.journal.packing import DamagedBlobError, unpack
from coalminder.journal.values import Header, Refusal, Resume, Waiting
from coalminder.values import NO_FIRE, CommandRecord, Decision, Inputs, OutMessage

S = TypeVar("S")
_UNREADABLE = (store.NotARecordError, sqlite3.Error, OSError, UnicodeDecodeError)
_LONGEST_STEP_S = 60.0
_END_S = 1e11  # the year 5138
_LONGEST_LEAP = 1 << 24  # steps
# Wall clock less control time at the end of that run, of those before the last, in which it was the most;
# NULL when there is one run.
_AHEAD = "SELECT max((SELECT utc_s - now_s FROM steps WHERE n < first_n ORDER BY n DESC LIMIT 1)) FROM header"


@dataclass(frozen=True, slots=True)
class Step:
    """One step as it was recorded. `run`: which run of the daemon made it."""

    n: int
    run: int
    now_s: float
    utc_s: float
    inputs: Inputs
    decision: Decision


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """A transition of an alarm."""

    n: int
    now_s: float
    utc_s: float
    code: str
    state: str
    active: bool
    action: str
    priority: str
    message: str


class Record:
    """A record open for reading, as far as it can be read. Use as a context manager.

    `damage` tells the first thing that could not be read ("" when sound); the rest is read all the same.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.damage = ""
        try:
            self._db = store.open_for_reading(path)
            try:
                self.headers = self._begin()
            except BaseException:
                self._db.close()
                raise
        except (store.NotARecordError, sqlite3.Error, OSError, ValueError) as error:
            raise UserError(
                f"record '{path}': {error}; give a file that 'coalminder tend' or 'rehearse' wrote"
            ) from None

    def _begin(self) -> tuple[Header, ...]:
        headers = _headers(self._db)
        if not headers:
            raise store.NotARecordError("nothing was recorded in it")
        bare = [header.run for header in headers if header.state is None]
        if bare:
            self._missed(f"state at the start of run {bare[0]}: not as it was written")
        return headers

    def __enter__(self) -> Record:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def steps(self) -> Iterator[Step]:
        """Every step in order. One that is damaged is left out, and `damage` then tells of the first."""
        run, to_come, alarm_sets = self.headers[0].run, list(self.headers), dict[int, Any]()
        last: tuple[int, float, float] | None = None
        begins = False
        for number, text in self._rows("SELECT id, CAST(alarms AS BLOB) FROM alarm_sets"):
            try:
                alarm_sets[number] = json.loads(text)
            except (ValueError, TypeError, RecursionError) as error:
                self._missed(f"alarms {number}: {error}")
        for n, now_s, utc_s, inputs, decision, alarm_set in self._step_rows():
            while to_come and to_come[0].first_n <= n:  # its first steps may be missing
                run, begins = to_come.pop(0).run, True
            try:
                plain = unpack(decision)
                if alarm_set is not None:
                    plain["alarms"] = alarm_sets[alarm_set]
                seen: Inputs = from_plain(Inputs, unpack(inputs))
                done: Decision = from_plain(Decision, plain)
                at = (n, float(now_s), float(utc_s))
                if not _follows(last, at, begins=begins or seen.machine.blind_start):
                    raise ValueError(f"at {now_s} s, {utc_s} UTC")
            except (ValueError, KeyError, TypeError) as error:
                self._missed(f"step {n}: {error}")
                continue
            last, begins = at, False
            yield Step(n, run, now_s, utc_s, seen, done)

    def _step_rows(self) -> Iterator[tuple[Any, ...]]:
        """Rows of steps in order; where a page cannot be read, those of the next that can."""
        columns = "n, now_s, utc_s, inputs, decision, alarm_set"
        query = f"SELECT {columns} FROM steps WHERE n > ? ORDER BY n"  # noqa: S608 - a constant
        after, leap = -1, 1
        while leap < _LONGEST_LEAP:
            try:
                for row in self._db.execute(query, (after,)):
                    if after < row[0] < after + _LONGEST_LEAP:
                        after, leap = row[0], 1
                        yield row
                    else:
                        self._missed(f"after step {after}: number {row[0]}")
                return
            except (sqlite3.DatabaseError, ValueError) as error:
                self._missed(f"after step {after}: {error}")
                after, leap = after + leap, 2 * leap

    def _rows(self, query: str, *values: int) -> Iterator[tuple[Any, ...]]:
        """Rows of `query` as far as the file gives them."""
        try:
            yield from self._db.execute(query, values)
        except (sqlite3.DatabaseError, ValueError) as error:
            self._missed(str(error))

    def _missed(self, what: str) -> None:
        self.damage = self.damage or what

    def state_before(self, n: int) -> Any | None:
        """The plain state of the core before step `n`, where one is on record (a run's start, a gap)."""
        for header in reversed(self.headers):  # a run that ended before its first step has the same n
            if header.first_n == n:
                return header.state
        for (blob,) in self._rows("SELECT state FROM snapshots WHERE kept=1 AND n=?", n - 1):
            try:
                return unpack(blob)
            except DamagedBlobError as error:
                self._missed(f"state before step {n}: {error}")
        return None

    def alarms(self) -> list[AlarmChange]:
        """Every transition of every alarm, in order."""
        query = (
            "SELECT n, now_s, utc_s, code, state, active, action, priority, message FROM alarms ORDER BY id"
        )
        found = []
        for n, now_s, utc_s, code, state, active, *rest in self._rows(query):
            try:
                found.append(
                    AlarmChange(int(n), float(now_s), float(utc_s), code, state, bool(active), *rest)
                )
            except (ValueError, TypeError) as error:
                self._missed(f"alarm at step {n}: {error}")
        return found

    def commands(self) -> list[CommandRecord]:
        """Every command with its sender and answer, in order."""
        columns = "utc_s, event_id, sender, topic, payload, accepted, reason"
        rows = self._rows(f"SELECT {columns} FROM commands ORDER BY id")  # noqa: S608 - a constant
        return [CommandRecord(a, b, c, d, e, bool(f), g) for a, b, c, d, e, f, g in rows]

    def notes(self) -> list[tuple[float, str]]:
        """Remarks on the record itself: (utc_s, text)."""
        return [(at_s, str(text)) for at_s, text in self._rows("SELECT utc_s, text FROM notes ORDER BY id")]

    def outbox(self) -> Waiting:
        """Messages not delivered, oldest first."""
        return _outbox(self._db)


def read(path: str | Path) -> Record:
    """Open the record at `path`; raises UserError when it is none."""
    return Record(Path(path))


def resume(
    where: str | Path,
    state_type: type[S],
    now_utc_s: float,
    *,
    within_s: float = 6 * 3600.0,
    ended: Callable[[S], bool] = lambda _state: True,
) -> Resume[S] | Refusal:
    """The cook to go on with: the record at `where`, or the newest in that folder.

    ended: whether a cook in a phase without a fire is over.
    A damaged file is still read as far as it goes: a state that passes its checks is better than none.
    Never raises for what it finds on disk; a Refusal says why there is nothing.
    """
    path: Path | None = Path(where)
    try:
        if path is not None and path.is_dir():
            path = store.newest(path)
        if path is None or not path.exists():
            return Refusal("there is no earlier record")
        connection, whole = _open(path)
    except _UNREADABLE as error:
        return Refusal(f"'{path}': {error}", str(path) if store.means_damage(error) else "")
    try:
        damage = store.damage(connection, path, whole=whole) or ""
        return _resume_from(connection, path, damage, state_type, now_utc_s, within_s, ended)
    finally:
        try:
            connection.close()
        except sqlite3.Error:
            pass


def _open(path: Path) -> tuple[sqlite3.Connection, bool]:
    """The record, and whether its log could be taken into it: one that cannot be written now is read."""
    try:
        return store.open_for_writing(path, create=False), True
    except (sqlite3.Error, OSError) as error:
        if store.means_damage(error):
            raise
        with suppress(*_UNREADABLE):
            return store.open_for_reading(path), False
        raise


def _resume_from(
    db: sqlite3.Connection,
    path: Path,
    damage: str,
    state_type: type[S],
    now_utc_s: float,
    within_s: float,
    ended: Callable[[S], bool],
) -> Resume[S] | Refusal:
    try:
        undelivered = _outbox(db)
        (next_id,) = db.execute("SELECT ifnull(max(id), 0) + 1 FROM outbox").fetchone()
    except (sqlite3.DatabaseError, ValueError, TypeError) as error:
        undelivered, next_id, damage = (), 1, damage or str(error)
    damaged_path = str(path) if damage else ""
    try:
        query = "SELECT n, utc_s, phase, state FROM snapshots WHERE kept=0 ORDER BY n DESC LIMIT 1"
        row = db.execute(query).fetchone()
        last = db.execute("SELECT n, utc_s, now_s FROM steps ORDER BY n DESC LIMIT 1").fetchone()
        (ahead,) = db.execute(_AHEAD).fetchone()
        if not _headers(db) or row is None:
            return Refusal("the last record holds no step", damaged_path, undelivered)
        n, utc_s, phase, blob = int(row[0]), float(row[1]), str(row[2]), row[3]
        last_n, last_utc_s = (int(last[0]), float(last[1])) if last else (n, utc_s)
        state: S = from_plain(state_type, unpack(blob))
    except (sqlite3.DatabaseError, ValueError, TypeError) as error:
        return Refusal(f"the last state cannot be read: {error}", str(path), undelivered)
    if phase in NO_FIRE and ended(state):
        return Refusal(f"the last cook has ended (phase {phase})", damaged_path, undelivered)
    # A board without a clock may start in the past, and may have done so in runs on record: then what the
    # earlier ones knew of the time tells more.
    known_utc_s = last_utc_s if damage or not last or ahead is None else max(last_utc_s, last[2] + ahead)
    age_s = max(0.0, now_utc_s - (known_utc_s if now_utc_s >= known_utc_s else last_utc_s))
    if age_s > within_s:
        return Refusal(
            f"the last cook stopped {age_s / 3600:.1f} h ago, longer than {within_s / 3600:.1f} h",
            damaged_path,
            undelivered,
        )
    return Resume(
        path=str(path), state=state, phase=phase, state_n=n, last_n=max(n, last_n),
        last_utc_s=known_utc_s, age_s=age_s, undelivered=undelivered, next_message_id=next_id, damage=damage,
    )  # fmt: skip


def _follows(last: tuple[int, float, float] | None, at: tuple[int, float, float], *, begins: bool) -> bool:
    """Whether a step's (n, now_s, utc_s) can come after those of the `last`: columns carry no check sum.

    Within a run steps are seconds apart; a longer gap (the machine stood still) shows on both clocks, but for
    one that the wall clock told of when it was put right, which `begins` anew.
    """
    n, now_s, utc_s = at
    if not (0.0 <= now_s < _END_S and abs(utc_s) < _END_S):
        return False
    if last is None:
        return True
    gap_s = now_s - last[1]
    far = gap_s > _LONGEST_STEP_S * (n - last[0]) and abs(utc_s - last[2] - gap_s) > 5.0
    return gap_s >= 0.0 and (begins or not far)


def _headers(db: sqlite3.Connection) -> tuple[Header, ...]:
    columns = "run, version, settings, settings_sha256, started_utc_s, first_n, state"
    rows = db.execute(f"SELECT {columns} FROM header ORDER BY run")  # noqa: S608 - a constant
    return tuple(
        Header(
            a,
            str(b),
            str(c),
            str(d),
            e if isinstance(e, float) else math.nan,
            f if isinstance(f, int) else 0,
            _unpack_or_none(g),
        )
        for a, b, c, d, e, f, g in rows  # of a damaged file they may be anything
    )


def _unpack_or_none(blob: bytes) -> Any | None:
    try:
        return unpack(blob)
    except DamagedBlobError:
        return None


def _outbox(db: sqlite3.Connection) -> Waiting:
    rows = db.execute("SELECT id, utc_s, topic, payload, retain FROM outbox ORDER BY id")
    return tuple((a, OutMessage(c, str(d, "utf-8"), b, bool(e))) for a, b, c, d, e in rows)
