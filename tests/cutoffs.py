"""A bench for the cut-offs alone: a view a second, and when each alarm came."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from coalminder.safety.assess import SafetyState, Verdict, assess, initial
from coalminder.safety.limits import Limits
from coalminder.safety.view import View
from coalminder.values import Alarm, Phase, Reading, Sample

_NOISE = random.Random("bench")
NOISE = tuple(_NOISE.gauss(0.0, 0.2) for _ in range(997))


def reading(temp_c: float, second: float) -> Sample:
    """A reading with the small noise of a live probe."""
    return Reading(temp_c + NOISE[int(second) % len(NOISE)])


def view(second: float, pit_c: float = 93.0, **changes: object) -> View:
    """Quiet tending, unless changed."""
    given: dict[str, object] = {
        "phase": Phase.TENDING,
        "pit": reading(pit_c, second),
        "set_point_c": 93.0,
        "lower": 0.04,
        "lower_floor": 0.012,
        "lower_wide": 0.1,
    }
    given.update(changes)
    return View(**given)  # type: ignore[arg-type]


@dataclass
class Watch:
    """Steps the cut-offs and remembers when alarms were first active."""

    limits: Limits = field(default_factory=Limits)
    state: SafetyState = field(default_factory=lambda: initial(0.0))
    now_s: float = 0.0
    verdict: Verdict = field(default_factory=Verdict)
    raised_s: dict[str, float] = field(default_factory=dict)

    def step(self, seen: View, *events: object, by_s: float = 1.0) -> Verdict:
        """One step at the present time, then the clock moves on."""
        self.state, self.verdict = assess(self.state, seen, self.limits, events, self.now_s)
        for alarm in self.verdict.alarms:
            if alarm.active:
                self.raised_s.setdefault(alarm.code, self.now_s)
        self.now_s += by_s
        return self.verdict

    def run(self, for_s: float, make: Callable[[float], View], events: Iterable[object] = ()) -> Verdict:
        """`make(seconds since this call)` every second; `events` in the first step."""
        begun_s, asked = self.now_s, tuple(events)
        while self.now_s - begun_s < for_s:
            self.step(make(self.now_s - begun_s), *asked)
            asked = ()
        return self.verdict

    def alarm(self, code: str) -> Alarm | None:
        """The alarm of this code, None when normal."""
        return next((alarm for alarm in self.verdict.alarms if alarm.code == code), None)


def settled(limits: Limits | None = None) -> Watch:
    """After twenty minutes of quiet tending."""
    watch = Watch(limits if limits is not None else Limits())
    watch.run(1200.0, lambda s: view(s))
    assert watch.verdict == Verdict()
    return watch
