"""Tables in and out: exact there and back, any usual heading, clear refusals, fast."""

from __future__ import annotations

import csv
import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from coalminder.cli import main
from coalminder.core import Config
from coalminder.errors import UserError
from coalminder.replay.facts import facts
from coalminder.replay.fopdt import Fopdt
from coalminder.replay.load import load
from coalminder.replay.report import Report, html
from coalminder.replay.series import Series, even, usable
from coalminder.replay.table import COLUMNS, from_frame, read_table, write_table
from coalminder.replay.whatif import Cook, from_series, run_again


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_record_goes_out_and_comes_back_bit_for_bit(cook: Cook, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"cook{suffix}"
    write_table(cook.series, path)
    back = read_table(path)
    for name in Series.__dataclass_fields__:
        a, b = getattr(cook.series, name), getattr(back, name)
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), name


@pytest.mark.parametrize(
    "text",
    [
        "time_s,pit_c,lower\n0,90.5,0.1\n1,91,0.2\n2,,0.2\n",
        "Time;Pit;Vent\n0;90,5;0,1\n1;91;0,2\n2;;0,2\n",
        "timestamp\tgrate_c\topening\n10\t90.5\t0.1\n11\t91\t0.2\n12\tnan\t0.2\n",
        "utc,pit,vent\n2026-04-11T12:00:00Z,90.5,0.1\n2026-04-11T12:00:01Z,91,0.2\n2026-04-11T12:00:02Z,,0.2\n",
        "\nTime;Pit;Vent\n0;90,5;0,1\n1;91;0,2\n\n2;--;0,2\n\n",
        "time, pit, vent\n0, 90.5, 0.1\n1, 91, 0.2\n2, n/a, 0.2\n",
        "sep=;\nTime;Pit;Vent\n0;90,5;0,1\n1;91;0,2\n2;;0,2\n",
        '\ufeff# made by a logger\r\n"SEP=,"\r\n\r\ntime,pit,vent\r\n0,90.5,0.1\r\n1,91,0.2\r\n2,,0.2\r\n',
        "\ufeff# a, b, c\ntime;pit;vent\n0;90,5;0,1\n1;91;0,2\n2;;0,2\n",
        "time,pit,vent\n0,90.5,0.1\n1,91,0.2\n2,,0.2\n3,9",
        "time,pit,vent\n0,90.5,0.1\n1,91,0.2\n2,,0.2\n# the end",
        "# made by a logger\ntime,pit,vent,other\n0,90.5,0.1,x\n1,91,0.2,y\n2,,,z\n",
    ],
    ids=[
        "ours",
        "semicolons_and_commas",
        "tabs",
        "utc",
        "empty_lines",
        "blanks",
        "separator_told",
        "separator_told_after_a_comment",
        "byte_order_mark",
        "cut_short",
        "ends_in_a_comment",
        "comments_and_held_vent",
    ],
)
def test_table_of_any_logger_is_understood(tmp_path: Path, text: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text)
    series = read_table(path)
    assert series.time_s.tolist() == [0.0, 1.0, 2.0]
    assert series.pit_c.tolist()[:2] == [90.5, 91.0]
    assert np.isnan(series.pit_c[2])
    assert series.lower.tolist() == [0.1, 0.2, 0.2]


@pytest.mark.parametrize(
    "text",
    [
        "Time (min),Pit temp (°F),Vent (%),Set-point [F]\n0,212,10,200\n0.5,203,25,200\n1,,25,200\n",
        "elapsed s (ms);Grate C [°C];Lower Vent (0-1);SET POINT (C)\n0;100;0,1;93,3333333333333\n"
        "30000;95;0,25;93,3333333333333\n60000;--;0,25;93,3333333333333\n",
        "time [h],pit(degC),opening (0..1),target_c\n0,100,0.1,93.3333333333333\n"
        "0.00833333333333333,95,0.25,93.3333333333333\n0.0166666666666667,,0.25,93.3333333333333\n",
        "time (d),pit (K),vent,set_point [kelvin]\n46123.75,373.15,0.1,366.4833333\n"
        "46123.7503472222,368.15,0.25,366.4833333\n46123.7506944444,,0.25,366.4833333\n",
    ],
    ids=["fahrenheit_percent_minutes", "milliseconds", "hours", "spreadsheet_days_and_kelvin"],
)
def test_a_unit_in_a_heading_is_believed(tmp_path: Path, text: str) -> None:
    """212 °F is 100 °C, 203 °F 95 °C, 200 °F 93.33 °C. A spreadsheet's moments are days since 1899-12-30."""
    path = tmp_path / "log.csv"
    path.write_text(text)
    series = read_table(path)
    assert series.time_s == pytest.approx([0.0, 30.0, 60.0], abs=1e-4)
    assert series.pit_c == pytest.approx([100.0, 95.0, np.nan], nan_ok=True)
    assert series.lower == pytest.approx([0.1, 0.25, 0.25])
    assert series.set_point_c == pytest.approx([93.3333333] * 3)


