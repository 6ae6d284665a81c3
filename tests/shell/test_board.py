"""The real board's side of the service: threads that move vents, and a stop that nothing can hold up."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator

import pytest
from fake_pulses import FakePulseOutput

from coalminder.probes.reader import ProbeReader
from coalminder.service import board as board_module
from coalminder.service.board import BoardHardware
from coalminder.settings.vents import SimulatedVent
from coalminder.vents.build import build_vent
from coalminder.vents.servo import ServoVent


class HungPulses(FakePulseOutput):
    """A driver that does not come back until it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.asked = threading.Event()
        self.let_go = threading.Event()

    def set_pulse_us(self, pulse_us: float) -> None:
        self.asked.set()
        self.let_go.wait(30.0)


class ClosingFails(FakePulseOutput):
    """A driver that does what it should but cannot be given back."""

    def close(self) -> None:
        raise OSError(5, "Input/output error")


def servo(name: str, pulses: FakePulseOutput) -> ServoVent:
    return ServoVent(name, pulses, stroke_s=0.02, settle_s=0.0)


@pytest.fixture
def hung() -> Iterator[HungPulses]:
    pulses = HungPulses()
    yield pulses
    pulses.let_go.set()


async def test_a_driver_that_hangs_holds_up_no_stop_and_the_other_vent_is_given_back(
    hung: HungPulses,
) -> None:
    """Systemd kills what has not stopped in 15 s; then the next start counts as one after a crash."""
    other = FakePulseOutput()
    board = BoardHardware(ProbeReader({}), {"lower": servo("lower", hung), "upper": servo("upper", other)})
    await board.move(0.5, 0.5)
    assert hung.asked.wait(5.0)
    begun_s = time.monotonic()
    await board.close()
    assert time.monotonic() - begun_s < 5.0
    assert other.closed


async def test_a_vent_that_hangs_while_it_is_shut_did_not_obey(
    hung: HungPulses, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stop says that the vents are shut, or that a person must do it."""
    monkeypatch.setattr(board_module, "_SAFE_DEADLINE_S", 0.3)
    other = FakePulseOutput()
    board = BoardHardware(ProbeReader({}), {"lower": servo("lower", hung), "upper": servo("upper", other)})
    await board.make_safe()
    assert board.vents_failed
    hung.let_go.set()  # it comes back after all
    await board.make_safe()
    assert not board.vents_failed
    await board.close()


async def test_the_slowest_servo_that_was_just_opened_is_shut_before_the_board_is_given_back() -> None:
    block = SimulatedVent(driver="simulated", stroke_s=1.4, settle_s=0.8)
    vent = build_vent("lower", block)
    board = BoardHardware(ProbeReader({}), {"lower": vent})
    await board.move(1.0, 1.0)
    await asyncio.sleep(0.1)  # on its way
    await board.make_safe()
    assert vent.position == 0.0
    assert not board.vents_failed
    await board.close()


async def test_a_vent_that_cannot_be_given_back_keeps_no_other() -> None:
    other = FakePulseOutput()
    board = BoardHardware(
        ProbeReader({}), {"lower": servo("lower", ClosingFails()), "upper": servo("upper", other)}
    )
    await board.make_safe()
    await board.close()
    assert other.closed
    assert other.pulses_us  # it was moved before
