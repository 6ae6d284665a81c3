"""A board that slept: CLOCK_MONOTONIC stands still meanwhile, CLOCK_BOOTTIME does not (clock_gettime(2))."""

from __future__ import annotations

import time
from typing import Any

import pytest

from coalminder.core import Config, initial
from coalminder.journal.values import Health
from coalminder.service.clock import RealClock
from coalminder.service.machine import MachineWatch
from coalminder.service.notify import Notifier
from coalminder.service.tender import Tender
from coalminder.values import Decision, Inputs, Reading

SLEPT_S = 7200.0


class Board:
    """Hardware, recorder and messenger of a board that is suspended for two hours in its third step."""

    vents_failed = supply_low = False

    def __init__(self) -> None:
        self.slept_s = 0.0
        self.decisions: list[Decision] = []
        self.tender: Tender | None = None

    async def read(self, now_s: float) -> Inputs:
        return Inputs(pit=Reading(93.0 + len(self.decisions) % 2))

    async def move(self, lower: float, upper: float) -> None:
        if len(self.decisions) == 2:
            self.slept_s = SLEPT_S

    async def make_safe(self) -> None:
        pass

    async def close(self) -> None:
        pass

    def record(self, *_: Any) -> None:
        pass

    def offer(self, decision: Decision, *_: Any) -> None:
        self.decisions.append(decision)
        if len(self.decisions) == 5 and self.tender is not None:
            self.tender.stop()

    def answer(self, *_: Any) -> None:
        pass

    def take_events(self) -> tuple[()]:
        return ()


async def test_two_hours_of_sleep_are_told_as_time_without_control(monkeypatch: pytest.MonkeyPatch) -> None:
    """They passed for a wall clock that was moved: a mere note, and the food's clocks stood still."""
    board = Board()
    gettime, wall = time.clock_gettime, time.time

    def slept(clock: int) -> float:
        return gettime(clock) + (board.slept_s if clock == time.CLOCK_BOOTTIME else 0.0)

    monkeypatch.setattr(time, "clock_gettime", slept)
    monkeypatch.setattr(time, "time", lambda: wall() + board.slept_s)
    watch = MachineWatch(journal_health=Health, broker_lost_s=lambda _now_s: 0.0)
    clock = RealClock()
    board.tender = Tender(
        initial(Config()), board, clock, recorder=board, messenger=board, watch=watch, notifier=Notifier(""),
        period_s=0.05,
    )  # fmt: skip
    begun_s = clock.now_s()
    await board.tender.run()
    assert clock.now_s() - begun_s > SLEPT_S
    alarms = {alarm.code: alarm for alarm in board.decisions[-1].alarms}
    assert "clock_jumped" not in alarms
    assert "7200 s" in alarms["loop_late"].message