def test_a_heading_of_ours_tells_its_unit_beside_another_s(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time,pit (°F),vent,food_c\n0,212,0.1,40\n1,203,0.1,41\n")
    series = read_table(path)
    assert series.pit_c == pytest.approx([100.0, 95.0])
    assert series.food_c == pytest.approx([40.0, 41.0])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time,pit (mV),vent\n0,3.7,0.1\n1,3.7,0.1\n", ["column pit (mV): 'mv' is no unit", "°C", "°f"]),
        (
            "Logger 7\n\ntime;pit;vent\n0;90,5;0,1\n1;90,5;0,1\n",
            ["line 4 has 3 cells, the heading 1", "must begin with '#'"],
        ),
        ("sep=,\ntime,pit,vent\n0,90,0.1,\n1,90,0.1,\n", ["line 3 has 4 cells, the heading 3"]),
        # a cell of more characters than Python's own reader takes (131 072)
        (f"time,pit,vent\n0,90,0.1,{'x' * 140_000}\n", ["cannot be read as a table: found more fields"]),
        ("time,pit,vent\n0,90,5,0,1\n", ["line 2 has 5 cells, the heading 3", "another separator"]),
        (
            "time,pit (°F),vent,food\n0,200,0.1,145\n1,200,0.1,145\n",
            ["pit (°F) tells its unit, column food none"],
        ),
        (
            "time,pit,vent\n04/11/2026 23:59:00,90,0.1\n04/12/2026 00:01:00,90,0.1\n",
            ["days; at most 7", "2026-04-11", "first number is taken for the day"],
        ),
        ("time,pit (°F),vent\n0,9999,0.1\n1,200,0.1\n", ["column pit_c", "row 1", "-60 to 800"]),
        ("time,pit (F),vent (%)\n0,200,10\n1,200,120\n", ["column lower: 1.2 is outside 0 to 1"]),
        ("time,pit\n0,90\n1,90\n", ["opening of the lower vent", "vent_opening", "time, pit"]),
        ("time,pit,vent\n0,90,0.1\n1,hot,0.1\n", ["pit_c", "'hot'", "row 2"]),
        ("time,pit,vent\n0,90,10\n1,90,55\n", ["lower", "0 to 1", "divide a percentage"]),
        ("time,pit,vent\n0,2000,0.1\n1,90,0.1\n", ["pit_c", "2000", "row 1", "-60 to 800"]),
        ("time,pit,vent\n5,90,0.1\n4,90,0.1\n", ["backwards", "row 2"]),
        ("time,pit,vent\n0,90,0.1\n,90,0.1\n", ["row 2 has no time"]),
        ("time,pit,vent\n0,90,0.1\n", ["at least two"]),
        ("", ["cannot be read as a table"]),
        ("time,pit,vent\n0,90,\n1,90,\n", ["column vent", "no opening in any of 2 rows"]),
        ("time,pit,vent\n0,,0.1\n1,,0.1\n", ["column pit", "no reading in any of 2 rows"]),
        (
            "time,pit,vent\n00:00:00,90,0.1\n00:00:61,90,0.1\n",
            ["'00:00:61' in row 2", "18:05:30", "2026-04-11T12:00:00Z"],
        ),
        ("utc,pit,vent\n2026-04-11T12:00:00Z,90,0.1\n,90,0.1\n", ["column utc", "row 2 has no time"]),
        ("utc,pit,vent\n2026-04-11T12:00:00Z,90,0.1\nnoon,90,0.1\n", ["'noon' in row 2", "12:00:00Z"]),
        (
            "time,pit,vent\n1775908800000,90,0.1\n1775908801000,90,0.1\n",
            ["row 1", "divide milliseconds by 1000"],
        ),
        (
            "time,pit,vent\n2026-10-25 02:59:59,90,0.1\n2026-10-25 02:00:00,90,0.1\n",
            ["3599 s at row 2", "in UTC"],
        ),
        ("time,pit,vent\n0,90,-0.1\n1,90,0.1\n", ["-0.1 in row 1 is outside 0 to 1;"]),
        (
            "time,pit,vent,phase\n0,90,0.1,Tending\n1,90,0.1,Smoking\n",
            ["'Smoking' in row 2", "tending", "leave"],
        ),
        ("time,pit,vent\n0,90,0.1\n1,9" + 4096 * "\0" + "\n2,90,0.1\n", ["'9\\x00", "…' in row 2"]),
        ("time,pit,vent\n7,90,0.1\n7,91,0.1\n", ["column time", "all 2 rows have the same time"]),
    ],
    ids=[
        "no_unit",
        "lines_before_the_heading",
        "cells_after_the_last",
        "endless_cell",
        "commas_twice",
        "unit_of_one",
        "month_first",
        "fahrenheit_out_of_range",
        "over_100_percent",
        "no_vent",
        "text",
        "percent",
        "fahrenheit_or_worse",
        "time_back",
        "no_time",
        "one_row",
        "empty",
        "no_opening",
        "no_reading",
        "time_of_day",
        "moment_missing",
        "moment_odd",
        "milliseconds",
        "clock_put_back",
        "below_shut",
        "phase",
        "power_cut",
        "one_moment",
    ],
)
def test_bad_table_is_refused_in_one_line(tmp_path: Path, text: str, words: list[str]) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text)
    with pytest.raises(UserError) as refused:
        even(read_table(path))
    message = str(refused.value)
    assert message.isprintable()
    assert len(message) < 400
    for word in words:
        assert word in message


