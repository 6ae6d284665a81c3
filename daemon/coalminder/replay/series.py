"""A cook as columns: what identification, what-if, tuning and reports work on.

One row a step; times in s from the first row, temperatures in °C, openings 0..1. v is the logarithm of the
draught with its leaks (core/air.py), the unit the loop works in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coalminder.core import Config
from coalminder.errors import UserError
from coalminder.journal import Step
from coalminder.replay.fopdt import Floats
from coalminder.values import Phase, Reading, Sample

LONGEST_S = 7 * 86400.0
LONGEST_GAP_S = 60.0  # between two rows; more stays a gap
SETTLED_S = 1800.0  # where no phase is known, a fire is taken for settled so long after the first row
USUAL_NOISE_C = 0.15  # of a pit probe, where too few rows tell
NEAR_C = 5.0  # a pit less than this below its set point has a fire
LIT_S = 1200.0  # a pit hardly takes longer to leave the cold once its fire is lit [estimate]
ROSE_C, SOON_S = 3.0, 60.0  # a rise that no noise makes, and how soon a fire makes it [estimate]
ROUNDED_S = 1e-3  # by which a time may be off that was written in days, or from 1970 on
SHUT = 0.005  # an opening that gives no air
_USUAL = Config()
LEAST_AIM_C = _USUAL.least_set_point_c  # less is told by loggers that are off; where none is told it is taken
LID_SETTLES_S = 300.0  # after a lid lift the pit answers to the lid, not to the vents
_LOOP_PHASES = frozenset((Phase.SETTLING.value, Phase.TENDING.value, Phase.EASING.value))


@dataclass(frozen=True)
class Series:
    """Columns of equal length (n,). NaN where nothing was read; phase "" where nothing is known of it."""

    time_s: Floats
    pit_c: Floats
    lower: Floats
    upper: Floats
    set_point_c: Floats
    phase: NDArray[np.str_]
    lid_off: NDArray[np.bool_]
    ambient_c: Floats
    food_c: Floats
    dome_c: Floats

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def step_s(self) -> float:
        """The usual time between rows."""
        return float(np.median(np.diff(self.time_s))) if len(self) > 1 else 1.0

    @property
    def longest_gap_s(self) -> float:
        """Two rows further apart than this have a gap between them."""
        return max(LONGEST_GAP_S, 3.0 * self.step_s)

    @property
    def has_phases(self) -> bool:
        """Whether it tells lighting from tending and snuffing, as our records do and few tables."""
        return bool(np.any(self.phase != ""))

    @property
    def noise_c(self) -> float:
        """Standard deviation of the pit's white part, from what the rows beside each say of it."""
        good = np.isfinite(self.pit_c)
        t, y = self.time_s[good], self.pit_c[good]
        before, both = np.diff(t)[:-1], t[2:] - t[:-2]
        near = (both > 0.0) & (both <= 2.0 * self.longest_gap_s)
        if not near.any():
            return USUAL_NOISE_C
        part = before[near] / both[near]
        off = y[1:-1][near] - (1.0 - part) * y[:-2][near] - part * y[2:][near]
        # a normal value's standard deviation is 1.48 times the median of its size
        sized = np.abs(off) / np.sqrt(1.0 + part**2 + (1.0 - part) ** 2)
        return float(np.median(sized)) / 0.6745

    def part(self, keep: NDArray[np.bool_] | NDArray[np.intp] | slice) -> Series:
        """Some of the rows."""
        return Series(**{name: getattr(self, name)[keep] for name in self.__dataclass_fields__})


def log_draught(lower: Floats, leak_opening: float) -> Floats:
    """V of openings of the lower vent, the one that meters: core.air.level for arrays."""
    return np.asarray(np.log((lower + leak_opening) / (1.0 + leak_opening)))


