"""Small helpers to drive the core by hand: a pit that does what the test says."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from coalminder.core import Config, State, initial, step
from coalminder.events import Event, Light, Snuff
from coalminder.values import Decision, Inputs, Phase, Reading, Sample


@dataclass
class Bench:
    """Steps the core once a second; keeps every decision."""

    config: Config = field(default_factory=Config)
    state: State = field(init=False)
    decisions: list[Decision] = field(default_factory=list)
    now_s: float = 0.0

    def __post_init__(self) -> None:
        self.state = initial(self.config)

    def step(self, pit: float | Sample, *events: Event, dt_s: float = 1.0, **more: Any) -> Decision:
        """One step `dt_s` after the last."""
        sample = Reading(pit) if isinstance(pit, int | float) else pit
        self.state, decision = step(self.state, Inputs(pit=sample, events=events, **more), self.now_s)
        self.now_s += dt_s
        self.decisions.append(decision)
        return decision

    def run(self, pit: Callable[[float], float] | float, seconds: int, **more: Any) -> Decision:
        """`seconds` steps; `pit` is a number or a function of seconds from now."""
        decision = None
        for second in range(seconds):
            temp_c = pit(float(second)) if callable(pit) else pit
            # a hair of wobble: no real probe is as still as a constant
            decision = self.step(temp_c + 0.01 * ((second % 7) - 3), **more)
        assert decision is not None
        return decision

    def tending(self, pit_c: float = 93.0, phase: Phase = Phase.TENDING) -> Decision:
        """From cold to tending at `pit_c`; far from the set point it stays settling, and `phase` says so."""
        self.step(20.0, Light())
        self.run(lambda t: min(20.0 + 0.25 * t, pit_c), 600)
        decision = self.run(pit_c, 400)
        assert decision.phase is phase
        return decision

    def burnt_out(self) -> Decision:
        """From a fire at 93 °C, snuffed, to a cold grill."""
        self.step(93.0, Snuff())
        return self.run(lambda t: max(93.0 - 0.05 * t, 25.0), 2200)


def without(config: Config, **parts: Any) -> Config:
    """The config with parts replaced."""
    return replace(config, **parts)


def openings(decisions: Iterable[Decision]) -> list[float]:
    """Lower openings of the decisions."""
    return [decision.lower for decision in decisions]
