"""What a tender needs around it, in one and in memory: clock, hardware, recorder and messenger."""

from __future__ import annotations

from typing import Any

from coalminder.values import Inputs, Reading


class World:
    """Takes all that it is given and asks for nothing; time passes only where something takes it."""

    speed = 1.0
    vents_failed = supply_low = False

    def __init__(self) -> None:
        self.time_s = 100.0

    def now_s(self) -> float:
        return self.time_s

    def utc_s(self) -> float:
        return 1_776_000_000.0 + self.time_s

    async def sleep_until(self, due_s: float) -> None:
        self.time_s = max(self.time_s, due_s)

    async def read(self, now_s: float) -> Inputs:
        return Inputs(pit=Reading(20.0 + now_s % 3))

    async def move(self, lower: float, upper: float) -> None: ...

    async def make_safe(self) -> None: ...

    async def close(self) -> None: ...

    def record(self, *_: Any) -> None: ...

    def offer(self, *_: Any) -> None: ...

    def answer(self, *_: Any) -> None: ...

    def take_events(self) -> tuple[()]:
        return ()
