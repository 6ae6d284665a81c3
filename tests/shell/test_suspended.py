"""Time that nobody saw: a board that slept (CLOCK_MONOTONIC stands still meanwhile, CLOCK_BOOTTIME does not,
clock_gettime(2)), and a power cut of a board whose clock stood still, too, until the network put it right.
"""

from __future__ import annotations

import time
from functools import partial
from typing import Any

import pytest
from tended_world import World

from coalminder.core import Config, initial
from coalminder.journal.values import Health
from coalminder.service.clock import RealClock
from coalminder.service.machine import MachineWatch
from coalminder.service.notify import Notifier
from coalminder.service.tender import Tender
from coalminder.service.unseen import Unseen
from coalminder.values import Decision, Inputs, Machine, Reading

SLEPT_S = 7200.0


class Board(World):
    """Hardware, recorder and messenger of a board that is suspended for two hours in its third step."""

    def __init__(self) -> None:
        super().__init__()
        self.slept_s = 0.0
        self.decisions: list[Decision] = []
        self.machines: list[Machine] = []
        self.tender: Tender | None = None

    async def read(self, now_s: float) -> Inputs:
        return Inputs(pit=Reading(93.0 + len(self.decisions) % 2))

    async def move(self, lower: float, upper: float) -> None:
        if len(self.decisions) == 2:
            self.slept_s = SLEPT_S

    def record(self, _now_s: float, _utc_s: float, inputs: Inputs, *_: Any) -> None:
        self.machines.append(inputs.machine)

    def offer(self, decision: Decision, *_: Any) -> None:
        self.decisions.append(decision)
        if len(self.decisions) == 5 and self.tender is not None:
            self.tender.stop()


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


@pytest.mark.parametrize("behind_s", [0.0, 1800.0])
async def test_a_power_cut_counts_once_the_clock_is_put_right(
    behind_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board starts `behind_s` before its last step, by its own clock, and two hours after it in truth."""
    board = Board()
    wall = time.time
    last_utc_s = wall() + behind_s
    monkeypatch.setattr(time, "time", lambda: wall() + (behind_s + SLEPT_S if board.slept_s else 0.0))
    watch = MachineWatch(journal_health=Health, broker_lost_s=lambda _now_s: 0.0, resumed=True)
    clock = RealClock()
    board.tender = Tender(
        initial(Config()), board, clock, recorder=board, messenger=board, watch=watch, notifier=Notifier(""),
        period_s=0.05, unseen=partial(Unseen(clock, last_utc_s, 0.0).pass_s, 6 * 3600.0),
    )  # fmt: skip
    begun_s = clock.now_s()
    await board.tender.run()
    assert clock.now_s() - begun_s == pytest.approx(SLEPT_S, abs=5.0)
    alarms = {alarm.code: alarm for alarm in board.decisions[-1].alarms}
    assert "7200 s" in alarms["was_blind"].message
    blind = [machine for machine in board.machines if machine.blind_s > 7000.0]
    assert [machine.blind_start for machine in blind] == [True]  # what was trended before proves nothing
    assert not {"loop_late", "loop_cannot_keep_up"} & set(alarms)
    assert ("clock_jumped" in alarms) == (behind_s > 0.0)  # the plan's times go with the rest


async def test_a_cut_longer_than_a_cook_is_gone_on_with_lets_no_time_pass(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock, wall = RealClock(), time.time
    unseen = Unseen(clock, wall(), 0.0)
    monkeypatch.setattr(time, "time", lambda: wall() + 7 * 3600.0)
    assert unseen.pass_s(6 * 3600.0) == 0.0
