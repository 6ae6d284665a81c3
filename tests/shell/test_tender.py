"""The loop of the service: what it does in which order, and when it feeds the watchdog."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest
from tended_world import World

from coalminder.core import Config, State, initial, step
from coalminder.safety.limits import Limits
from coalminder.service.tender import Tender
from coalminder.values import HEALTHY, Decision, Inputs, Machine, Phase

STEPS = 200


class NotingWorld(World):
    """A notifier too; it notes what it is asked for."""

    def __init__(self, fails_at: int | None = None) -> None:
        super().__init__()
        self.steps, self.fails_at = 0, fails_at
        self.done: list[str] = []
        self.fed_s: list[float] = []
        self.tender = Tender(
            initial(Config()), self, self, recorder=self, messenger=self, watch=self.watch,
            notifier=self,  # type: ignore[arg-type]
        )  # fmt: skip

    async def read(self, now_s: float) -> Inputs:
        self.done.append("read")
        return await super().read(now_s)

    async def move(self, lower: float, upper: float) -> None:
        self.done.append("move")

    async def make_safe(self) -> None:
        self.done.append("safe")

    def watch(self, *_: float) -> Machine:
        self.steps += 1
        if self.steps == self.fails_at:
            raise RuntimeError("a defect")
        if self.steps == STEPS:
            self.tender.stop()
        return HEALTHY

    def record(self, *_: Any) -> None:
        self.done.append("record")

    def offer(self, *_: Any) -> None:
        self.done.append("offer")

    def answer(self, *_: Any) -> None:
        self.done.append("answer")

    def tell(self, *words: str) -> None:
        if "WATCHDOG=1" in words:
            self.fed_s.append(self.time_s - 100.0)


@pytest.mark.parametrize("fails_at", [None, 3])
async def test_vents_are_safe_before_the_first_step_and_after_the_last_whatever_ends_it(
    fails_at: int | None,
) -> None:
    world = NotingWorld(fails_at)
    with suppress(RuntimeError):
        assert await world.tender.run()
        assert fails_at is None
    whole = ["read", "move", "record", "offer", "answer"]
    begun = [] if fails_at is None else ["read"]
    assert world.done == ["safe", *whole * (world.steps - len(begun)), *begun, "safe"]
    assert world.steps == (fails_at or STEPS)
    assert world.time_s == 100.0 + (STEPS if fails_at is None else fails_at - 1), "one step a second"


@pytest.mark.parametrize(
    ("probe_ok", "phase", "for_ever"),
    [(True, Phase.TENDING, True), (False, Phase.SNUFFING, True), (False, Phase.TENDING, False)],
    ids=["a reading", "vents shut", "blind over a fire"],
)
async def test_a_cut_off_that_does_not_cut_off_starves_the_watchdog(
    probe_ok: bool, phase: Phase, for_ever: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """docs/safety.md: the last line outside the process. A lost probe shuts the vents within a minute; open
    ones so long after that the fault table must have done its work mean that it does not work.
    """

    def dead(state: State, inputs: Inputs, now_s: float) -> tuple[State, Decision]:
        state, decision = step(state, inputs, now_s)
        good = probe_ok or now_s < 110.0
        return state, replace(decision, probe_ok=good, phase=phase)

    monkeypatch.setattr("coalminder.service.tender.step", dead)
    world = NotingWorld()
    await world.tender.run()
    if for_ever:
        assert len(world.fed_s) == STEPS
    else:
        assert 9.0 + 60.0 < world.fed_s[-1] < 9.0 + 60.0 + Limits().stale_s + 30.0
        assert len(world.fed_s) == world.fed_s[-1] + 1, "every second till then"
