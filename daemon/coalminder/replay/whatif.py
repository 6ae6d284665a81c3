"""What if: the same cook with other gains, set points or vents.

The record holds what the pit did under the vents of that day. The difference that other vents would have
made is added to it: pit = recorded pit + G (v - recorded v), with the fitted model G. All that disturbed
the cook (gusts, lid lifts, wood, noise) is in the recorded pit and so happens again; with unchanged
settings nothing is added and the replay is the record itself. G is linear in v, the logarithm of draught
and leaks, as the loop is.
"""

from __future__ import annotations

import math
from array import array
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from coalminder.codec import from_plain
from coalminder.core import Config, State, initial, step
from coalminder.core.air import level
from coalminder.core.config import PitConfig
from coalminder.core.pit import PitState, observe
from coalminder.errors import UserError
from coalminder.events import LidNotice, Light, SetPoint
from coalminder.journal import Record, Step
from coalminder.replay.fopdt import Floats, Fopdt, response
from coalminder.replay.packed import Packed
from coalminder.replay.series import (
    LONGEST_GAP_S,
    SETTLED_S,
    Series,
    burning,
    even,
    from_steps,
    lit_row,
    log_draught,
)
from coalminder.values import Decision, Inputs, Phase, ProbeFault, ProbeFaultKind, Reading, Sample

EXPERIMENT = "experiment:"  # begins the notes that a step test or relay test leaves in its record
MOST_SHIFT_C = 80.0
_NO_BED = tuple(p.value for p in (Phase.COLD, Phase.LIGHTING, Phase.SNUFFING, Phase.OUT, Phase.CUT_OFF))


@dataclass(frozen=True)
class Cook:
    """A recorded cook, ready to be run again: what the core saw each second and what the vents did.

    u: (n,) recorded v, the input of the model; state: of the core before the first row.
    experiment_from_s: from then on the vents were moved for the sake of the record. own: recorded by us; in
    another logger's record our core did not move the vents. from_s: its first row in the whole record.
    read_noise_c, read_s: noise of the readings and time between them, where the rows lie between them (a
    straight line has no noise).
    """

    name: str
    series: Series
    inputs: Sequence[Inputs]
    now_s: Sequence[float]
    state: State
    experiment_from_s: float | None = None
    own: bool = True
    from_s: float = 0.0
    read_noise_c: float | None = None
    read_s: float = 0.0

    @property
    def noise_c(self) -> float:
        """Standard deviation of the pit probe's noise."""
        return self.series.noise_c if self.read_noise_c is None else self.read_noise_c

    @property
    def u(self) -> Floats:
        """The input of the model."""
        return log_draught(self.series.lower, self.state.config.split.leak_opening)


def from_record(record: Record, name: str, recorded: Sequence[Step] | None = None) -> Cook:
    """The longest part of a record that can be run again; raises ValueError when there is none with a state.

    A part ends where the program stopped, and where steps are missing for longer than LONGEST_GAP_S: what the
    core had come to after them is not known, and a loop that goes on from before them moves the vents
    otherwise. recorded: the record's steps, where they were read before.
    """
    steps = list(record.steps() if recorded is None else recorded)
    parts: list[list[Step]] = []
    for item in steps:
        last = parts[-1][-1] if parts else item
        missing = item.n > last.n + 1 and item.now_s - last.now_s > LONGEST_GAP_S
        if not parts or item.run != last.run or missing:
            parts.append([])
        parts[-1].append(item)
    parts.sort(key=len, reverse=True)
    known = ((part, record.state_before(part[0].n)) for part in parts)
    chosen, plain = next(((part, plain) for part, plain in known if plain is not None), ([], None))
    if plain is None:
        raise ValueError("the record has no run with a state to start from")
    state: State = from_plain(State, plain)
    series = from_steps(chosen)
    return Cook(
        name,
        series,
        Packed(item.inputs for item in chosen),
        array("d", (item.now_s for item in chosen)),
        state,
        _experiment_from(record),
        from_s=float(from_steps(steps).time_s[steps.index(chosen[0])]) if len(parts) > 1 else 0.0,
    )


def _experiment_from(record: Record) -> float | None:
    for _, text in record.notes():
        if text.startswith(f"{EXPERIMENT} began "):
            return float(text.rsplit(" ", 1)[1])
    return None


def from_series(series: Series, name: str, config: Config) -> Cook:
    """A cook from a table of any logger: pit, vents and set point as they were, once a second."""
    s = even(series)
    low_c, high_c = config.least_set_point_c, config.highest_set_point_c
    aims_c = np.where((s.set_point_c >= low_c) & (s.set_point_c <= high_c), s.set_point_c, math.nan)
    if np.isfinite(aims_c).any():
        config = replace(config, set_point_c=float(aims_c[np.isfinite(aims_c)][0]))
    aim_c = config.set_point_c
    lit = lit_row(s)
    inputs = []
    for i in range(len(s)):
        events: tuple[object, ...] = (Light(),) if i == lit else ()
        if i and s.lid_off[i] != s.lid_off[i - 1]:
            events = (*events, LidNotice(lid_open=bool(s.lid_off[i])))
        if math.isfinite(aims_c[i]) and aims_c[i] != aim_c:
            aim_c = float(aims_c[i])
            events = (*events, SetPoint(temp_c=aim_c))
        inputs.append(Inputs(pit=_sample(s.pit_c[i]), ambient=_or_none(s.ambient_c[i]), events=events))
    state = initial(config)
    now_s = array("d", s.time_s.tolist())
    noise_c = max(series.noise_c, _held_noise_c(series, config.pit))
    return Cook(name, s, Packed(inputs), now_s, state, own=False, read_noise_c=noise_c, read_s=series.step_s)