def from_steps(steps: Sequence[Step]) -> Series:
    """The columns of recorded steps, of which there is one at least."""

    def column(of: Callable[[Step], float]) -> Floats:
        return np.array([of(step) for step in steps], dtype=float)

    time_s = column(lambda step: step.now_s)
    # Control time starts again after a restart of the machine: put the runs behind each other.
    back = np.flatnonzero(np.diff(time_s) < 0.0)
    for i in back:
        time_s[i + 1 :] += time_s[i] + 1.0 - time_s[i + 1]
    return Series(
        time_s=time_s - time_s[0],
        pit_c=column(lambda step: _value(step.inputs.pit)),
        lower=column(lambda step: step.decision.lower),
        upper=column(lambda step: step.decision.upper),
        set_point_c=column(lambda step: step.decision.set_point_c),
        phase=np.array([step.decision.phase.value for step in steps]),
        lid_off=np.array([step.decision.lid_off for step in steps]),
        ambient_c=column(lambda step: _value(step.inputs.ambient)),
        food_c=column(lambda step: _coldest(step.inputs.foods)),
        dome_c=column(lambda step: _value(step.inputs.dome)),
    )


def core_columns(steps: Sequence[Step]) -> dict[str, Floats]:
    """What each food probe showed, by its name: (n,), NaN where nothing was read."""
    names = dict.fromkeys(name for step in steps for name, _ in step.inputs.foods)
    columns = {name: np.full(len(steps), math.nan) for name in names}
    for row, step in enumerate(steps):
        for name, sample in step.inputs.foods:
            columns[name][row] = _value(sample)
    return columns


def _coldest(foods: Sequence[tuple[str, Sample]]) -> float:
    """The core that counts while food cooks: the coldest that was read."""
    return min((s.temp_c for _, s in foods if isinstance(s, Reading)), default=math.nan)


def _value(sample: Sample | None) -> float:
    return sample.temp_c if isinstance(sample, Reading) else math.nan


def even(series: Series) -> Series:
    """The same once a second: readings by straight lines, settings held; gaps over 60 s stay empty."""
    if series.time_s[-1] > LONGEST_S:
        raise UserError(
            f"the table spans {series.time_s[-1] / 86400.0:.0f} days; at most {LONGEST_S / 86400.0:.0f}: "
            "give the time in seconds, cut off the rows from before the clock was set, and write dates as "
            "2026-04-11 (of 04/11/2026 the first number is taken for the day)"
        )
    time_s = np.arange(0.0, series.time_s[-1] + 0.5)
    held = np.clip(np.searchsorted(series.time_s, time_s + ROUNDED_S, side="right") - 1, 0, len(series) - 1)
    apart = np.diff(series.time_s, append=series.time_s[-1])
    longest_s = series.longest_gap_s
    lost = apart[held] > longest_s

    def line(column: Floats) -> Floats:
        good = np.isfinite(column)
        if not good.any():
            return np.full(len(time_s), math.nan)
        out = np.interp(time_s, series.time_s[good], column[good])
        gap = np.diff(series.time_s[good], append=math.inf)
        place = np.clip(np.searchsorted(series.time_s[good], time_s + 1e-9, side="right") - 1, 0, None)
        out[(gap[place] > longest_s) & (time_s > series.time_s[good][place])] = math.nan
        out[time_s < series.time_s[good][0]] = math.nan
        return out

    pit_c = line(series.pit_c)
    pit_c[lost] = math.nan
    return replace(
        series.part(held),
        time_s=time_s,
        pit_c=pit_c,
        ambient_c=line(series.ambient_c),
        food_c=line(series.food_c),
        dome_c=line(series.dome_c),
    )