def parquet(path: Path, **other: pl.Series) -> Path:
    """Three rows as another program keeps them, one of its columns of another kind."""
    columns: dict[str, pl.Series] = {
        "time_s": pl.Series([0.0, 1.0, 2.0]),
        "pit_c": pl.Series([90.5, 91.0, None]),
        "lower": pl.Series([0.1, 0.2, 0.2]),
    }
    pl.DataFrame(columns | other).write_parquet(path)
    return path


@pytest.mark.parametrize(
    "other",
    [
        {"time_s": pl.Series([0, 1_000_000, 2_000_000]).cast(pl.Duration("us"))},
        {"time_s": pl.Series([0, 1_000_000, 2_000_000]).cast(pl.Datetime("us", "UTC"))},
        {"pit_c": pl.Series(["90.5", "91", None]).cast(pl.Categorical)},
        {"pit_c": pl.Series(["90.5", "91", None]).cast(pl.Enum(["90.5", "91"]))},
        {"pit_c": pl.Series(["90.5", "91", None]).cast(pl.Decimal(10, 2))},
    ],
    ids=["duration", "moment", "categories", "enum", "decimal"],
)
def test_columns_of_other_kinds_are_understood(tmp_path: Path, other: dict[str, pl.Series]) -> None:
    series = read_table(parquet(tmp_path / "log.parquet", **other))
    assert series.time_s.tolist() == [0.0, 1.0, 2.0]
    assert series.pit_c.tolist()[:2] == [90.5, 91.0]
    assert np.isnan(series.pit_c[2])


@pytest.mark.parametrize(
    "other",
    [
        {"time_s": pl.Series([b"0", b"1", b"2"])},
        {"pit_c": pl.Series([0, 1_000_000, 2_000_000]).cast(pl.Datetime("us"))},
        {"pit_c": pl.Series([[90.5], [91.0], [92.0]])},
        {"pit_c": pl.Series([{"a": 90.5}, {"a": 91.0}, {"a": 92.0}])},
        {"lower": pl.Series([b"0.1", b"0.2", b"0.2"])},
    ],
    ids=["time in bytes", "moment", "lists", "records", "bytes"],
)
def test_columns_that_hold_no_numbers_are_refused(tmp_path: Path, other: dict[str, pl.Series]) -> None:
    with pytest.raises(UserError, match=f"column {next(iter(other))}: holds '.*; it must hold"):
        read_table(parquet(tmp_path / "log.parquet", **other))


