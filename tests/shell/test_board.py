"""The real board's side of the service: threads that move vents, and a stop that nothing can hold up."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from coalminder.probes.reader import ProbeReader
from coalminder.service.board import BoardHardware
from coalminder.vents.fake import FakePulseOutput
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


async def test_a_vent_that_cannot_be_given_back_keeps_no_other() -> None:
    other = FakePulseOutput()
    board = BoardHardware(
        ProbeReader({}), {"lower": servo("lower", ClosingFails()), "upper": servo("upper", other)}
    )
    await board.make_safe()
    await board.close()
    assert other.closed
    assert other.pulses_us  # it was moved before