def lit_row(series: Series) -> int:
    """The first row with a fire, by its phase; the number of rows when there is none.

    Where no phase is known, the first row, or that from which the pit rose out of the cold.
    """
    if series.has_phases:
        fire = series.phase != Phase.COLD.value
        return int(np.argmax(fire)) if fire.any() else len(fire)
    pit_c, time_s = series.pit_c, series.time_s
    cold = np.flatnonzero(pit_c[: np.argmax(burning(series))] < _USUAL.limits.out_c)
    if not len(cold):
        return 0
    from_row = np.searchsorted(time_s, time_s[cold[-1]] - LIT_S)
    rise_c = pit_c[from_row : cold[-1] + 1]
    low = from_row + np.flatnonzero(rise_c <= np.nanmin(rise_c) + ROSE_C)[-1]
    return int(np.searchsorted(time_s, time_s[low] - SOON_S))


def resumptions(series: Series) -> NDArray[np.intp]:
    """Rows with the first reading of the pit after a gap. What the vents did meanwhile may be unknown."""
    read = np.flatnonzero(np.isfinite(series.pit_c))
    return np.asarray(read[1:][np.diff(series.time_s[read]) > series.longest_gap_s])


def burning(series: Series) -> NDArray[np.bool_]:
    """Rows with a fire: all, or where the pit was cold at last, those until it left its set point.

    A fire that burnt out is tended on until somebody says otherwise, and no gain helps against that. A set
    point that was raised counts as the lowest before it: a fire need not have reached it. Where no phase
    tells of lighting and snuffing, what the pit did away from its set point counts only if it was not cold
    meanwhile, nor (at the end) fell away under a shut vent.
    """
    pit_c = series.pit_c
    told_c = np.where(series.set_point_c >= LEAST_AIM_C, series.set_point_c, np.nan)
    aim_c = np.fmin.accumulate(told_c)
    near = np.flatnonzero(pit_c >= np.nan_to_num(aim_c, nan=LEAST_AIM_C) - NEAR_C)
    rows = np.arange(len(series))
    fire = rows >= 0
    if len(near) and pit_c[np.isfinite(pit_c)][-1] < _USUAL.limits.out_c:
        fire = rows <= near[-1]
    return fire if series.has_phases else fire & ~_unlit(series, aim_c)


def _unlit(series: Series, aim_c: Floats) -> NDArray[np.bool_]:
    """Rows before, between and after the fires of a table that tells no phase."""
    pit_c, open_ = series.pit_c, series.lower > SHUT
    warm_c = pit_c[pit_c >= LEAST_AIM_C]
    usual_c = float(np.median(warm_c)) if len(warm_c) else math.nan
    near = pit_c >= np.fmin(aim_c, usual_c) - NEAR_C
    held = near & open_ if np.any(near & open_) else near
    if not held.any():
        return held
    away = np.cumsum(held)  # each time away from the set point has a number of its own
    gone = pit_c < _USUAL.limits.out_c
    gone[-1] |= not open_[-1] and not near[np.isfinite(pit_c)][-1]
    return np.isin(away, away[gone]) & ~held


def usable(series: Series, skip_s: float = 600.0) -> NDArray[np.bool_]:
    """Rows from which the vents' effect can be learned.

    The loop has held the vents for `skip_s` (before that the bed is still growing), the lid is on and has
    been for LID_SETTLES_S, and there is a reading. Where no phase is known, a fire is taken for held.
    """
    step_s = series.step_s
    fire = burning(series)
    in_loop = np.isin(series.phase, list(_LOOP_PHASES)) if series.has_phases else fire
    held = in_loop | series.lid_off | (series.phase == Phase.LID_OFF.value)
    good = np.isfinite(series.pit_c) & ~series.lid_off & fire & in_loop
    good &= _for_long(held, round(skip_s / step_s))
    return good & _for_long(~series.lid_off, round(LID_SETTLES_S / step_s))


def _for_long(true: NDArray[np.bool_], rows: int) -> NDArray[np.bool_]:
    """True where `true` has held for the last `rows` rows; the start of the record counts as held."""
    if rows <= 0:
        return true
    index = np.arange(len(true))
    last_false = np.maximum.accumulate(np.where(true, -1, index))
    since = np.where(last_false < 0, index + 1, index - last_false)
    return np.asarray(true & (since > rows))
