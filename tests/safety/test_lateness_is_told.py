"""Lost time reaches the cut-offs wherever in the loop it was lost."""

from __future__ import annotations

import pytest
from tended_world import World

from coalminder.core import Config, initial
from coalminder.service.notify import Notifier
from coalminder.service.tender import Tender
from coalminder.values import Inputs, Machine


class StallingWorld(World):
    """stall_in: the part that takes `stall_s` at the fifth step: "read", "move" or "sleep"."""

    def __init__(self, stall_in: str, stall_s: float) -> None:
        super().__init__()
        self.stall_in, self.stall_s = stall_in, stall_s
        self.late: list[float] = []
        self.tender: Tender | None = None

    async def sleep_until(self, due_s: float) -> None:
        await super().sleep_until(due_s)
        self._take("sleep")

    async def read(self, now_s: float) -> Inputs:
        self._take("read")
        return await super().read(now_s)

    async def move(self, lower: float, upper: float) -> None:
        self._take("move")

    def _take(self, part: str) -> None:
        if part == self.stall_in and len(self.late) == 5:
            self.time_s += self.stall_s
            self.stall_in = ""

    def watch(self, now_s: float, utc_s: float, late_s: float) -> Machine:
        self.late.append(late_s)
        if len(self.late) >= 12 and self.tender is not None:
            self.tender.stop()
        return Machine(late_s=late_s)


async def lateness(stall_in: str, stall_s: float) -> list[float]:
    world = StallingWorld(stall_in, stall_s)
    world.tender = Tender(
        initial(Config()),
        world,
        world,
        recorder=world,
        messenger=world,
        watch=world.watch,
        notifier=Notifier(),
    )
    await world.tender.run()
    return world.late


@pytest.mark.parametrize("stall_in", ["read", "move", "sleep"])
@pytest.mark.parametrize("stall_s", [3.0, 9.0, 60.0])
async def test_lost_time_is_told_once_wherever_it_was_lost(stall_in: str, stall_s: float) -> None:
    late = await lateness(stall_in, stall_s)
    assert max(late) == pytest.approx(stall_s, abs=1.0)
    assert sum(value > 5.0 for value in late) == (1 if stall_s > 5.0 else 0)


async def test_a_loop_in_time_is_not_late() -> None:
    assert max(await lateness("", 0.0)) == 0.0
