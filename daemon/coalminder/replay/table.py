"""Records as tables: CSV and Parquet in and out. docs/records.md lists the columns."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from coalminder.errors import UserError
from coalminder.replay import moments
from coalminder.replay.fopdt import Floats
from coalminder.replay.series import Series
from coalminder.values import Phase


@dataclass(frozen=True, slots=True)
class Column:
    """A documented column; `also` are headings that other loggers use for the same thing."""

    name: str
    unit: str
    meaning: str
    low: float
    high: float
    also: tuple[str, ...] = ()
    needed: bool = False


COLUMNS: tuple[Column, ...] = (
    Column(
        "time_s",
        "s",
        "seconds since any start, rising; or a UTC time",
        -1e12,
        1e12,
        ("time", "utc", "utc_s", "timestamp", "elapsed_s", "seconds"),
        True,
    ),
    Column(
        "pit_c",
        "°C",
        "pit temperature; empty where there was no reading",
        -60.0,
        800.0,
        ("pit", "pit_temp", "grate_c"),
        True,
    ),
    Column(
        "lower",
        "0..1",
        "opening of the lower vent, linear in flow",
        0.0,
        1.0,
        ("vent", "vent_opening", "opening", "lower_vent"),
        True,
    ),
    Column("upper", "0..1", "opening of the upper vent; left out: fixed", 0.0, 1.0, ("upper_vent",)),
    Column("set_point_c", "°C", "set point", -60.0, 800.0, ("set_point", "target_c")),
    Column("phase", "", "phase of the cook, a word of docs/control.md", 0.0, 0.0),
    Column("lid_off", "0 or 1", "the lid is off", 0.0, 1.0, ("lid", "lid_open")),
    Column("ambient_c", "°C", "air outside", -60.0, 60.0, ("ambient",)),
    Column("food_c", "°C", "core of the food", -60.0, 300.0, ("food", "core_c", "core")),
    Column("dome_c", "°C", "dome", -60.0, 800.0, ("dome",)),
)
Say = Callable[[str], None]
PARQUET = (".parquet", ".pq")
LONGEST_CELL = 40  # characters that an error shows
MOST_CELLS = 50_000_000  # two months of ten columns at a row a second


@dataclass(frozen=True, slots=True)
class Unit:
    """How a number in another unit becomes one in the column's own: factor * (number - zero)."""

    factor: float = 1.0
    zero: float = 0.0


