"""Random stories: people, probes, vents, clocks and the fire do as they like, and the core lives through it.

A story is a tuple of deeds, plain data drawn from a seed, so that a failing one can be made short. The kettle
is a lump of its own making that has nothing in common with the simulated one.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from coalminder.codec import from_plain, to_plain
from coalminder.core import Config, State, initial, step, under
from coalminder.events import (
    Acknowledge,
    CharcoalAdded,
    Ease,
    Event,
    FoodStep,
    LidNotice,
    Light,
    Reset,
    SetPoint,
    Shelve,
    Snuff,
    Tend,
    WoodAdded,
)
from coalminder.food.foodplan import FoodPlan, PlanStep
from coalminder.safety.faults import BY_CODE, cuts_off
from coalminder.service.latched import with_latched
from coalminder.values import HEALTHY, Decision, Inputs, Machine, ProbeFault, ProbeFaultKind, Reading, Sample

STORY_S = 3600
BROKEN = frozenset(ProbeFaultKind)
FLAGS = (
    "servo_supply_low", "under_voltage", "board_hot", "disk_failed", "journal_corrupt", "settings_changed",
    "vent_driver_failed",
)  # fmt: skip
SHOWN: dict[str, Callable[[float, float, float], float]] = {  # (truth, since s, extent) -> what a probe shows
    "offset": lambda c, s, x: c + x,
    "noise": lambda c, s, x: c + x * math.sin(997.0 * s * s),
    "coarse": lambda c, s, x: round(c),
    "drift": lambda c, s, x: max(c + 0.05 * x * s, -55.0),  # what is colder the driver calls out of range
    "out": lambda c, s, x: 15.0 + (c - 15.0) * math.exp(-s / 30.0),
    "in degrees F": lambda c, s, x: 1.8 * c + 32.0,
    "not a number": lambda c, s, x: math.nan,
    "endless": lambda c, s, x: math.inf,
}


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that happens at `at_s` of the story. what: a method of World."""

    at_s: int
    what: str
    args: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Moment:
    """One step of the core. before: the state it began with; restarted: the daemon has just come back."""

    before: State
    inputs: Inputs
    now_s: float
    dt_s: float
    restarted: bool
    state: State
    decision: Decision


def story(seed: int) -> tuple[Deed, ...]:
    """A cook as usual, and on top of it whatever comes."""
    rng = random.Random(f"story {seed}")
    deeds = [
        Deed(0, "say", (Light("light"),)),
        Deed(1200, "lid", (90, rng.random() < 0.5)),
        Deed(1230, "food", (5.0,)),
        Deed(1240, "say", (FoodStep("loaded", "loaded"),)),
    ]
    deeds += [_deed(rng, rng.randrange(STORY_S)) for _ in range(rng.randrange(3, 15))]
    for at_s in range(500, STORY_S, 500):  # somebody comes, puts things right and goes on
        deeds += [Deed(at_s, "say", (word,)) for word in (Reset("reset"), Light("light"))]
    for at_s in (rng.randrange(STORY_S), rng.randrange(STORY_S)):  # misfortunes come together
        deeds += [_deed(rng, at_s + rng.randrange(40)) for _ in range(rng.randrange(8))]
    at_s = rng.randrange(300, STORY_S)  # what was latched a moment ago is on no disk yet
    deeds += [Deed(at_s, "flag", ("vent_driver_failed", 8)), Deed(at_s + 6, "restart", (2.0, 2))]
    return tuple(sorted(deeds, key=lambda deed: deed.at_s))


def _deed(rng: random.Random, at_s: int) -> Deed:
    pick = rng.choice
    made: dict[str, Callable[[], tuple[Any, ...]]] = {
        "say": lambda: (_word(rng),),
        "probe": lambda: (
            pick(("pit", "pit", "pit", "pit_2", "food", "ambient")),
            pick((*sorted(BROKEN), *SHOWN, "stuck", "late")),
            pick((2, 8, 20, 45, 75, 200, 900)),
            rng.uniform(-60.0, 90.0),
        ),
        "vents": lambda: (pick(("stuck", "reversed", "half")), pick((60, 400, 1500))),
        "lid": lambda: (pick((5, 40, 150, 700)), rng.random() < 0.3),
        "flag": lambda: (pick(FLAGS), pick((1, 4, 8, 60, 300))),
        "steps": lambda: (pick((0.2, 1.7, 3.0, 7.0, 12.0, 40.0, 90.0)), pick((1, 2, 5, 15))),
        "sleep": lambda: (pick((5.0, 70.0, 900.0)),),
        "restart": lambda: (pick((0.0, 2.0, 25.0, 70.0, 1200.0)), rng.randrange(3)),
        "wall_clock": lambda: (pick((-86400.0, -600.0, 4.0, 90.0, 7200.0)),),
        "food": lambda: (pick((-1.0, 4.0, 25.0)),),
        "fire": lambda: (pick((0.0, 0.1, 0.5, 3.0, 10.0)), pick((60, 400, 1500))),
    }
    what = pick((*made, "say", "say", "say", "say", "probe", "probe", "restart"))
    return Deed(at_s, what, made[what]())