@pytest.mark.parametrize(
    ("times", "at_s"),
    [
        (["18:05:30", "18:05:31.5", "18:06:00"], [0.0, 1.5, 30.0]),
        (["23:59:59", "00:00:01", "00:10:00"], [0.0, 2.0, 601.0]),
        (["11:59 PM", "12:00 am", "1:00 AM"], [0.0, 60.0, 3660.0]),  # 12 am is midnight
        (["0:00", "59:30", "180:00"], [0.0, 3570.0, 10800.0]),
        (["23:59", "0:05", "1:00"], [0.0, 360.0, 3660.0]),
        (["04/11/2026 11:59:59 PM", "05/11/2026 12:00:00 AM", "05/11/2026 12:01 am"], [0.0, 1.0, 61.0]),
    ],
    ids=["clock", "over_midnight", "half_days", "minutes_and_seconds", "hours_and_minutes", "with_their_day"],
)
def test_times_are_understood_as_loggers_write_them(
    times: list[str], at_s: list[float], tmp_path: Path
) -> None:
    path = tmp_path / "log.csv"
    rows = "".join(f"{time},{90 + k},0.1\n" for k, time in enumerate(times))
    path.write_text(f"Time,Pit,Vent\n{rows}", "utf-8")
    assert read_table(path).time_s.tolist() == at_s


def test_a_column_of_times_of_the_day_is_understood(tmp_path: Path) -> None:
    times = {"time_s": pl.Series([0, 10**9, 2 * 10**9]).cast(pl.Time)}
    assert read_table(parquet(tmp_path / "log.parquet", **times)).time_s.tolist() == [0.0, 1.0, 2.0]


