"""A simulated kettle tended by the real core, with every wire between them in reach.

One `step` is one second. Nothing here knows how a fault is told: it only breaks things.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from coalminder.codec import from_plain, to_plain
from coalminder.core import Config, State, initial, step
from coalminder.events import Event
from coalminder.grill.equations import STATES
from coalminder.grill.kettle import Kettle
from coalminder.grill.parameters import KettleParameters
from coalminder.grill.weather import Weather
from coalminder.values import HEALTHY, Decision, Inputs, Machine, Reading, Sample
from coalminder.vents.curve import DEFAULT_CURVE

Spoiler = Callable[[Sample], Sample]
_GAS_J_PER_K = 240.0  # heat capacity of the chamber's gas, about


def as_it_is(sample: Sample) -> Sample:
    """What the probe shows: nothing is wrong with it."""
    return sample


@dataclass
class Rig:
    """What can be broken.

    second, lid_switch: there is a second pit probe, a lid switch. stuck: the vents do not follow.
    heat_w: heat from something that no vent rules (fat). events: asked for in the next step.
    """

    kettle: Kettle
    state: State
    now_s: float = 0.0
    machine: Machine = HEALTHY
    pit: Spoiler = as_it_is
    pit_2: Spoiler = as_it_is
    food: Spoiler = as_it_is
    second: bool = False
    stuck: bool = False
    lid_open: bool = False
    lid_switch: bool = False
    heat_w: float = 0.0
    events: list[Event] = field(default_factory=list)
    lower_position: float = 0.0
    upper_position: float = 0.0
    shown_c: float = 0.0
    decision: Decision | None = None

    @classmethod
    def new(cls, kettle: Kettle, config: Config | None = None) -> Rig:
        """A rig with a fresh core."""
        return cls(kettle, initial(config if config is not None else Config()))

    def step(self) -> Decision:
        """Read, decide, move, and let one second pass."""
        self.shown_c = self.kettle.pit_c()
        inputs = Inputs(
            pit=self.pit(Reading(self.shown_c)),
            pit_2=self.pit_2(Reading(self.kettle.pit_2_c())) if self.second else None,
            foods=(("food", self.food(Reading(self.kettle.core_c()))),),
            lid_open=self.lid_open if self.lid_switch else None,
            events=tuple(self.events),
            machine=self.machine,
        )
        self.events.clear()
        self.state, self.decision = step(self.state, inputs, self.now_s)
        if not self.stuck:
            self.lower_position = DEFAULT_CURVE.position(self.decision.lower)
            self.upper_position = DEFAULT_CURVE.position(self.decision.upper)
        self.live(1.0)
        return self.decision

    def live(self, seconds: float) -> None:
        """Let time pass for the kettle alone: nobody tends it."""
        if self.heat_w > 0.0:
            self._put(gas_k=self._of("gas_k") + self.heat_w * seconds / _GAS_J_PER_K)
        self.kettle.advance(seconds, self.lower_position, self.upper_position, self.lid_open)
        self.now_s += seconds

    def flag(self, **trouble: object) -> None:
        """Say what is wrong with the machine from now on."""
        self.machine = replace(HEALTHY, **trouble)  # type: ignore[arg-type]

    def crash(self, blind_s: float) -> None:
        """The daemon dies; `blind_s` later it is back with what its journal kept. The vents stay."""
        kept = json.dumps(to_plain(self.state))
        self.live(blind_s)
        self.state = from_plain(State, json.loads(kept))
        self.flag(blind_start=True, blind_s=blind_s)

    def rebuild(self, **parameters: float) -> None:
        """Change the kettle itself: a leak, a plugged vent."""
        self._replace_kettle(replace(KettleParameters(), **parameters), self.kettle.weather)

    def weather(self, wind_m_per_s: float, ambient_c: float, rain_mm_per_h: float) -> None:
        """Change the sky."""
        sky = replace(
            self.kettle.weather, wind_m_per_s=wind_m_per_s, ambient_c=ambient_c, rain_mm_per_h=rain_mm_per_h
        )
        self._replace_kettle(self.kettle.parameters, sky)

    def _replace_kettle(self, parameters: KettleParameters, weather: Weather) -> None:
        new = Kettle(parameters, self.kettle.fittings, weather)
        new.restore(self.kettle.state)
        self.kettle = new

    def burn_out(self, left_kg: float) -> None:
        """Take the charcoal away down to `left_kg`, as when it is used up."""
        share = left_kg / max(self._of("lit_kg") + self._of("unlit_kg"), 1e-9)
        if share < 1.0:
            coals = {name: self._of(name) * share for name in ("lit_kg", "unlit_kg")}
            heats = {name: self._of(name) * max(share, 0.2) for name in ("lit_j", "unlit_j")}
            self._put(**coals, **heats)

    def _of(self, name: str) -> float:
        """A quantity of grill.equations.STATES as it is now."""
        return self.kettle.state.y[STATES.index(name)]

    def _put(self, **changed: float) -> None:
        whole = self.kettle.state
        now = zip(STATES, whole.y, strict=True)
        self.kettle.restore(replace(whole, y=tuple(changed.get(name, value) for name, value in now)))