def _word(rng: random.Random) -> Event:
    code, on = rng.choice(("", *BY_CODE)), rng.random() < 0.5
    temp_c = rng.choice((-5.0, 55.0, 80.0, 93.0, 105.0, 110.0, 300.0, math.nan))
    for_s = rng.choice((-1.0, 0.0, 60.0, 900.0, 1e9))
    step_name = rng.choice(("loaded", "rotated", "off", "chilled", "eaten"))
    kg = rng.uniform(0.0, 1.0)
    return rng.choice((
        Light("w"), SetPoint("w", temp_c), Tend("w"), Ease("w"), Snuff("w"), Reset("w"), Reset("w"),
        LidNotice("w", on), WoodAdded("w", kg), CharcoalAdded("w", kg, on), Acknowledge("w", code),
        Shelve("w", code, for_s), FoodStep("w", step_name),
    ))  # fmt: skip


def shortest(deeds: tuple[Deed, ...], fails: Callable[[tuple[Deed, ...]], bool]) -> tuple[Deed, ...]:
    """As few of `deeds` as still fail: halves, quarters, ... single ones left out."""
    size = len(deeds)
    while size:
        at = 0
        while at < len(deeds):
            fewer = deeds[:at] + deeds[at + size :]
            at, deeds = (at, fewer) if fails(fewer) else (at + size, deeds)
        size //= 2
    return deeds


@dataclass
class Lump:
    """Coals that follow the draught within minutes, air and walls that follow the coals; wood is `boost`."""

    air_c: float = 12.0
    walls_c: float = 12.0
    probe_c: float = 12.0
    core_c: float = 5.0
    coals: float = 0.15
    boost: float = 1.0

    def live(self, seconds: float, lower: float, upper: float, lid_open: bool) -> None:
        """`seconds` of it, in steps of a second at most."""
        while seconds > 0.0:
            dt_s = min(seconds, 1.0)
            seconds -= dt_s
            draught = 0.3 if lid_open else (0.008 + lower) * (0.3 + 0.7 * min(2.0 * upper, 1.0))
            self.coals += (min(0.4 * (draught / 0.08) ** 0.6, 1.0) - self.coals) * dt_s / 100.0
            heat_w = 2800.0 * self.coals * self.boost
            loss_w = (70.0 if lid_open else 6.0) * (self.air_c - 12.0)
            to_walls_w = 15.0 * (self.air_c - self.walls_c)
            self.air_c += (heat_w - loss_w - to_walls_w) * dt_s / 120.0
            self.walls_c += (to_walls_w - 8.0 * (self.walls_c - 12.0)) * dt_s / 2000.0
            self.probe_c += (self.air_c - self.probe_c) * dt_s / 8.0
            self.core_c += (min(self.air_c, 95.0) - self.core_c) * dt_s / 600.0


