"""What a cook came to, in numbers: phases, alarms, lid lifts, food, estimates against what happened."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coalminder.core.config import Config
from coalminder.food.doneness import SIX_D_MIN, lethality_min
from coalminder.journal import AlarmChange, Step
from coalminder.replay.fopdt import Floats
from coalminder.replay.series import SETTLED_S, Series, lit_row
from coalminder.safety.faults import BY_CODE
from coalminder.values import Phase

NO_RECORD = "no record"
GOAL_C = 63.0  # core of cooked fish (docs/food.md), where nobody said which food it was


@dataclass(frozen=True)
class Span:
    """Something that lasted, in s from the start of the record."""

    label: str
    from_s: float
    until_s: float


@dataclass(frozen=True)
class FoodFacts:
    """Food-safety figures from the core probe; times in min. danger_min: between 5 and 57 °C.

    Time without a reading counts as danger when it began there, and never as heat.
    """

    peak_c: float
    over_63_min: float
    over_71_min: float
    lethality_min: float
    six_d: bool
    danger_min: float


NO_HEAT = FoodFacts(math.nan, 0.0, 0.0, 0.0, six_d=False, danger_min=0.0)


@dataclass(frozen=True)
class Facts:
    """Figures of one cook. None: the record does not say. settled_after_s: from lighting on."""

    hours: float
    in_band_frac: float | None
    mean_abs_c: float | None
    peak_c: float | None
    lowest_c: float | None
    travel: float
    settled_after_s: float | None
    phases: tuple[Span, ...]
    lid_lifts: tuple[Span, ...]
    food: FoodFacts | None


def facts(series: Series, config: Config) -> Facts:
    """Work out the figures."""
    tending = series.phase == Phase.TENDING.value
    known = series.has_phases
    after = float(series.time_s[np.flatnonzero(tending)[0]]) if tending.any() else None
    start = after if after is not None else (None if known else SETTLED_S)
    rows = (
        np.isfinite(series.pit_c) & ~series.lid_off & (series.time_s >= start)
        if start is not None
        else np.zeros(len(series), dtype=bool)
    )
    if known:
        rows &= np.isin(series.phase, (Phase.TENDING.value, Phase.SETTLING.value))
    weight = _held_s(series)[rows]
    pit, aim = series.pit_c[rows], np.nan_to_num(series.set_point_c[rows], nan=config.set_point_c)
    aimed = aim >= config.least_set_point_c  # other loggers write 0 while they are off
    return Facts(
        hours=float(series.time_s[-1]) / 3600.0,
        in_band_frac=_mean((pit >= config.low_c) & (pit <= config.high_c), weight),
        mean_abs_c=_mean(np.abs(pit - aim)[aimed], weight[aimed]),
        peak_c=float(np.nanmax(series.pit_c)) if np.isfinite(series.pit_c).any() else None,
        lowest_c=float(pit.min()) if len(pit) else None,
        travel=float(np.nansum(np.abs(np.diff(series.lower)))),
        settled_after_s=None if after is None else after - float(series.time_s[lit_row(series)]),
        phases=spans(series.phase.tolist(), series.time_s, series.longest_gap_s if known else math.inf),
        lid_lifts=_lifts(series),
        food=food_facts(series.time_s, series.food_c, series.longest_gap_s),
    )


def _held_s(series: Series) -> Floats:
    """The time that each row stands for: to the next one, but over no gap."""
    apart = np.diff(series.time_s, append=series.time_s[-1] + series.step_s)
    return np.where(apart > series.longest_gap_s, series.step_s, apart)


def _mean(values: Floats | NDArray[np.bool_], weight: Floats) -> float | None:
    return float(np.average(values, weights=weight)) if weight.sum() > 0.0 else None


def food_facts(time_s: Floats, core_c: Floats, longest_gap_s: float) -> FoodFacts | None:
    """Of what one core probe showed; None where it showed next to nothing.

    longest_gap_s: two readings further apart have a gap between them.
    """
    good = np.isfinite(core_c)
    if good.sum() < 10:
        return None
    t, c = time_s[good] / 60.0, core_c[good]
    # What the core did while nobody measured it counts for nothing that is good.
    lost = np.flatnonzero(np.diff(t) > longest_gap_s / 60.0) + 1
    runs = np.split(np.arange(len(t)), lost)
    minutes = sum(lethality_min(t[run].tolist(), c[run].tolist()) for run in runs)
    return FoodFacts(
        peak_c=float(c.max()),
        over_63_min=max(_longest(t[run], c[run] >= 63.0) for run in runs),
        over_71_min=max(_longest(t[run], c[run] >= 71.0) for run in runs),
        lethality_min=minutes,
        six_d=minutes >= SIX_D_MIN,
        danger_min=float(np.sum(np.diff(t, append=t[-1])[(c > 5.0) & (c < 57.0)])),
    )


def _longest(minutes: Floats, true: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float:
    """Longest unbroken time, min."""
    best = begin = 0.0
    inside = False
    for t, here in zip(minutes, true, strict=True):
        if here and not inside:
            begin = float(t)
        inside = bool(here)
        if inside:
            best = max(best, float(t) - begin)
    return best


def _lifts(series: Series) -> tuple[Span, ...]:
    """Lid lifts; of one that was going on when a gap began, what was seen before it."""
    lifts: list[Span] = []
    off = False  # before the gap too, if there is one
    for span in spans(["off" if x else "" for x in series.lid_off], series.time_s, series.longest_gap_s):
        if span.label == "off" and not off:
            lifts.append(span)
        off = off if span.label == NO_RECORD else span.label == "off"
    return tuple(lifts)


def spans(labels: Sequence[str], time_s: Floats, longest_gap_s: float = math.inf) -> tuple[Span, ...]:
    """Runs of equal labels. A longer gap between rows is a span of its own: nobody knows what was in it."""
    found: list[Span] = []
    start = 0
    for i in range(1, len(labels) + 1):
        gap = i < len(labels) and time_s[i] - time_s[i - 1] > longest_gap_s
        if i == len(labels) or gap or labels[i] != labels[start]:
            until = i - 1 if gap or i == len(labels) else i
            found.append(Span(labels[start], float(time_s[start]), float(time_s[until])))
            if gap:
                found.append(Span(NO_RECORD, float(time_s[i - 1]), float(time_s[i])))
            start = i
    return tuple(found)


def alarm_spans(changes: Sequence[AlarmChange], start_s: float, end_s: float) -> tuple[Span, ...]:
    """From when to when each alarm's condition held, in s from the start of the record."""
    open_: dict[str, tuple[float, str]] = {}
    found: list[Span] = []
    for change in changes:
        at = change.now_s - start_s
        if change.active and change.code not in open_:
            open_[change.code] = (at, change.message)
        elif not change.active and change.code in open_:
            begin, message = open_.pop(change.code)
            found.append(Span(f"{change.code}: {message}", begin, at))
    found += [Span(f"{code}: {message}", begin, end_s - start_s) for code, (begin, message) in open_.items()]
    return tuple(sorted(found, key=lambda span: span.from_s))


