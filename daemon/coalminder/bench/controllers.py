"""Who tends: the Controller protocol, the peers, and ours.

All get the same: once a second what the probe shows, and what a person would tell them (the coals are
lit, another set point). All light alike: vents wide open until the pit will be near its set point in a
few minutes (`Lighting`), then each goes its own way. The lower vent does the work, the upper one stands
at `UPPER` of its travel for all peers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from simple_pid import PID

from coalminder.bench.identify import FILTER_S, UPPER, identify_nominal
from coalminder.bench.scenarios import Cook
from coalminder.core import Config, initial, step
from coalminder.events import Acknowledge, Ease, Event, Light, SetPoint
from coalminder.replay.rules import simc_pi, zn_step_pid
from coalminder.values import Inputs, Reading
from coalminder.vents.curve import DEFAULT_CURVE

ATTENDS_EVERY_S = 3600


@dataclass(frozen=True, slots=True)
class Seen:
    """What there is to know in one second. lid_off: only for whoever stands beside it (the hands)."""

    second: int
    pit_c: float
    set_point_c: float
    lid_off: bool


class Controller(Protocol):
    """Tends one cook; called once a second, in order."""

    def tend(self, seen: Seen) -> tuple[float, float]:
        """Servo positions (lower, upper), 0..1."""
        ...


Factory = Callable[[Cook], Controller]


class Lighting:
    """The lighting all peers share: wide open, until the pit gets near.

    The reading is smoothed over 12 s, its slope over 40 s; lighting ends when the pit, going on like
    this, would be 8 K under the set point in 200 s: a cook closes the vents on the way up, not at the
    top (common practice). The same numbers as ours starts with.
    """

    def __init__(self) -> None:
        self._smooth: float | None = None
        self._slope = 0.0
        self.over = False

    def watch(self, seen: Seen) -> bool:
        """Whether the fire is still coming up."""
        if self._smooth is None:
            self._smooth = seen.pit_c
        before = self._smooth
        self._smooth += (seen.pit_c - self._smooth) / 13.0
        self._slope += (self._smooth - before - self._slope) / 41.0
        if self._smooth > 45.0 and self._smooth + max(self._slope, 0.0) * 200.0 >= seen.set_point_c - 8.0:
            self.over = True
        return not self.over


class Hands:
    """A careful cook who looks every 15 min and turns the lower vent by rule of thumb.

    Stays beside the kettle, looking every 5 min, until the pit first comes within 6 K; then every 15 min.
    Guesses from the change since the last look where the pit is going, and opens or closes by a factor
    that suits the miss. Leaves it alone inside +-4 K. Does not judge by a dial that a lifted lid has just
    cooled (10 min). Over 110 °C closes to a slit and looks again in 5 min.
    """

    LOOKS_EVERY_S = 900
    STAYS_S = 300  # between looks while the pit comes up, or is far too hot
    GAIN_PER_K = 0.03  # ln of opening per K: 10 K too cold opens by 1.35

    def __init__(self, hold: float) -> None:
        self._lighting = Lighting()
        self._lower = self._hold = hold
        self._next_s: int | None = None
        self._last: tuple[int, float] | None = None
        self._lid_s = -10_000
        self._set_point: float | None = None
        self._arrived = False

    def tend(self, seen: Seen) -> tuple[float, float]:
        """See Controller."""
        if self._lighting.watch(seen):
            return 1.0, 1.0
        if self._next_s is None:
            self._next_s = seen.second + self.STAYS_S
        if seen.lid_off:
            self._lid_s = seen.second
        if self._set_point is not None and seen.set_point_c != self._set_point:
            # another pit is wanted: the rise over a mild day goes with air
            self._lower *= max(0.2, (seen.set_point_c - 15.0) / (self._set_point - 15.0)) ** 1.5
            self._next_s, self._last = seen.second + self.LOOKS_EVERY_S, None
        self._set_point = seen.set_point_c
        if seen.second >= self._next_s and seen.second - self._lid_s >= 600:
            self._look(seen)
        return self._lower, UPPER

    def _look(self, seen: Seen) -> None:
        self._arrived = self._arrived or abs(seen.pit_c - seen.set_point_c) < 6.0
        wait_s = self.LOOKS_EVERY_S if self._arrived else self.STAYS_S
        ahead = 0.0
        if self._last is not None:
            before_s, before_c = self._last
            per_s = (seen.pit_c - before_c) / max(seen.second - before_s, self.STAYS_S)
            ahead = per_s * (0.5 * wait_s if self._arrived else 2.0 * wait_s)
        miss = seen.pit_c + min(max(ahead, -15.0), 25.0) - seen.set_point_c
        self._last = (seen.second, seen.pit_c)
        self._next_s = seen.second + wait_s
        if seen.pit_c > seen.set_point_c + 17.0:
            self._lower = min(self._lower, 0.25 * self._hold)
            self._next_s = seen.second + self.STAYS_S
        elif abs(miss) > 4.0:
            factor = math.exp(-self.GAIN_PER_K * min(max(miss, -25.0), 25.0))
            self._lower = min(max(self._lower * factor, 0.15 * self._hold), 1.0)


class OnOff:
    """Two places of the lower vent, changed when the pit leaves +-`hysteresis_c` about the set point."""

    HYSTERESIS_C = 1.5

    def __init__(self, hold: float) -> None:
        self._lighting = Lighting()
        self._high, self._low = min(1.0, 10.0 * hold), 0.2 * hold
        self._on = False

    def tend(self, seen: Seen) -> tuple[float, float]:
        """See Controller."""
        if self._lighting.watch(seen):
            return 1.0, 1.0
        if seen.pit_c > seen.set_point_c + self.HYSTERESIS_C:
            self._on = False
        elif seen.pit_c < seen.set_point_c - self.HYSTERESIS_C:
            self._on = True
        return (self._high if self._on else self._low), UPPER


class Textbook:
    """simple-pid on the position of the lower vent, 0..1, its own anti-windup, every 5 s.

    The reading is filtered (simple-pid has no filter of its own); the integral starts at the place that
    held the nominal kettle.
    """

    SAMPLE_S = 5

    def __init__(self, gains: tuple[float, float, float], hold: float) -> None:
        self._lighting = Lighting()
        self._gains, self._hold = gains, hold
        self._pid: PID | None = None
        self._filtered: float | None = None
        self._lower = hold

    def tend(self, seen: Seen) -> tuple[float, float]:
        """See Controller."""
        if self._filtered is None:
            self._filtered = seen.pit_c
        self._filtered += (seen.pit_c - self._filtered) / (1.0 + FILTER_S)
        if self._lighting.watch(seen):
            return 1.0, 1.0
        if self._pid is None:
            kp, ki, kd = self._gains
            self._pid = PID(
                kp, ki, kd, output_limits=(0.0, 1.0), sample_time=None, starting_output=self._hold
            )
        if seen.second % self.SAMPLE_S == 0:
            self._pid.setpoint = seen.set_point_c
            self._lower = float(self._pid(self._filtered, dt=float(self.SAMPLE_S)) or 0.0)
        return self._lower, UPPER


class Ours:
    """The core, as a rehearsal runs it: told of the fire, of set points, that somebody looks in hourly."""

    def __init__(self, cook: Cook, config: Config) -> None:
        fixed = cook.scenario.fittings.upper_fixed
        split = config.split
        if fixed is not None:
            split = replace(split, upper_fixed=DEFAULT_CURVE.opening(fixed))
        fire = replace(config.fire, charcoal_kg=cook.scenario.charcoal_kg)
        self._config = replace(config, set_point_c=cook.scenario.set_point_c, split=split, fire=fire)
        self._state = initial(self._config)
        self._set_point = cook.scenario.set_point_c

    def tend(self, seen: Seen) -> tuple[float, float]:
        """See Controller."""
        events: tuple[Event, ...] = ()
        if seen.second == 0:
            events = (Light(),)
        elif seen.second % ATTENDS_EVERY_S == 0:
            events = (Acknowledge(),)
        if seen.set_point_c != self._set_point:
            self._set_point = seen.set_point_c
            keep_warm = seen.set_point_c == self._config.keep_warm_c
            events += (Ease() if keep_warm else SetPoint(temp_c=seen.set_point_c),)
        inputs = Inputs(pit=Reading(seen.pit_c), events=events)
        self._state, decision = step(self._state, inputs, float(seen.second))
        return DEFAULT_CURVE.position(decision.lower), DEFAULT_CURVE.position(decision.upper)


def hands(_: Cook) -> Controller:
    """(a) the careful cook."""
    return Hands(identify_nominal().hold)


def on_off(_: Cook) -> Controller:
    """(b) on/off with hysteresis."""
    return OnOff(identify_nominal().hold)


def zn(_: Cook) -> Controller:
    """(c) simple-pid, Ziegler-Nichols gains from the step test."""
    found = identify_nominal()
    return Textbook(zn_step_pid(found.process).parallel, found.hold)


def simc(_: Cook) -> Controller:
    """(d) simple-pid, SIMC gains from the step test."""
    found = identify_nominal()
    return Textbook(simc_pi(found.process).parallel, found.hold)


def ours(config: Config | None = None) -> Factory:
    """The core with `config` (default: Config())."""
    used = Config() if config is None else config
    return lambda cook: Ours(cook, used)


PEERS: dict[str, Factory] = {"hands": hands, "on_off": on_off, "zn": zn, "simc": simc}
CONTROLLERS: dict[str, Factory] = {**PEERS, "ours": ours()}