AS_IT_IS = Unit()
UNITS: dict[str, dict[str, Unit]] = {  # by the unit of the column, words that a heading may tell in brackets
    "s": {
        "sec seconds utc": AS_IT_IS,
        "min minutes": Unit(60.0),
        "h hours": Unit(3600.0),
        "d days": Unit(86400.0),
        "ms": Unit(0.001),
    },
    "°C": {"c degc": AS_IT_IS, "°f f degf": Unit(1.0 / 1.8, 32.0), "k kelvin": Unit(1.0, 273.15)},
    "0..1": {"0-1": AS_IT_IS, "% percent": Unit(0.01)},
    "0 or 1": {"0/1": AS_IT_IS},
}
_PERCENT = ("lower", "upper")
_PHASES = tuple(phase.value for phase in Phase)
_TOLD = re.compile(rb'"?sep=.?"?', re.IGNORECASE)  # a spreadsheet's line before the heading
_MISSING = (
    *("", "nan", "NaN", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None", "-", "--", "---"),
    *("OL", "OPEN", "ERR", "Err", "ERROR", "Error", "#N/A", "#VALUE!"),  # a meter's and a spreadsheet's
)


def read_table(path: Path, say: Say = lambda _text: None) -> Series:
    """Read a CSV (comma, semicolon or tab) or Parquet file. Raises UserError naming column, row and range.

    say: told what of the file was left out.
    """
    if not path.is_file():
        raise UserError(f"record '{path}': there is no such file; give a .cook, .csv or .parquet file")
    try:
        if path.suffix.lower() in PARQUET:
            frame = _parquet(path)
        else:
            _plain_text(path)
            separator, before = _separator(path)
            frame = pl.read_csv(
                path, separator=separator, comment_prefix="#", infer_schema_length=None,
                null_values=list(_MISSING), glob=False, skip_lines=before,
            )  # fmt: skip
            if _cut_short(path, separator, frame.width):
                frame = frame.head(-1)
    except (pl.exceptions.PolarsError, OSError, UnicodeDecodeError) as error:
        why = str(error).splitlines()[0]
        if isinstance(error, pl.exceptions.ComputeError) and path.suffix.lower() not in PARQUET:
            why = _too_long_line(path, separator, before) or why
        raise UserError(f"record '{path}': cannot be read as a table: {why}; see docs/records.md") from None
    return from_frame(frame, str(path), say)


def _parquet(path: Path) -> pl.DataFrame:
    """A row that repeats takes no room in the file, but in memory: the file is asked how many there are."""
    table = pl.scan_parquet(path, glob=False)
    rows, columns = table.select(pl.len()).collect().item(), len(table.collect_schema())
    if rows * columns > MOST_CELLS:
        raise UserError(
            f"record '{path}': {rows} rows of {columns} columns; at most {MOST_CELLS} cells are read: give "
            "one cook, and only the columns of docs/records.md"
        )
    return table.collect()


def _plain_text(path: Path) -> None:
    with path.open("rb") as file:
        begin = file.read(4096)
    if begin[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in begin[:2]:
        raise UserError(f"record '{path}': is text in UTF-16; save it again as CSV in UTF-8")
    if b"\r" in begin and b"\n" not in begin:
        raise UserError(
            f"record '{path}': its lines end with a carriage return alone; save it again as CSV with line "
            "feeds"
        )


def _separator(path: Path) -> tuple[str, int]:
    """What stands between cells, and how many lines stand before the heading to say so ("sep=;")."""
    before = 0
    with path.open("rb") as file:
        for number, raw in enumerate(file, 1):
            line = raw.removeprefix(b"\xef\xbb\xbf").strip(b"\r\n")
            told = _TOLD.fullmatch(line)
            if told is not None and not before:
                before = number
            elif line.strip() and not line.startswith(b"#"):
                return max(",;\t", key=line.decode("utf-8", "replace").count), before
    return ",", before


def _too_long_line(path: Path, separator: str, before: int) -> str:
    """Which line has more cells than the heading, and what that may come from; "" for none."""
    with path.open(encoding="utf-8", errors="replace", newline="") as file, suppress(csv.Error):
        lines = csv.reader(file, delimiter=separator)
        width = 0
        for cells in lines:
            if lines.line_num <= before or not "".join(cells).strip() or cells[0].startswith("#"):
                continue
            if width and len(cells) > width:
                return (
                    f"line {lines.line_num} has {len(cells)} cells, the heading {width}: lines before the "
                    "heading must begin with '#', every cell needs a heading, and numbers with a comma need "
                    "another separator"
                )
            width = width or len(cells)
    return ""


def _cut_short(path: Path, separator: str, columns: int) -> bool:
    """Whether the last row has no end and too few cells: its last number may have lost digits."""
    with path.open("rb") as file:
        file.seek(max(path.stat().st_size - 65536, 0))
        last = file.read().rpartition(b"\n")[2]
    row = last.strip() != b"" and not last.startswith(b"#")
    return row and last.count(separator.encode()) < columns - 1


def from_frame(frame: pl.DataFrame, name: str, say: Say = lambda _text: None) -> Series:
    """The columns of a data frame, checked. say: as `read_table`'s."""
    found, units = _headings(frame.columns, name)
    over = [heading for heading in frame.columns if heading.strip() and heading not in found.values()]
    if over:
        say(f"columns not known, and not used: {', '.join(over)[:200]} (known ones: docs/records.md)")
    frame = frame.filter(~pl.all_horizontal(pl.all().is_null()))  # empty lines
    n = frame.height
    if n < 2:
        raise UserError(f"record '{name}': {n} rows; at least two are needed")
    values = {
        column.name: _numbers(frame.get_column(found[column.name]), column, name, units[column.name])
        for column in COLUMNS
        if column.name in found and column.name != "phase"
    }
    for vent in _PERCENT:
        if units.get(vent, AS_IT_IS) != AS_IT_IS and np.nanmax(values[vent], initial=0.0) <= 0.01:
            say(f"column {found[vent]} never shows more than 1 %: does it hold 0 to 1, with a wrong unit?")
    time_s = values["time_s"]
    _check_times(time_s, f"record '{name}', column {found['time_s']}")
    for needed, what in (("pit_c", "reading"), ("lower", "opening")):
        if not np.isfinite(values[needed]).any():
            raise UserError(
                f"record '{name}', column {found[needed]}: no {what} in any of {n} rows; give another record"
            )
    keep = np.concatenate([[True], np.diff(time_s) > 0.0])  # of rows with one time, the first
    if not keep.all():
        say(
            f"{n - int(keep.sum())} of {n} rows have the time of the row before and are left out (of times "
            "in whole minutes most are: lid lifts and peaks are lost with them; log the seconds)"
        )
    phase = _phases(frame.get_column(found["phase"]), name) if "phase" in found else np.full(n, "")
    empty = np.full(n, math.nan)
    lower, set_point_c = values["lower"], values.get("set_point_c", empty)
    whole = Series(
        time_s - time_s[0],
        values["pit_c"],
        _held(lower),
        _held(values.get("upper", np.ones(n))),
        _held(set_point_c) if np.isfinite(set_point_c).any() else set_point_c,
        phase,
        np.nan_to_num(values.get("lid_off", np.zeros(n))) > 0.5,
        values.get("ambient_c", empty),
        values.get("food_c", empty),
        values.get("dome_c", empty),
    )
    return whole if keep.all() else whole.part(keep)


def _headings(headings: list[str], name: str) -> tuple[dict[str, str], dict[str, Unit]]:
    """Heading and unit of each column that is there, by its own name."""
    said = {word: (heading, unit) for heading in headings for word, unit in [_said(heading)]}
    found: dict[str, str] = {}
    units: dict[str, Unit] = {}
    other: list[str] = []  # headings of temperatures in another unit
    untold: list[str] = []  # of those that leave the unit to be guessed
    for column in COLUMNS:
        words = (column.name, *column.also)
        heading, told = next((said[word] for word in words if word in said), (None, ""))
        if heading is None and column.needed:
            raise UserError(
                f"record '{name}': no column for {column.meaning}; accepted headings: {', '.join(words)}; "
                f"the file has: {', '.join(headings)[:200]}"
            )
        if heading is None:
            continue
        found[column.name] = heading
        units[column.name] = _unit_of(column, heading, told, name)
        if column.unit == "°C":
            other += [heading] if units[column.name] != AS_IT_IS else []
            untold += [heading] if not told and not _said(heading)[0].endswith("_c") else []
    if other and untold:
        raise UserError(
            f"record '{name}': column {other[0]} tells its unit, column {untold[0]} none; write the "
            "unit into the heading of every temperature"
        )
    return found, units


def _check_times(time_s: Floats, where: str) -> None:
    if not np.all(np.isfinite(time_s)):
        raise UserError(f"{where}: row {_row(~np.isfinite(time_s))} has no time")
    apart = np.diff(time_s)
    back = apart < 0.0
    if back.any():
        raise UserError(
            f"{where}: time runs backwards by {-apart[back][0]:.6g} s at row {_row(back) + 1}; if the clock "
            "was put back, give the times in UTC; if rows are mixed up, sort them; two cooks go into two "
            "files"
        )
    if time_s[-1] == time_s[0]:
        raise UserError(f"{where}: all {len(time_s)} rows have the same time")


def _said(heading: str) -> tuple[str, str]:
    """A heading as it is looked up, and the unit that it tells in brackets: "Pit temp [°F]"."""
    word, _, unit = heading.strip().lower().rstrip("])").replace("(", "[").partition("[")
    return re.sub(r"[\s-]+", "_", word.strip()), unit.strip()


def _unit_of(column: Column, heading: str, told: str, name: str) -> Unit:
    told = told.replace("\ufffd", "°")  # of a text in Windows' own characters
    known = {unit: of for words, of in UNITS.get(column.unit, {}).items() for unit in words.split()}
    if told in ("", column.unit.lower()):
        return AS_IT_IS
    if told not in known:
        raise UserError(
            f"record '{name}', column {heading}: '{told}' is no unit that is understood here; accepted: "
            f"{', '.join([column.unit, *known])}"
        )
    return known[told]


def _numbers(column: pl.Series, what: Column, name: str, unit: Unit = AS_IT_IS) -> Floats:
    column = column.cast(pl.String) if column.dtype in (pl.Categorical, pl.Enum) else column
    if what.name == "time_s" and column.dtype in (pl.Datetime, pl.Date):
        return np.asarray(column.cast(pl.Datetime("us")).dt.timestamp("us").to_numpy() / 1e6, dtype=float)
    if what.name == "time_s" and column.dtype == pl.Duration:
        return np.asarray(column.dt.total_microseconds().to_numpy() / 1e6, dtype=float)
    if what.name == "time_s" and column.dtype == pl.Time:
        column = column.cast(pl.String)
    if column.dtype == pl.String:
        text = column.str.strip_chars()
        text = text.set(text.is_in(_MISSING), None)
        if what.name == "time_s":
            at_s = moments.seconds(text)
            if at_s is not None:
                _all_read(text, pl.Series(at_s).fill_nan(None), what, name)
                return at_s
        column = text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        _all_read(text, column, what, name)
    elif not (column.dtype.is_numeric() or column.dtype in (pl.Boolean, pl.Null)):
        wanted = "seconds, or moments with their day" if what.name == "time_s" else "numbers"
        raise UserError(f"record '{name}', column {what.name}: holds '{column.dtype}'; it must hold {wanted}")
    values = np.array(column.cast(pl.Float64).fill_null(math.nan).to_numpy(), dtype=float)
    values[~np.isfinite(values)] = math.nan
    values = unit.factor * (values - unit.zero)
    if what.name in _PERCENT and np.nanmax(values, initial=0.0) > 1.0:
        raise UserError(
            f"record '{name}', column {what.name}: {np.nanmax(values):g} is outside 0 to 1 "
            f"(0 shut, 1 open; divide a percentage by 100)"
        )
    outside = (values < what.low) | (values > what.high)
    if outside.any():
        row = _row(outside)
        raise UserError(
            f"record '{name}', column {what.name}: {values[row - 1]:g} in row {row} is outside "
            f"{what.low:g} to {what.high:g}{_unit(what)}; {_remedy(what)}"
        )
    return values


def _all_read(text: pl.Series, read: pl.Series, what: Column, name: str) -> None:
    bad = read.is_null() & text.is_not_null()
    if not bad.any():
        return
    row = int(np.flatnonzero(bad.to_numpy())[0])
    where = f"record '{name}', column {what.name}: {_shown(text[row])} in row {row + 1} is"
    if what.name == "time_s":
        raise UserError(
            f"{where} neither a number of seconds, nor a time such as 18:05:30, nor a UTC time such as "
            "2026-04-11T12:00:00Z"
        )
    raise UserError(
        f"{where} not a number ({what.unit or what.meaning}); leave the cell empty where nothing was read"
    )


def _shown(cell: str) -> str:
    """A cell for a line of text: a power cut leaves thousands of zero bytes in a file."""
    return repr(cell if len(cell) <= LONGEST_CELL else f"{cell[:LONGEST_CELL]}…")


def _phases(column: pl.Series, name: str) -> NDArray[np.str_]:
    words = column.cast(pl.String).fill_null("").str.strip_chars().str.to_lowercase()
    odd = ~words.is_in(["", *_PHASES])
    if odd.any():
        row = int(np.flatnonzero(odd.to_numpy())[0])
        raise UserError(
            f"record '{name}', column phase: {_shown(column[row])} in row {row + 1} is no phase; accepted: "
            f"{', '.join(_PHASES)}; leave the column out where other words are used"
        )
    return np.asarray(words.to_numpy().astype(str))


def _unit(what: Column) -> str:
    return f" {what.unit}" if what.unit in ("s", "°C") else ""


def _remedy(what: Column) -> str:
    if what.name == "time_s":
        return "divide milliseconds by 1000"
    return "convert the column, or leave the cell empty"


def _held(column: Floats) -> Floats:
    """A setting holds until it is set again; before its first entry it is taken to be that."""
    good = np.isfinite(column)
    if good.all():
        return column
    if not good.any():
        return np.ones(len(column))  # the upper vent: as without the column
    last = np.maximum.accumulate(np.where(good, np.arange(len(column)), np.flatnonzero(good)[0]))
    return np.asarray(column[last])


def _row(bad: np.ndarray[Any, np.dtype[np.bool_]]) -> int:
    """The first bad row, counted from 1 below the heading."""
    return int(np.flatnonzero(bad)[0]) + 1


def to_frame(series: Series) -> pl.DataFrame:
    """The documented columns."""
    data: dict[str, Any] = {column.name: getattr(series, column.name) for column in COLUMNS}
    data["lid_off"] = series.lid_off.astype(np.int8)
    return pl.DataFrame(data).with_columns(pl.col(pl.Float64).fill_nan(None))


def write_table(series: Series, path: Path) -> None:
    """Write CSV or Parquet, by the suffix. Floats in their shortest exact form."""
    frame = to_frame(series)
    try:
        if path.suffix.lower() in PARQUET:
            frame.write_parquet(path)
        else:
            frame.write_csv(path)
    except (OSError, pl.exceptions.PolarsError) as error:  # a full disk is an error of polars for Parquet
        why = getattr(error, "strerror", None) or str(error).splitlines()[0]
        raise UserError(f"'{path}': cannot be written: {why}; choose another place") from None
