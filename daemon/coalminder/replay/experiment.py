"""Moving the vents on purpose, so that a short record says much: step test and relay test.

The core runs on beside the test and judges every step; while it tends and nothing is wrong, the test says
where the vents go. A cut-off, a strong alarm, a lifted lid or a pit too far off ends the test at once, and
the vents go where the core says.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from coalminder.build import build
from coalminder.core import Config, State, air, initial, step
from coalminder.core.loop import LoopState
from coalminder.events import Event, Light
from coalminder.journal import Journal, Start
from coalminder.replay.rules import relay_gain
from coalminder.replay.whatif import EXPERIMENT
from coalminder.service.clock import Clock
from coalminder.service.hardware import Hardware
from coalminder.values import Action, Decision, Machine, Phase

REST_S = 600.0  # tending before the test begins, over which the holding draught is averaged
LONGEST_WAIT_S = 3 * 3600.0
SIZE_V = 0.35  # a factor of 1.42 in draught: some 6 to 10 K in 8 min
MOST_EARLY_DEG = 10.0  # an integrator with dead time then swings 1 / (1 - sin 10°), 20 % too slowly
FAR_C = 9.0  # further from the set point than this, the test turns back


class Experiment(Protocol):
    """What to add to the draught that holds the pit."""

    name: str

    def change(self, since_s: float, error_c: float) -> float | None:
        """Change of v at `since_s` from the start, for pit - set point = error_c; None when it is over."""
        ...


@dataclass
class StepTest:
    """Up and down in steps that get shorter: long ones show gain and lag, short ones the dead time.

    A step ends early when the pit has gone FAR_C its way.
    """

    size_v: float = SIZE_V
    legs_s: tuple[float, ...] = (480.0, 480.0, 300.0, 300.0, 120.0, 120.0)
    name: str = "step-test"
    _leg: int = 0
    _began_s: float = 0.0

    def change(self, since_s: float, error_c: float) -> float | None:
        """See Experiment."""
        sign = 1.0 if self._leg % 2 == 0 else -1.0
        if since_s - self._began_s >= self.legs_s[self._leg] or sign * error_c > FAR_C:
            self._leg, self._began_s = self._leg + 1, since_s
        if self._leg == len(self.legs_s):
            return None
        return self.size_v if self._leg % 2 == 0 else -self.size_v


@dataclass
class RelayTest:
    """Full size one way until the pit crosses, then the other way: an oscillation at the ultimate period.

    hysteresis_c keeps noise from switching it (three standard deviations of it or more).
    """

    size_v: float = SIZE_V
    hysteresis_c: float = 1.0
    cycles: int = 4
    name: str = "relay-test"
    _up: bool = True
    switches_s: list[float] = field(default_factory=list)
    extremes_c: list[float] = field(default_factory=list)
    _extreme_c: float = 0.0

    def change(self, since_s: float, error_c: float) -> float | None:
        """See Experiment."""
        crossed = error_c > self.hysteresis_c if self._up else error_c < -self.hysteresis_c
        if crossed:
            self._up = not self._up
            self.switches_s.append(since_s)
            self.extremes_c.append(self._extreme_c)
            self._extreme_c = error_c
        # The pit goes on for a while after the switch: the extreme of the last half wave.
        self._extreme_c = min(self._extreme_c, error_c) if self._up else max(self._extreme_c, error_c)
        if len(self.switches_s) >= 2 * self.cycles + 1:
            return None
        return self.size_v if self._up else -self.size_v

    def ultimate(self) -> tuple[float, float] | None:
        """(ku, pu_s) from the oscillation less its first cycle; None when it did not come to two cycles."""
        if len(self.switches_s) < 5:
            return None
        times = self.switches_s[2:]
        period_s = 2.0 * (times[-1] - times[0]) / (len(times) - 1)
        if self._amplitude_c <= self.hysteresis_c:
            return None
        return relay_gain(self.size_v, self._amplitude_c, self.hysteresis_c), period_s

    @property
    def early_deg(self) -> float:
        """By how much the phase lag of the swing that `ultimate` found falls short of 180°: the hysteresis
        holds up the switch, so the pit swings slower than at the ultimate point (describing function of a
        relay with hysteresis, Åström and Hägglund 1984).
        """
        return math.degrees(math.asin(self.hysteresis_c / self._amplitude_c))

    @property
    def _amplitude_c(self) -> float:
        extremes = self.extremes_c[3:]
        return sum(abs(x) for x in extremes) / len(extremes)


@dataclass(frozen=True)
class Ended:
    """How a test ended. why: "" when it ran to its end."""

    why: str
    took_s: float
    record: Path | None


async def conduct(
    hardware: Hardware,
    config: Config,
    experiment: Experiment,
    folder: Path,
    *,
    clock: Clock,
    say: Callable[[float, Decision, str], None],
) -> Ended:
    """Bring the pit to rest, run the test, leave a record in `folder`.

    clock: control time from 0. say: told every step. At the end the vents are where the core wants them.
    """
    utc_s = clock.utc_s() - clock.now_s()
    state = initial(config)
    journal = Journal(folder, Start(build(), {"experiment": experiment.name}, utc_s, state))
    journal.note(utc_s, f"{EXPERIMENT} {experiment.name}")
    began_s: float | None = None
    held: list[float] = []
    held_loop, why, due_s = state.loop, "", 0.0
    now_s = 0.0
    events: tuple[Event, ...] = (Light(),)
    try:
        while True:
            await clock.sleep_until(due_s)
            now_s = clock.now_s()
            inputs = replace(
                await hardware.read(now_s),
                events=events,
                machine=Machine(
                    late_s=max(now_s - due_s, 0.0),
                    vent_driver_failed=hardware.vents_failed,
                    servo_supply_low=hardware.supply_low,
                ),
            )
            events = ()
            state, decision = step(state, inputs, now_s)
            change: float | None = None
            text = "waiting for a steady pit"
            if began_s is None:
                held = [*held, state.air.applied_v] if decision.phase is Phase.TENDING else []
                held_loop = state.loop
                if len(held) >= REST_S:
                    began_s = now_s
                    journal.note(utc_s + now_s, f"{EXPERIMENT} began {now_s:.0f}")
                why = (
                    "the pit did not come to rest in 3 h"
                    if now_s > LONGEST_WAIT_S
                    else trouble(decision, False)
                )
            if began_s is not None:
                why = trouble(decision, True)
                error_c = (decision.pit_c or 0.0) - decision.set_point_c
                if not why and abs(error_c) > 2.0 * FAR_C:
                    why = f"the pit is {error_c:+.0f} °C from the set point"
                change = None if why else experiment.change(now_s - began_s, error_c)
                text = experiment.name
            if change is not None:
                state, decision = _override(state, decision, change, held, held_loop)
            journal.record(now_s, utc_s + now_s, inputs, decision, state)
            if int(due_s) % 300 == 0:
                journal.flush(5.0)
            await hardware.move(decision.lower, decision.upper)
            say(now_s, decision, text)
            if why or (began_s is not None and change is None):
                break
            due_s += 1.0
    finally:
        journal.note(utc_s + now_s, f"{EXPERIMENT} ended {why}".strip())
        path = journal.health().path
        journal.close()
    return Ended(why, now_s - (began_s if began_s is not None else now_s), Path(path) if path else None)


def trouble(decision: Decision, begun: bool) -> str:
    """Why the test must stop now, "" when nothing is wrong."""
    strong = [a for a in decision.alarms if a.active and a.action.severity >= Action.THROTTLE.severity]
    if strong:
        return f"alarm {strong[0].code}: {strong[0].message}"
    if decision.phase in (Phase.CUT_OFF, Phase.SNUFFING, Phase.OUT):
        return f"the phase is {decision.phase.value}"
    if begun and (decision.lid_off or decision.phase is Phase.LID_OFF):
        return "the lid came off"
    if begun and not decision.probe_ok:
        return "the pit probe gave no reading"
    return ""


def _override(
    state: State, decision: Decision, change: float, held: list[float], held_loop: LoopState
) -> tuple[State, Decision]:
    """The decision with the test's vents, and a state that knows of them; the integral waits."""
    split = state.config.split
    v = sum(held[-int(REST_S) :]) / min(len(held), int(REST_S)) + change
    v = min(max(v, air.level(0.003, split.leak_opening)), math.log(0.6))
    lower, upper = air.share(v, split)
    state = replace(state, lower=lower, upper=upper, loop=held_loop, air=replace(state.air, applied_v=v))
    return state, replace(decision, lower=lower, upper=upper)