def _held_noise_c(series: Series, config: PitConfig) -> float:
    """The noise that the core hears in the rows as they are, where one reading stands in many of them, be it
    for its whole degrees or for a slow probe: most rows then look noiseless.
    """
    seen = PitState()
    for temp_c, gap_s in zip(
        series.pit_c.tolist(), np.diff(series.time_s, prepend=-1.0).tolist(), strict=True
    ):
        seen = observe(seen, config, Reading(temp_c), None, gap_s)
    return seen.noise_c / math.sqrt(max(min(seen.period_s or 1.0, series.step_s), 1.0))


def _sample(value: float) -> Sample:
    if math.isfinite(value):
        return Reading(float(value))
    return ProbeFault(ProbeFaultKind.NOT_READY, "no reading in the record")


def _or_none(value: float) -> Sample | None:
    return Reading(float(value)) if math.isfinite(value) else None


@dataclass(frozen=True)
class Outcome:
    """A cook run again: pit (n,), vents, set points and phases as they would have been.

    time_s: on the clock of the whole record.
    """

    time_s: Floats
    pit_c: Floats
    lower: Floats
    upper: Floats
    set_point_c: Floats
    phase: tuple[str, ...]
    lid_off: np.ndarray[tuple[int], np.dtype[np.bool_]]


def run_again(
    cook: Cook,
    model: Fopdt,
    config: Config | None = None,
    added_c: Sequence[float] | Floats | None = None,
) -> Outcome:
    """The cook with `config` in place of its own; `model` is G.

    added_c: a further change of the pit (n,), such as weather. Same arguments, same answer.
    """
    state = cook.state if config is None else _with(cook.state, config)
    leak = state.config.split.leak_opening
    recorded_u, series = cook.u, cook.series
    n = len(cook.inputs)
    pit, lower, upper, aim = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    lid = np.zeros(n, dtype=np.bool_)
    phases: list[str] = []
    shift = 0.0
    whole = round(model.theta_s)
    pipe: deque[float] = deque([0.0] * (whole + 1), maxlen=whole + 1)
    last_s = cook.now_s[0] - 1.0
    for i, (seen, now_s) in enumerate(zip(cook.inputs, cook.now_s, strict=True)):
        gap = now_s - last_s
        last_s = now_s
        keep = math.exp(-gap / model.tau_s)
        shift = keep * shift + (1.0 - keep) * model.k * pipe[0]
        shift = min(max(shift, -MOST_SHIFT_C), MOST_SHIFT_C)
        extra = shift + (float(added_c[i]) if added_c is not None else 0.0)
        state, decision = step(state, _warmer(seen, extra) if extra else seen, now_s)
        pipe.append(_moved(decision, series, i, recorded_u, leak))
        pit[i] = series.pit_c[i] + extra
        lower[i], upper[i], aim[i] = decision.lower, decision.upper, decision.set_point_c
        lid[i] = decision.lid_off
        phases.append(decision.phase.value)
    return Outcome(series.time_s + cook.from_s, pit, lower, upper, aim, tuple(phases), lid)


def aimed(cook: Cook, set_point_c: float) -> Cook:
    """The cook with this set point throughout: what was set in the course of it is passed over."""
    state = cook.state
    if state.set_point_c != set_point_c:
        state = replace(state, set_point_c=set_point_c, reference_c=set_point_c)
    return replace(
        cook,
        state=replace(state, config=replace(state.config, set_point_c=set_point_c)),
        inputs=Packed(
            replace(seen, events=tuple(e for e in seen.events if not isinstance(e, SetPoint)))
            if seen.events
            else seen
            for seen in cook.inputs
        ),
    )


def recorded(cook: Cook) -> Outcome:
    """A cook of our own as it was: that of `run_again` with nothing changed, if no step is missing."""
    s = cook.series
    phases = tuple(s.phase.tolist())
    return Outcome(s.time_s + cook.from_s, s.pit_c, s.lower, s.upper, s.set_point_c, phases, s.lid_off)


