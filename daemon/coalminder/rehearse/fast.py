"""The core on a simulated grill without sockets, as fast as it goes: `rehearse --fast`."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from coalminder.build import build
from coalminder.core import Config, State, initial, step
from coalminder.events import Acknowledge, Event, FoodStep, Light, WoodAdded
from coalminder.grill.scenario import Disturbance, Food, Wood, apply, due, lid_open
from coalminder.rehearse.summary import Trace
from coalminder.seams import Grill
from coalminder.values import Inputs, ProbeFault, ProbeFaultKind, Reading, Sample
from coalminder.vents.curve import DEFAULT_CURVE

if TYPE_CHECKING:
    from coalminder.journal import Journal

ATTENDS_EVERY_S = 3600
_RECORD_UTC_S = 1_775_000_000.0  # a record made without a clock starts on this day of 2026


@dataclass(frozen=True, slots=True)
class Run:
    """A finished run: its trace and how long it took here, in s."""

    trace: Trace
    wall_s: float


def sample_of(temp_c: float) -> Sample:
    """What a grill's probe shows, as a sample: a number that is not finite is a fault."""
    if math.isfinite(temp_c):
        return Reading(temp_c)
    return ProbeFault(ProbeFaultKind.OUT_OF_RANGE, "the grill gave no finite number")


def run_fast(
    grill: Grill,
    config: Config,
    script: Sequence[Disturbance],
    duration_s: float,
    *,
    record: Path | None = None,
) -> Run:
    """Tend `grill` for `duration_s` at 1 Hz.

    The cook of `attended` lights it. record: a folder to keep the cook's record in.
    """
    trace = Trace()
    state = initial(config)
    journal = None if record is None else _journal(record, state)
    asked = attended(duration_s, script)
    began = time.perf_counter()
    for second in range(int(duration_s)):
        now_s = float(second)
        pit_c, core_c = grill.pit_c(), grill.core_c()
        inputs = Inputs(
            pit=sample_of(pit_c), foods=(("food", sample_of(core_c)),), events=asked.get(second, ())
        )
        state, decision = step(state, inputs, now_s)
        if journal is not None:
            journal.record(now_s, _RECORD_UTC_S + now_s, inputs, decision, state)
            if second % 400 == 399:  # fewer than the journal keeps in memory
                journal.flush(30.0)
        lower, upper = DEFAULT_CURVE.position(decision.lower), DEFAULT_CURVE.position(decision.upper)
        apply(grill, script, now_s, now_s + 1.0)
        lid_off = lid_open(script, now_s)
        trace.add(now_s, pit_c, core_c, decision, lower, upper, lid_off)
        grill.advance(1.0, lower, upper, lid_off)
    if journal is not None:
        journal.close(30.0)
    return Run(trace, time.perf_counter() - began)


def attended(duration_s: float, script: Sequence[Disturbance] = ()) -> dict[int, tuple[Event, ...]]:
    """A cook who lights the coals at the start, looks in once an hour, and tells of food and wood.

    Lids are not told of: the core must recognise them.
    """
    asked: dict[int, tuple[Event, ...]] = {0: (Light(),)}
    for second in range(ATTENDS_EVERY_S, int(duration_s), ATTENDS_EVERY_S):
        asked[second] = (Acknowledge(),)
    for item in due(script, 0.0, duration_s):
        told: Event | None = None
        if isinstance(item, Food):
            told = FoodStep(step="loaded")
        elif isinstance(item, Wood):
            told = WoodAdded(mass_kg=item.kg)
        if told is not None:
            second = int(item.at_s)
            asked[second] = (*asked.get(second, ()), told)
    return asked


def _journal(directory: Path, state: State) -> Journal:
    from coalminder.journal import Journal, Start

    return Journal(directory, Start(build(), {"rehearsal": True}, _RECORD_UTC_S, state))
