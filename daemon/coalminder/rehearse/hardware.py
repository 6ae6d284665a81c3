"""A simulated grill behind the service's hardware port. Time comes from the steps, so any speed will do."""

from __future__ import annotations

from collections.abc import Sequence

from coalminder.grill.scenario import Disturbance, apply, lid_open
from coalminder.rehearse.fast import sample_of
from coalminder.seams import Grill
from coalminder.values import Inputs
from coalminder.vents.curve import DEFAULT_CURVE


class SimulatedHardware:
    """Advances `grill` by whole seconds up to the time of each read.

    `lower`, `upper`: servo positions in force; `lid_open`: the lid in the last second.
    """

    def __init__(self, grill: Grill, script: Sequence[Disturbance] = ()) -> None:
        self.grill, self.script = grill, script
        self.lower = self.upper = 0.0
        self.lid_open = False
        self.vents_failed = False
        self.supply_low = False
        self._reached_s: float | None = None

    async def read(self, now_s: float) -> Inputs:
        """Let the grill live up to `now_s`, then read it."""
        self._advance(now_s)
        return Inputs(pit=sample_of(self.grill.pit_c()), foods=(("food", sample_of(self.grill.core_c())),))

    async def move(self, lower: float, upper: float) -> None:
        """Openings become servo positions through the usual flow curve."""
        self.lower, self.upper = DEFAULT_CURVE.position(lower), DEFAULT_CURVE.position(upper)

    async def make_safe(self) -> None:
        """Shut both vents."""
        await self.move(0.0, 0.0)

    async def close(self) -> None:
        """Nothing to give back."""

    def _advance(self, now_s: float) -> None:
        if self._reached_s is None:
            self._reached_s = now_s
        while now_s - self._reached_s >= 0.5:
            at_s, span_s = self._reached_s, min(1.0, now_s - self._reached_s)
            apply(self.grill, self.script, at_s, at_s + span_s)
            self.lid_open = lid_open(self.script, at_s)
            self.grill.advance(span_s, self.lower, self.upper, self.lid_open)
            self._reached_s = at_s + span_s
