"""The core on a simulated grill without sockets, as fast as it goes: `rehearse --fast` and the bench."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

from coalminder.core import Config, initial, step
from coalminder.events import Event, Light
from coalminder.rehearse.script import Script
from coalminder.rehearse.summary import Trace
from coalminder.seams import Grill
from coalminder.values import Inputs, ProbeFault, ProbeFaultKind, Reading, Sample
from coalminder.vents.curve import DEFAULT_CURVE, FlowCurve


@dataclass(frozen=True, slots=True)
class FastRun:
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
    script: Script,
    duration_s: float,
    *,
    curve: FlowCurve = DEFAULT_CURVE,
    events: dict[int, tuple[Event, ...]] | None = None,
    progress: Callable[[float], None] | None = None,
) -> FastRun:
    """Tend `grill` for `duration_s` at 1 Hz, from lighting at 0 s; `events` by whole second may add to that."""
    trace = Trace()
    state = initial(config)
    asked = {0: (Light(),)} if events is None else events
    began = time.perf_counter()
    for second in range(int(duration_s)):
        now_s = float(second)
        pit_c, core_c = grill.pit_c(), grill.core_c()
        inputs = Inputs(
            pit=sample_of(pit_c), foods=(("food", sample_of(core_c)),), events=asked.get(second, ())
        )
        state, decision = step(state, inputs, now_s)
        lower, upper = curve.position(decision.lower), curve.position(decision.upper)
        wood, charcoal = script.wood_between(now_s, now_s + 1.0), script.charcoal_between(now_s, now_s + 1.0)
        if wood:
            grill.add_wood(wood)
        if charcoal:
            grill.add_charcoal(charcoal)
        lid_open = script.lid_open(now_s)
        trace.add(now_s, pit_c, core_c, decision, lower, upper, lid_open)
        grill.advance(1.0, lower, upper, lid_open)
        if progress is not None and second % 60 == 0:
            progress(now_s)
    return FastRun(trace, time.perf_counter() - began)
