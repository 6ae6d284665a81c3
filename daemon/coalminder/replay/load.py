"""Opens what a person named on the command line: a record, a folder of records, or a table."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from coalminder.build import build
from coalminder.codec import CodecError, from_plain
from coalminder.core import Config, State
from coalminder.errors import UserError
from coalminder.journal import AlarmChange, Record, Step, read
from coalminder.journal import store as journal_store
from coalminder.replay.again import Again, begun, replay
from coalminder.replay.packed import Packed
from coalminder.replay.series import SETTLED_S, Series, burning, from_steps
from coalminder.replay.svg import clock
from coalminder.replay.table import read_table
from coalminder.replay.vents import vents_of
from coalminder.replay.whatif import Cook, from_record, from_series
from coalminder.values import Phase

HOTTER_C = 5.0  # what two good probes hardly differ by
SHORT_S, MANY_ROWS = 900.0, 60  # a table of more rows in less time is hardly a cook at a row a second


@dataclass(frozen=True)
class Loaded:
    """One record with all that can be read from it. A table has no steps, alarms or replay.

    cook: what can be run again, None when the record does not allow it, with the reason in `remarks`. config:
    that of `cook`; a later run may have had another, the last one `in_force`. begun: state of the core before
    each stretch of `steps` without a gap or a restart, by the number of its first; those on record. vents: of
    vents.vents_of. units: that the cook reads, of the last run's settings; "": not known.
    """

    name: str
    path: Path
    series: Series
    config: Config
    in_force: Config
    cook: Cook | None
    steps: Sequence[Step] = ()
    alarms: tuple[AlarmChange, ...] = ()
    again: Again | None = None
    started: datetime | None = None
    remarks: tuple[str, ...] = ()
    begun: Mapping[int, State] = field(default_factory=dict)
    vents: tuple[str, ...] = ()
    units: str = ""

    @property
    def why_parted(self) -> str:
        """What explains that decisions of the replay differ; "" when only a defect of the program does."""
        if self.again is None:
            return ""
        reasons = list(self.again.reasons)
        if self.cook is not None and self.cook.experiment_from_s is not None:
            reasons.append("a test moved the vents in place of the loop")
        if not reasons and not self.again.parted_steps:
            reasons.append("steps are missing from the record")
        return "; ".join(reasons)


def load(
    path: Path, config: Config | None = None, change: Callable[[Config], Config] | None = None
) -> Loaded:
    """Read `path`; `config` stands in for the settings that a table does not have.

    Raises UserError for what cannot be read.
    """
    if path.is_dir():
        newest = journal_store.newest(path)
        if newest is None:
            raise UserError(f"record '{path}': the folder holds no .cook file; give a file")
        path = newest
    if path.suffix.lower() in (".csv", ".tsv", ".txt", ".parquet", ".pq"):
        return _table(path, config or Config())
    return _record(path, change)


def _table(path: Path, config: Config) -> Loaded:
    remarks = ["a table holds no decisions: there is nothing to replay bit for bit"]
    series = read_table(path, remarks.append)
    remarks += [*_doubts(series, config), *_burnt_out(series)]
    units = list(_looks_like_fahrenheit(series, config))
    remarks += units
    if units and np.isfinite(series.food_c).any():
        series = replace(series, food_c=np.full(len(series), math.nan))
        remarks.append(
            "the food's column is left out therefore: 100 °F taken for 100 °C would make raw food done"
        )
    elif _food_is_hotter(series):
        remarks.append(
            f"the food's column is left out: with up to {np.nanmax(series.food_c):.0f} °C it is hotter than "
            f"the pit ever was ({np.nanmax(series.pit_c):.0f} °C); are the two swapped, or is one in °F?"
        )
        series = replace(series, food_c=np.full(len(series), math.nan))
    cook = from_series(series, path.stem, config)
    return Loaded(path.stem, path, series, cook.state.config, config, cook, remarks=tuple(remarks))


def _doubts(series: Series, config: Config) -> Iterator[str]:
    """What was taken for granted in a table, and what makes it look as if it were in minutes."""
    if not np.isfinite(series.set_point_c).any():
        yield (
            f"no column set_point_c: {config.set_point_c:g} °C of the settings is taken, and errors from it"
        )
    low_c, high_c = config.least_set_point_c, config.highest_set_point_c
    odd_c = series.set_point_c[(series.set_point_c < low_c) | (series.set_point_c > high_c)]
    if len(odd_c):
        yield (
            f"{len(odd_c)} set points outside {low_c:g} to {high_c:g} °C, the first {odd_c[0]:g} °C: in the "
            "cook run again the last one inside stays, and the mean error leaves out what is below; empty "
            "their cells where the logger was off"
        )
    if series.time_s[-1] < SHORT_S and len(series) >= MANY_ROWS:
        yield (
            f"all {len(series)} rows lie within {series.time_s[-1]:.3g} s: if their time is in minutes or "
            "days, convert it to seconds first"
        )
    apart = np.diff(series.time_s)
    gaps = np.flatnonzero(apart > series.longest_gap_s)
    if len(gaps):
        longest = gaps[np.argmax(apart[gaps])]
        yield (
            f"gaps without rows: {len(gaps)}, the longest {clock(apart[longest] / 3600.0)} h from "
            f"{clock(series.time_s[longest] / 3600.0)} on; nothing is known of them (if the clock was moved "
            "there, give the times in UTC)"
        )
    if np.nanmax(series.pit_c) < low_c:
        yield f"the pit was never over {np.nanmax(series.pit_c):.0f} °C: is this its column, and in °C?"
    if series.lid_off.mean() > 0.5:
        yield (
            f"the lid is off in {100.0 * series.lid_off.mean():.0f} % of the rows, which therefore count for "
            "next to nothing: in the column lid_off 1 means off"
        )
    if not series.has_phases:
        yield (
            f"no column phase: in the band and mean error are from {SETTLED_S / 60.0:.0f} min on to the last "
            "row, whatever the fire did then"
        )


def _burnt_out(series: Series) -> Iterator[str]:
    """Told where the cook went on after its fire, and where a table began long before it."""
    fire = burning(series)
    lit = np.flatnonzero(fire)
    if not len(lit):
        return
    first_s = series.time_s[lit[0]]
    if first_s > SETTLED_S:
        yield (
            f"the pit came to its set point at {clock(first_s / 3600.0)}: in the band and mean error count "
            "what was before it, what is learned and asked 'what if' does not"
        )
    tended = np.isin(series.phase, ("", Phase.SETTLING.value, Phase.TENDING.value))
    cold = lit[-1] + 1 + np.flatnonzero((tended & ~fire)[lit[-1] + 1 :])
    if len(cold):
        yield (
            f"the fire was going out from {clock(series.time_s[cold[0]] / 3600.0)} on: in the band and mean "
            "error count what came after it, what is learned and asked 'what if' does not"
        )


def _food_is_hotter(series: Series) -> bool:
    """Whether the food was hotter than the pit ever was, for more than moments: no heat goes that way."""
    return bool(np.mean(series.food_c > np.nanmax(series.pit_c) + HOTTER_C) > 0.01)


def _looks_like_fahrenheit(series: Series, config: Config) -> Iterator[str]:
    """What is over the ceiling most of the time is hardly in °C."""
    late = series.pit_c[(series.time_s > SETTLED_S) & np.isfinite(series.pit_c)]
    for what, column in (("pit", late), ("set point", series.set_point_c[np.isfinite(series.set_point_c)])):
        if len(column) and float(np.median(column)) > config.limits.ceiling_c:
            yield (
                f"the {what} is {np.median(column):.0f} °C in the middle, over the ceiling of "
                f"{config.limits.ceiling_c:g} °C: if the table is in °F or K, convert it first, or write the "
                "unit into the headings"
            )


def _record(path: Path, change: Callable[[Config], Config] | None) -> Loaded:
    with read(path) as record:
        steps = tuple(record.steps())
        if not steps:
            why = (
                f"it is damaged, and no step can be read: {record.damage}"
                if record.damage
                else "no step in it"
            )
            raise UserError(f"record '{path}': {why}; give another")
        remarks = [text for _, text in record.notes()]
        alarms = tuple(record.alarms())
        again = replay(record, build(), change, steps)
        if record.damage:
            remarks.append(f"the record is damaged, what could be read is used: {record.damage}")
        cook: Cook | None = None
        config = Config()
        try:
            cook = from_record(record, path.stem, steps)
            state: State = cook.state
            config = state.config
        except ValueError as error:
            remarks.append(f"cannot be run again: {error}")
        # a board without a clock begins in 1970, or where it stopped, until its clock is put right
        first = steps[0].run
        jumps_s = sum(step.inputs.machine.clock_jump_s for step in steps if step.run == first)
        started = _moment(record.headers[0].started_utc_s + jumps_s)
        runs = len({step.run for step in steps})
        if cook is not None and len(cook.inputs) < len(steps):
            why = f"the program was started {runs} times in this cook" if runs > 1 else "steps are missing"
            remarks.append(
                f"{why}: what is learned of it, or asked 'what if', is of the longest part, "
                f"{clock(cook.series.time_s[-1] / 3600.0)} h from {clock(cook.from_s / 3600.0)} on"
            )
        whole = cook is not None and len(cook.inputs) == len(steps)
        series = cook.series if cook is not None and whole else from_steps(steps)
        remarks += _burnt_out(series)
        return Loaded(
            path.stem,
            path,
            series,
            config,
            _last_config(record) or config,
            cook,
            Packed(steps),
            alarms,
            again,
            started,
            tuple(remarks),
            begun(record, steps),
            vents_of(header.settings for header in record.headers),
            _units(record.headers[-1].settings),
        )


def _last_config(record: Record) -> Config | None:
    try:
        state: State = from_plain(State, record.headers[-1].state)
    except CodecError:
        return None
    return state.config


def _units(settings: str) -> str:
    try:
        told = json.loads(settings)["page"]["units"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return ""  # of a rehearsal, or damaged
    return told if told in ("metric", "us") else ""


def _moment(utc_s: float) -> datetime | None:
    """None for what no calendar has, as in a damaged header."""
    try:
        return datetime.fromtimestamp(utc_s, UTC)
    except (OverflowError, ValueError, OSError):
        return None