def check_not_cut_off(cook: Cook, outcome: Outcome) -> None:
    """Refuse another logger's cook in which our rules would have put the fire out: nothing can be scored.

    In a record of ours the cut-off was there, and what comes after it is not scored.
    """
    gone = np.isin(outcome.phase, (Phase.CUT_OFF.value, Phase.SNUFFING.value, Phase.OUT.value))
    if cook.own or not gone[scored_rows(cook)].any():
        return
    first = int(np.flatnonzero(gone)[0])
    raise UserError(
        f"record '{cook.name}': our safety rules would have put this fire out at "
        f"{cook.series.time_s[first] / 60.0:.0f} min, with the pit at {outcome.pit_c[first]:.0f} °C, so it "
        "cannot be run again; cut off the rows before the pit stayed under "
        f"{cook.state.config.limits.ceiling_c:g} °C, or give another cook"
    )


def hold_vent(cook: Cook, model: Fopdt, lower: float, added_c: Floats | None = None) -> Outcome:
    """The cook with the lower vent left by hand at `lower` from the end of lighting to that of the fire."""
    leak, series = cook.state.config.split.leak_opening, cook.series
    held = burning(series) & ~np.isin(series.phase, _NO_BED)
    moved = np.where(held, level(lower, leak) - cook.u, 0.0)
    shift = response(model, np.append(0.0, moved), series.step_s)[1:]  # at rest before: nothing was moved
    pit = series.pit_c + np.clip(shift, -MOST_SHIFT_C, MOST_SHIFT_C)
    if added_c is not None:
        pit = pit + added_c
    return Outcome(
        series.time_s + cook.from_s,
        pit,
        np.where(held, lower, series.lower),
        series.upper,
        series.set_point_c,
        tuple(series.phase.tolist()),
        series.lid_off,
    )


def outside(cook: Cook, model: Fopdt, by_k: float) -> Floats:
    """What air outside that is warmer by `by_k` from the start adds to the pit, with the kettle's lag.

    A kettle under the same draught holds the same rise over the air outside (to first order).
    """
    t = cook.series.time_s
    return np.asarray(by_k * (1.0 - np.exp(-t / model.tau_s)))


def _moved(decision: Decision, series: Series, i: int, recorded_u: Floats, leak: float) -> float:
    if decision.lower == series.lower[i]:
        return 0.0
    return level(decision.lower, leak) - float(recorded_u[i])


def _warmer(seen: Inputs, by_c: float) -> Inputs:
    return replace(
        seen, pit=_plus(seen.pit, by_c), pit_2=None if seen.pit_2 is None else _plus(seen.pit_2, by_c)
    )


def _plus(sample: Sample, by_c: float) -> Sample:
    return replace(sample, temp_c=sample.temp_c + by_c) if isinstance(sample, Reading) else sample


def _with(state: State, config: Config) -> State:
    """The state under other settings: the set point too, when that is what differs."""
    changed = config.set_point_c != state.config.set_point_c
    if not changed:
        return replace(state, config=config)
    return replace(state, config=config, set_point_c=config.set_point_c, reference_c=config.set_point_c)


@dataclass(frozen=True, slots=True)
class Score:
    """How well a cook went: over the rows in which the loop had the vents and the lid was on.

    mean_abs_c: mean absolute error; peak_c: highest pit; in_band_frac: share in the band; travel_per_h:
    strokes of the lower vent from the first of these rows to the last (linear in flow).
    """

    mean_abs_c: float
    peak_c: float
    in_band_frac: float
    travel_per_h: float


def score(cook: Cook, outcome: Outcome, config: Config) -> Score:
    """Score an outcome over the rows that the record spent in the loop."""
    rows = scored_rows(cook)
    error = np.abs(outcome.pit_c - outcome.set_point_c)[rows]
    pit = outcome.pit_c[rows]
    good = np.isfinite(error)
    first, after = int(np.argmax(rows)), len(rows) - int(np.argmax(rows[::-1]))
    worked = slice(first, after)  # with the lid lifts in between
    hours = (cook.now_s[worked][-1] - cook.now_s[worked][0] + cook.series.step_s) / 3600.0
    return Score(
        float(np.mean(error[good])),
        float(np.max(pit[good])),
        float(np.mean((pit[good] >= config.low_c) & (pit[good] <= config.high_c))),
        float(np.sum(np.abs(np.diff(outcome.lower[worked])))) / hours,
    )


def shows_work(cook: Cook) -> bool:
    """Whether there is a row to score: a cook broken off while lighting has none."""
    return bool(np.isfinite(cook.series.pit_c[scored_rows(cook)]).any())


def scored_rows(cook: Cook) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Rows in which the loop's work shows: once settled, without lifted lids, while there is a fire."""
    return _in_the_loop(cook.series) & burning(cook.series)


def _in_the_loop(series: Series) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    tending = series.phase == Phase.TENDING.value
    if tending.sum() > 1200:
        first = int(np.flatnonzero(tending)[0])
        return np.asarray(
            np.isin(series.phase, (Phase.TENDING.value, Phase.SETTLING.value))
            & (np.arange(len(series)) >= first)
        )
    known = series.phase == Phase.SETTLING.value
    if known.sum() > 600:
        return np.asarray(known)
    if series.has_phases:  # nor is a fire that was put out, or never lit, the loop's work
        return np.asarray(known | tending)
    return np.asarray((series.time_s > SETTLED_S) & ~series.lid_off)