@pytest.mark.parametrize("mark", ["OL", "Err", "#N/A"])
def test_a_meter_without_a_reading_leaves_an_empty_cell(mark: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(f"time,pit,vent\n0,90,0.1\n1,{mark},0.1\n2,91,0.1\n", "utf-8")
    assert np.isnan(read_table(path).pit_c).tolist() == [False, True, False]


@pytest.mark.parametrize(("openings", "told"), [("0.05,0.1", True), ("5,10", False)])
def test_a_vent_of_less_than_a_percent_is_told(openings: str, told: bool, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    first, second = openings.split(",")
    path.write_text(f"time,pit,Vent (%)\n0,90,{first}\n1,91,{second}\n", "utf-8")
    said: list[str] = []
    read_table(path, said.append)
    assert any("wrong unit" in line for line in said) is told


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_a_name_with_brackets_is_a_name(
    cook: Cook, tmp_path: Path, suffix: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / f"c[b]*{suffix}"
    write_table(cook.series, path)
    assert main(["replay", str(path), str(path)]) == 0
    told = capsys.readouterr().out
    assert "c[b]*-1" in told
    assert main(["replay", str(path)]) == 0
    assert "c[b]*: 1.50 h" in capsys.readouterr().out


def test_kind_of_a_column_may_show_late(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{i},90,0" for i in range(11_000)] + ["11000,90.5,0.15"]
    path.write_text("time,pit,vent\n" + "\n".join(rows) + "\n")
    series = read_table(path)
    assert (series.pit_c[-1], series.lower[-1]) == (90.5, 0.15)


def test_opening_before_its_first_entry_is_that_entry(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time,pit,vent,upper\n0,90,,\n1,90,,\n2,91,0.2,\n3,91,,\n")
    series = read_table(path)
    assert series.lower.tolist() == [0.2, 0.2, 0.2, 0.2]
    assert series.upper.tolist() == [1.0, 1.0, 1.0, 1.0]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_text_in_utf_16_is_refused_by_its_name(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time,pit,vent\n0,90,0.1\n1,90,0.1\n", encoding=encoding)
    with pytest.raises(UserError, match="UTF-16; save it again as CSV in UTF-8"):
        read_table(path)


def test_a_degree_sign_of_another_encoding_is_one(tmp_path: Path) -> None:
    """As a spreadsheet writes it that saves in Windows' own characters."""
    path = tmp_path / "log.csv"
    path.write_text("time;pit (°F);vent\n0;212;0,1\n1;203;0,1\n", encoding="cp1252")
    assert read_table(path).pit_c == pytest.approx([100.0, 95.0])


def test_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no such file"):
        read_table(tmp_path / "none.csv")


def test_a_million_rows_take_no_more_than_three_times_what_the_standard_library_takes(tmp_path: Path) -> None:
    n = 1_000_000
    rng = np.random.default_rng(1)
    frame = pl.DataFrame({"time": np.arange(n), "pit": 93 + rng.normal(size=n), "vent": rng.random(n)})
    path = tmp_path / "log.csv"
    frame.write_csv(path)
    began_s = time.process_time()
    assert len(read_table(path)) == n
    ours_s = time.process_time() - began_s
    with path.open(newline="") as file:
        lines = csv.reader(file)
        next(lines)
        for row in lines:
            _ = [float(cell) for cell in row]
    assert ours_s < 3.0 * (time.process_time() - began_s - ours_s)


def test_documented_columns_are_those_that_are_read() -> None:
    text = (Path(__file__).parents[2] / "docs" / "records.md").read_text()
    for column in COLUMNS:
        assert f"| `{column.name}` |" in text
        for word in column.also:
            assert f"`{word}`" in text


def test_uneven_rows_become_even_and_gaps_stay_empty() -> None:
    t = np.array([0.0, 10.0, 20.0, 500.0, 510.0])
    nan = np.full(5, np.nan)
    series = Series(
        t,
        np.array([80.0, 90.0, 100.0, 50.0, 60.0]),
        np.array([0.1, 0.2, 0.3, 0.4, 0.5]),
        np.ones(5),
        nan,
        np.full(5, ""),
        np.zeros(5, dtype=bool),
        nan,
        nan,
        nan,
    )
    s = even(series)
    assert (s.pit_c[5], s.lower[5], s.lower[10]) == (85.0, 0.1, 0.2)
    assert np.isnan(s.pit_c[21:500]).all()
    assert s.pit_c[505] == 55.0


@pytest.mark.parametrize("every", [1, 7, 30, 0])
def test_noise_of_the_probe_is_that_of_the_rows_and_not_of_the_lines_between(every: int) -> None:
    """Else a logger's noisy pit passes for a quiet one, and takes gains that its noise would not bear."""
    rng = np.random.default_rng(1)
    time_s = np.arange(0.0, 20000.0, every) if every else np.cumsum(rng.uniform(5.0, 60.0, 600))
    pit_c = 93.0 + 2.0 * np.sin(time_s / 900.0) + rng.normal(0.0, 1.0, len(time_s))
    frame = pl.DataFrame({"time_s": time_s, "pit_c": pit_c, "lower": np.full(len(time_s), 0.1)})
    cook = from_series(from_frame(frame, "table"), "table", Config())
    assert cook.noise_c == pytest.approx(1.0, rel=0.12)


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_a_full_disk_is_told_in_one_line(cook: Cook, tmp_path: Path, suffix: str) -> None:
    full = tmp_path / f"cook{suffix}"
    full.symlink_to("/dev/full")  # Linux: takes nothing, as a full disk
    with pytest.raises(UserError, match=r"cannot be written: .*No space left on device.*another place"):
        write_table(cook.series, full)


@pytest.mark.parametrize(("unit_s", "told"), [(1.0, False), (60.0, True), (3600.0, True), (86400.0, True)])
def test_a_cook_in_a_few_minutes_is_told(tmp_path: Path, unit_s: float, told: bool) -> None:
    """A column `time` in minutes is as good a column of seconds, but for what it says."""
    rows = [f"{t / unit_s},93.0,0.1" for t in range(0, 10800, 60)]
    (tmp_path / "t.csv").write_text("\n".join(["time,pit,vent", *rows]) + "\n", "utf-8")
    assert any("convert it to seconds" in remark for remark in load(tmp_path / "t.csv").remarks) is told


def test_nothing_is_read_before_the_first_reading_and_after_the_last(tmp_path: Path) -> None:
    """A probe put in half an hour after the logger was started did not show its first reading before."""
    rows = [f"{t},{93.0 if 1800 <= t <= 3000 else ''},0.1" for t in range(0, 3610, 10)]
    (tmp_path / "late.csv").write_text("\n".join(["time_s,pit_c,lower", *rows]) + "\n", "utf-8")
    pit_c = even(read_table(tmp_path / "late.csv")).pit_c
    assert np.isnan(pit_c[:1800]).all()
    assert np.all(pit_c[1800:3001] == 93.0)
    assert np.isnan(pit_c[3001:]).all()


def test_rows_with_the_lid_off_and_after_it_do_not_count(cook: Cook) -> None:
    rows = usable(cook.series)
    off = np.flatnonzero(cook.series.lid_off)
    assert len(off)
    assert not rows[off[0] : off[-1] + 300].any()
    assert rows[-300:].all()
    assert not rows[:600].any()


def rows_of(
    tmp_path: Path, times: list[str], heading: str = "time,pit,vent,set_point", cell: str | None = ""
) -> Path:
    """A table of rows that differ in time only; the fire has no phase in it. cell: None where `times` are
    whole rows.
    """
    path = tmp_path / "log.csv"
    rows = times if cell is None else [f"{time},93,0.1,93{cell}" for time in times]
    path.write_text("\n".join([heading, *rows]) + "\n")
    return path


def test_an_hour_that_the_clock_leapt_over_is_told_and_is_no_time_in_the_band(tmp_path: Path) -> None:
    """Naive local times over the night of 29 March 2026, when clocks in most of Europe went from 2 to 3."""
    times = [f"2026-03-29 {h:02d}:{m:02d}:00" for h in (0, 1, 3, 4) for m in range(60)]
    (told,) = [text for text in load(rows_of(tmp_path, times)).remarks if "gaps" in text]
    assert told.startswith("gaps without rows: 1, the longest 1:01 h from 1:59 on")
    whole = load(rows_of(tmp_path, [str(60 * i) for i in range(240)]))
    assert not any("gaps" in text for text in whole.remarks)


def test_a_set_point_that_was_changed_is_changed_when_the_table_is_run_again(tmp_path: Path) -> None:
    """Nobody tended at 93 °C all the time: the pit followed another set point, and an 'off' between."""
    aims_c = [93.0 if t < 3000 else 0.0 if t < 3060 else 80.0 for t in range(0, 6000, 10)]
    rows = [f"{10 * i},{aim_c or 90.0},0.1,{aim_c}" for i, aim_c in enumerate(aims_c)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time,pit,vent,set_point", *rows]) + "\n")
    item = load(path)
    assert item.cook is not None
    again = run_again(item.cook, Fopdt(66.0, 1100.0, 5.0))
    assert set(again.set_point_c[:3000]) == {93.0}
    assert set(again.set_point_c[3061:]) == {80.0}
    assert any("6 set points outside" in note and "first 0 °C" in note for note in item.remarks)


def test_a_set_point_that_is_written_when_it_changes_holds_until_then(tmp_path: Path) -> None:
    """The pit is at the set point all the time: 93 °C, then 80 °C."""
    rows = [f"{t},{93 if t < 4000 else 80},0.1,{ {0: 93, 4000: 80}.get(t, '') }" for t in range(0, 8000, 10)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time,pit,vent,set_point", *rows]) + "\n")
    item = load(path)
    assert facts(item.series, item.config).mean_abs_c == 0.0


def test_rows_of_one_time_are_told_to_be_left_out(tmp_path: Path) -> None:
    times = [f"2026-04-11 12:{s // 60:02d}" for s in range(3600)]
    item = load(rows_of(tmp_path, times))
    assert len(item.series) == 60
    assert any(text.startswith("3540 of 3600 rows have the time of the row before") for text in item.remarks)


def test_a_column_that_is_not_known_is_told(tmp_path: Path) -> None:
    heading = "time,pit,vent,set_point,food 1,note"
    item = load(rows_of(tmp_path, [str(10 * i) for i in range(360)], heading, ",61,x"))
    assert any(text.startswith("columns not known, and not used: food 1, note (") for text in item.remarks)


def test_what_is_not_known_to_have_settled_is_not_called_so(tmp_path: Path) -> None:
    times = [str(10 * i) for i in range(720)]
    item = load(rows_of(tmp_path, times))
    assert any("from 30 min on to the last row" in text for text in item.remarks)
    report = html(Report("a", item.series, item.config, facts(item.series, item.config)))
    assert "after 30 min, lid on" in report
    assert "after settling" not in report
    known = load(rows_of(tmp_path, times, "time,pit,vent,set_point,phase", ",tending"))
    assert not any("from 30 min on" in text for text in known.remarks)
    assert "after settling" in html(
        Report("a", known.series, known.config, facts(known.series, known.config))
    )


@pytest.mark.parametrize(("unit", "food"), [("", False), (" (°F)", True)])
def test_food_in_what_looks_like_fahrenheit_is_not_called_done(tmp_path: Path, unit: str, food: bool) -> None:
    """A pit at 200 °F (93 °C) and a core at 100 °F, which is 38 °C and raw."""
    rows = [f"{t},200,0.1,200,100" for t in range(0, 7200, 10)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([f"time,pit{unit},vent,set_point{unit},food{unit}", *rows]) + "\n")
    item = load(path)
    found = facts(item.series, item.config).food
    assert (found is not None) is food
    if found is not None:
        assert found.peak_c == pytest.approx(37.8, abs=0.05)
        assert found.over_63_min == 0.0
    assert any("food's column is left out" in text for text in item.remarks) is not food


def test_an_off_written_as_a_set_point_of_zero_is_no_error(tmp_path: Path) -> None:
    """The pit is 2 K over its set point as long as there is one; an eighth of the time the logger is off."""
    rows = [f"{t},95,0.1,{0 if t < 4500 else 93}" for t in range(0, 23400, 10)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time,pit,vent,set_point", *rows]) + "\n")
    item = load(path)
    assert facts(item.series, item.config).mean_abs_c == pytest.approx(2.0)
    assert any("mean error leaves out" in text for text in item.remarks)


@pytest.mark.parametrize(("pit_c", "food_c", "kept"), [(93, 64, True), (64, 93, False), (93, 140, False)])
def test_food_hotter_than_the_pit_ever_was_is_not_called_done(
    tmp_path: Path, pit_c: float, food_c: float, kept: bool
) -> None:
    """Heat does not go from the colder to the hotter (second law): columns swapped, or food in °F. It is the
    colder one for most of the cook all the same.
    """
    path = rows_of(
        tmp_path,
        [f"{10 * i},{pit_c},0.1,93,{food_c * i / 719:.1f}" for i in range(720)],
        "time,pit,vent,set_point,food",
        None,
    )
    item = load(path)
    assert (facts(item.series, item.config).food is not None) is kept
    assert any("hotter than the pit ever was" in text for text in item.remarks) is not kept


@pytest.mark.parametrize(("pit_c", "told"), [(93.0, False), (3.8, True)])
def test_a_pit_that_never_was_warm_is_told(tmp_path: Path, pit_c: float, told: bool) -> None:
    """A thermocouple of type K gives 3.8 mV at 93 °C."""
    rows = [f"{10 * i},{pit_c},0.1,93" for i in range(720)]
    item = load(rows_of(tmp_path, rows, cell=None))
    assert any("is this its column, and in °C?" in text for text in item.remarks) is told


@pytest.mark.parametrize(("most", "told"), [("0", False), ("1", True)])
def test_a_lid_that_is_off_nearly_all_the_time_is_told(tmp_path: Path, most: str, told: bool) -> None:
    """Where 1 means that the lid is on, all but the lifts is left out of the figures."""
    rows = [f"{10 * i},93,0.1,93,{most}" for i in range(720)]
    item = load(rows_of(tmp_path, rows, "time,pit,vent,set_point,lid", None))
    assert any("in the column lid_off 1 means off" in text for text in item.remarks) is told


def test_a_small_file_of_endless_rows_is_refused_before_it_fills_the_memory(tmp_path: Path) -> None:
    """A value that repeats is written once (Apache Parquet, encodings)."""
    path = tmp_path / "log.parquet"
    rows = {name: pl.repeat(1.0, 20_000_000, eager=True) for name in ("time_s", "pit_c", "lower")}
    pl.DataFrame(rows).write_parquet(path)
    assert path.stat().st_size < 1_000_000
    with pytest.raises(UserError, match="20000000 rows of 3 columns"):
        read_table(path)