@dataclass(frozen=True)
class Belief:
    """An estimate as it was believed (n,), with its interval, in min from then; `happened_min`: what came."""

    hours: Floats
    middle_min: Floats
    low_min: Floats
    high_min: Floats
    happened_min: Floats | None

    @property
    def top_min(self) -> float:
        """A top for a chart: early guesses are wild and would squeeze the rest."""
        shown = [self.middle_min] if self.happened_min is None else [self.middle_min, self.happened_min]
        values = np.concatenate([column[np.isfinite(column)] for column in shown])
        return 1.5 * float(np.percentile(values, 80)) + 1.0 if len(values) else 1.0

    @property
    def coverage_frac(self) -> float | None:
        """Share of the moments whose interval held what came."""
        if self.happened_min is None:
            return None
        good = np.isfinite(self.low_min) & np.isfinite(self.high_min) & np.isfinite(self.happened_min)
        if not good.any():
            return None
        inside = (self.happened_min >= self.low_min) & (self.happened_min <= self.high_min)
        return float(np.mean(inside[good]))


def fuel_belief(steps: Sequence[Step]) -> Belief | None:
    """What was believed of the fuel. What happened is known only when a tended fire went out."""
    chosen = steps[::30]  # half a minute
    fire = [step.decision.fire for step in chosen]
    middle = _column([f.fuel_left_min for f in fire])
    if not np.isfinite(middle).any():
        return None
    hours = np.array([step.now_s - steps[0].now_s for step in chosen]) / 3600.0
    out = BY_CODE["fire_out"].code
    died = next((s.now_s for s in steps if any(a.code == out and a.active for a in s.decision.alarms)), None)
    happened = None if died is None else (died - steps[0].now_s) / 60.0 - hours * 60.0
    if happened is not None:
        happened = np.where(happened >= 0.0, happened, np.nan)
    return Belief(
        hours,
        middle,
        _column([f.fuel_left_low_min for f in fire]),
        _column([f.fuel_left_high_min for f in fire]),
        happened,
    )


def finish_belief(series: Series) -> Belief | None:
    """When the core would reach GOAL_C, as it could be believed at the time, against when it did.

    The belief here is the plain one that a person has: the core closes on the pit with one lag, fitted to
    the last 20 min; +- 20 %. It stands beside the record, not for the estimate of the food's own model.
    None without 30 min of readings, or where at no time a finish within a day could be believed.
    """
    good = np.isfinite(series.food_c)
    if good.sum() * series.step_s < 1800.0:
        return None
    t, core, pit = series.time_s[good], series.food_c[good], series.pit_c[good]
    reached = np.flatnonzero(core >= GOAL_C)
    done_s = float(t[reached[0]]) if len(reached) else None
    hours, middle = [], []
    for at in np.arange(t[0] + 1200.0, t[-1] if done_s is None else done_s, 300.0):
        rows = (t > at - 1200.0) & (t <= at)
        if rows.sum() * series.step_s < 300.0:
            continue
        rise = float(np.polyfit(t[rows], core[rows], 1)[0])
        near = pit[rows][np.isfinite(pit[rows])]
        around = float(near.mean()) if len(near) else -np.inf
        now_c = float(core[rows][-1])
        hours.append(at / 3600.0)
        if rise <= 1e-5 or around <= GOAL_C + 3.0:
            middle.append(np.nan)
            continue
        lag = (around - float(np.mean(core[rows]))) / rise
        left_min = lag * float(np.log((around - now_c) / (around - GOAL_C))) / 60.0
        middle.append(left_min if left_min <= 1440.0 else np.nan)
    h, m = np.array(hours), np.array(middle, dtype=float)
    if not np.isfinite(m).any():
        return None
    happened = None if done_s is None else done_s / 60.0 - h * 60.0
    return Belief(h, m, 0.8 * m, 1.2 * m, happened)


def _column(values: Sequence[float | None]) -> Floats:
    return np.array([np.nan if value is None else value for value in values], dtype=float)
