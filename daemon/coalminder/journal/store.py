"""Journal files: open, migrate, check, set aside, find, prune. All calls may block."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

from coalminder.journal.folder import write_anew
from coalminder.journal.packing import LONGEST_BYTES
from coalminder.values import Phase

APPLICATION_ID = 0x434F414C  # marks a file as a cook record (SQLite's PRAGMA application_id)
SCHEMA_VERSION = 1
SUFFIX = ".cook"
_POINTER = "written-to"
_SIDE_FILES = ("-wal", "-shm")
_BUSY_S = 2.0  # a reader may hold a lock for a moment


class NotARecordError(Exception):
    """The file is no cook record, or one of a newer program."""


def open_for_writing(path: Path, *, create: bool = True) -> sqlite3.Connection:
    """Open or create the record at `path` and bring its schema up to date.

    With `create` False an empty file is refused.

    The write-ahead log is flushed at each commit (synchronous=FULL): what is committed outlives a power
    cut (SQLite documentation, "PRAGMA synchronous"). Raises sqlite3.Error, OSError, NotARecordError.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA wal_autocheckpoint=500")  # 2 MB
        if not create and connection.execute("PRAGMA user_version").fetchone() == (0,):
            raise NotARecordError("the record is empty")
        migrate(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Open a record that may be in use, lie on a read-only medium, or end too early. Raises as above.

    Leaves nothing beside it: SQLite would make a log and its index for a reader, too, and leave them there.
    """
    if not path.is_file():
        raise NotARecordError(f"there is no file '{path}'")
    if all(Path(f"{path}{side}").exists() for side in _SIDE_FILES):  # in use, or left by a kill
        with contextlib.suppress(sqlite3.OperationalError):  # the index needs a place to write
            return _checked(sqlite3.connect(_uri(path, "mode=ro"), uri=True, timeout=_BUSY_S))
    return _checked(_beside_no_log(path))


def _checked(connection: sqlite3.Connection) -> sqlite3.Connection:
    try:
        # a file shorter than its header says is refused without this (SQLite, "PRAGMA writable_schema")
        connection.execute("PRAGMA writable_schema=ON")
        _check_tables(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _uri(path: Path, how: str) -> str:
    return f"{path.resolve().as_uri()}?{how}"


def _beside_no_log(path: Path) -> sqlite3.Connection:
    """The file itself where it was closed in order, for it needs no log; else a copy of both."""
    log = Path(f"{path}-wal")
    if not log.exists() or not log.stat().st_size:
        return sqlite3.connect(_uri(path, "immutable=1"), uri=True)
    connection = sqlite3.connect(":memory:")
    try:
        _copy(path, connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _copy(path: Path, into: sqlite3.Connection) -> None:
    with tempfile.TemporaryDirectory() as directory:
        copy = Path(directory, path.name)
        for side in ("", "-wal"):
            if (source := Path(f"{path}{side}")).exists():
                shutil.copyfile(source, f"{copy}{side}")
        with contextlib.closing(sqlite3.connect(copy)) as copied:
            copied.execute("PRAGMA writable_schema=ON")
            copied.backup(into)


def migrate(connection: sqlite3.Connection) -> None:
    """Apply each schema file above the file's user_version, in one transaction."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version:
        _check_kind(connection)
    if version == SCHEMA_VERSION:
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        for number in range(version + 1, SCHEMA_VERSION + 1):
            script = (
                resources.files("coalminder.journal").joinpath(f"schema_v{number}.sql").read_text("utf-8")
            )
            for statement in _statements(script):
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version={SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _statements(script: str) -> list[str]:
    found, text = [], ""
    for line in script.splitlines(keepends=True):
        text += line
        if sqlite3.complete_statement(text):
            found.append(text)
            text = ""
    return found


def _check_kind(connection: sqlite3.Connection) -> None:
    (kind,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if kind != APPLICATION_ID:
        empty = connection.execute("SELECT 1 FROM sqlite_master").fetchone() is None
        hint = ": it is empty; a copy of a record in use needs its '-wal' file beside it" if empty else ""
        raise NotARecordError(f"the file is not a cook record{hint}")
    if version > SCHEMA_VERSION:
        raise NotARecordError(f"the record has schema {version}, this program reads up to {SCHEMA_VERSION}")


def _check_tables(connection: sqlite3.Connection) -> None:
    """For a file that may be anybody's: what is read from it is rows, not what a query written there makes.

    (SQLite documentation, "Defense Against The Dark Arts": a view may go on for ever, a small file may give
    values of any length.)
    """
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_BYTES)
    _check_kind(connection)
    found = connection.execute(
        "SELECT type, name FROM sqlite_master WHERE type IN ('view', 'trigger') OR sql LIKE 'CREATE VIRTUAL%'"
    ).fetchone()
    if found is not None:
        raise NotARecordError(f"the file is not a cook record: no record has the {found[0]} '{found[1]}'")


_OF_THE_MACHINE = frozenset(
    (
        sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_AUTH, sqlite3.SQLITE_INTERRUPT, sqlite3.SQLITE_NOLFS,
    )
)  # fmt: skip


def means_damage(error: Exception) -> bool:
    """True when the file is at fault and not the disk: a wish that SQLite cannot fulfil for its content."""
    if isinstance(error, sqlite3.Error):
        code = getattr(error, "sqlite_errorcode", None)
        return code is not None and code & 0xFF not in _OF_THE_MACHINE
    return isinstance(error, NotARecordError | UnicodeDecodeError)  # a message that quotes damaged bytes


def damage(connection: sqlite3.Connection, path: Path, *, whole: bool = True) -> str | None:
    """What is wrong with a record just opened, or None.

    SQLite's quick_check does not miss the end of a last page that was cut off, so the size is checked too,
    unless the log could not be taken into the file: a full disk is no damage. whole: opened for writing.
    """
    try:
        try:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except sqlite3.Error as error:
            if means_damage(error):
                raise
            whole = False
        (finding,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        (page_size,) = connection.execute("PRAGMA page_size").fetchone()
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        return str(error)
    if finding != "ok":
        return str(finding).splitlines()[-1]
    size = path.stat().st_size
    if whole and size != pages * page_size:
        return f"{size} bytes long instead of {pages * page_size}"
    return None


def new_path(directory: Path, started_utc_s: float) -> Path:
    """A name that no file has, from the time of the start."""
    stamp = datetime.fromtimestamp(started_utc_s, UTC).strftime("%Y%m%dT%H%M%SZ")
    path, number = directory / f"{stamp}{SUFFIX}", 1
    while path.exists() or list(directory.glob(f"{path.name}.damaged*")):
        number += 1
        path = directory / f"{stamp}-{number}{SUFFIX}"
    return path


def set_aside(path: Path) -> Path | None:
    """Rename a damaged record and its log so that nothing writes to it again; None when it is gone.

    Only what bears a record's name: another file is not ours to rename.
    """
    if path.suffix != SUFFIX:
        return None
    target, number = Path(f"{path}.damaged"), 1
    while target.exists():
        number += 1
        target = Path(f"{path}.damaged-{number}")
    moved = None
    for side in ("", *_SIDE_FILES):
        try:
            Path(f"{path}{side}").rename(f"{target}{side}")
            moved = target
        except FileNotFoundError:
            continue
    return moved


def point_at(path: Path) -> None:
    """Note that `path` is the record written to now: a clock that is behind gives it an old time."""
    try:
        write_anew(path.parent / _POINTER, path.name)
    except OSError:
        pass  # then the times must do


def newest(directory: Path) -> Path | None:
    """The record written to last: the one that was pointed at, else that of the last step."""
    try:
        pointed = directory / (directory / _POINTER).read_text("utf-8").strip()
        if pointed.suffix == SUFFIX and pointed.parent == directory and pointed.is_file():
            return pointed
    except (OSError, ValueError):
        pass
    found = [(_story(path)[1:], path) for path in directory.glob(f"*{SUFFIX}") if path.is_file()]
    return max(found)[1] if found else None


def prune(directory: Path, keep: int, in_use: Path | None = None) -> None:
    """Delete records (damaged ones too) beyond `keep`, of which `in_use` is one.

    Those in which no fire was lit go first, the oldest of each before: a board that is started each day of a
    winter must not cost the cooks of the summer.
    """
    records = [
        path
        for path in directory.glob(f"*{SUFFIX}*")
        if not path.name.endswith(_SIDE_FILES) and path != in_use
    ]
    over = len(records) + (in_use is not None) - keep
    if over <= 0:
        return
    records.sort(key=_story)
    for path in records[:over]:
        for side in ("", *_SIDE_FILES):
            Path(f"{path}{side}").unlink(missing_ok=True)


def _story(path: Path) -> tuple[bool, float, float]:
    """Of a record: whether a fire was lit (nothing leads back to a cold grill), when its last step was, and
    when the file was changed, UTC in s. The last is that of a copy, and stands in where no step can be read;
    then nobody knows of a fire either.
    """
    sides = (Path(f"{path}{side}") for side in ("", "-wal"))
    changed_s = max((side.stat().st_mtime for side in sides if side.exists()), default=0.0)
    lit, last_s = True, None
    try:
        with contextlib.closing(_beside_no_log(path)) as db:
            found = db.execute("SELECT 1 FROM snapshots WHERE phase != ?", (Phase.COLD,)).fetchone()
            lit = found is not None
            (last_s,) = db.execute("SELECT utc_s FROM steps ORDER BY n DESC LIMIT 1").fetchone() or (None,)
    except (sqlite3.Error, OSError, UnicodeDecodeError):
        pass
    return lit, last_s if isinstance(last_s, float) else changed_s, changed_s