@dataclass
class World:
    """The core's surroundings, as a story makes them."""

    deeds: tuple[Deed, ...]
    seed: int = 0
    config: Config = field(init=False)
    state: State = field(init=False)
    kept: list[State] = field(default_factory=list)
    lump: Lump = field(default_factory=Lump)
    now_s: float = 0.0
    noted: tuple[str, ...] = ()
    words: list[Event] = field(default_factory=list)
    wrong: dict[str, tuple[str, float, float, float, list[float]]] = field(default_factory=dict)
    wrong_vents: tuple[str, float] = ("", 0.0)
    lid_until_s: float = -1.0
    boost_until_s: float = math.inf
    flags: dict[str, float] = field(default_factory=dict)
    paces: list[float] = field(default_factory=list)
    jump_s: float = 0.0
    blind_s: float | None = None
    restarted: bool = False
    openings: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        wood = PlanStep("wood", "Wood", "one piece", 1200.0, "loaded", 0.0, "wood")
        steps = (
            wood,
            replace(wood, after_s=1200.0),
            PlanStep("rotate", "Rotate", "swap", 0.0, "loaded", 900.0),
        )
        self.config = Config(
            plan=FoodPlan(thickness_m=0.01, rule="meat-71", steps=steps if self.seed % 2 else ())
        )
        self.state = initial(self.config)
        self.noise = random.Random(f"noise {self.seed}")

    # -- deeds

    def say(self, word: Event) -> None:
        self.words.append(word)

    def probe(self, name: str, kind: str, for_s: float, extent: float) -> None:
        self.wrong[name] = (kind, self.now_s, self.now_s + for_s, extent, [])

    def vents(self, kind: str, for_s: float) -> None:
        self.wrong_vents = (kind, self.now_s + for_s)

    def lid(self, for_s: float, told: bool) -> None:
        self.lid_until_s = self.now_s + for_s
        if told:
            self.words.append(LidNotice("lid", True))

    def food(self, temp_c: float) -> None:
        """Another piece on the grate."""
        self.lump.core_c = temp_c

    def flag(self, name: str, for_s: float) -> None:
        self.flags[name] = self.now_s + for_s

    def steps(self, dt_s: float, count: int) -> None:
        self.paces = [dt_s] * count

    def sleep(self, for_s: float) -> None:
        """The board is suspended."""
        self._pass(for_s)
        self.blind_s = for_s

    def restart(self, after_s: float, lost_steps: int) -> None:
        """The process dies; what it decided last may be on no disk, a latched fault is noted at once."""
        self._pass(after_s)
        kept = self.kept[-1 - lost_steps :][0] if self.kept else self.state
        state = from_plain(State, json.loads(json.dumps(to_plain(kept), allow_nan=False)))
        state = with_latched(state, self.noted, self.now_s)
        self.state = under(state, replace(self.config, plan=state.config.plan))
        self.blind_s, self.restarted = after_s, True

    def wall_clock(self, by_s: float) -> None:
        self.jump_s = by_s

    def fire(self, boost: float, for_s: float) -> None:
        self.lump.boost, self.boost_until_s = boost, self.now_s + for_s

    # -- time

    def moments(self) -> Iterator[Moment]:
        """Step after step until the story ends."""
        waiting, at_s = list(self.deeds), 0.0
        dt_s = 1.0
        while at_s < STORY_S:
            while waiting and waiting[0].at_s <= at_s:
                deed = waiting.pop(0)
                getattr(self, deed.what)(*deed.args)
            before, inputs = self.state, self._inputs(dt_s)
            self.state, decision = step(before, inputs, self.now_s)
            yield Moment(before, inputs, self.now_s, dt_s, self.restarted, self.state, decision)
            self.kept = [*self.kept[-2:], self.state]
            self.noted = tuple(alarm.code for alarm in decision.alarms if cuts_off(alarm.code))
            self.words, self.jump_s, self.blind_s, self.restarted = [], 0.0, None, False
            self._move(decision.lower, decision.upper)
            dt_s = self.paces.pop() if self.paces else 1.0
            self._pass(dt_s)
            at_s += dt_s

    def _pass(self, seconds: float) -> None:
        if self.now_s >= self.boost_until_s:
            self.lump.boost, self.boost_until_s = 1.0, math.inf
        self.lump.live(seconds, *self.openings, self.now_s < self.lid_until_s)
        self.now_s += seconds

    def _move(self, lower: float, upper: float) -> None:
        kind = self.wrong_vents[0] if self.now_s < self.wrong_vents[1] else ""
        if kind == "stuck":
            return
        self.openings = (
            1.0 - lower if kind == "reversed" else lower * 0.5 if kind == "half" else lower,
            upper,
        )

    def _inputs(self, dt_s: float) -> Inputs:
        flags = {name: True for name, until_s in self.flags.items() if self.now_s < until_s}
        machine: Machine = replace(
            HEALTHY, late_s=max(dt_s - 1.0, 0.0), clock_jump_s=self.jump_s, blind_s=self.blind_s or 0.0,
            blind_start=self.blind_s is not None, **flags,
        )  # fmt: skip
        return Inputs(
            pit=self._sample("pit", self.lump.probe_c),
            pit_2=self._sample("pit_2", self.lump.probe_c + 4.0) if self.seed % 3 == 0 else None,
            ambient=self._sample("ambient", 12.0),
            foods=(("food", self._sample("food", self.lump.core_c)),),
            events=tuple(self.words),
            machine=machine,
        )

    def _sample(self, name: str, temp_c: float) -> Sample:
        kind, from_s, until_s, extent, held = self.wrong.get(name, ("", 0.0, 0.0, 0.0, []))
        shown_c = temp_c + self.noise.gauss(0.0, 0.2)
        if not from_s <= self.now_s < until_s:
            return Reading(shown_c)
        if kind in BROKEN:
            return ProbeFault(ProbeFaultKind(kind), "a story's")
        if kind in SHOWN:
            return Reading(SHOWN[kind](shown_c, self.now_s - from_s, extent))
        held[:] = held or [shown_c]
        return Reading(held[0], self.now_s - from_s if kind == "late" else 0.0)
