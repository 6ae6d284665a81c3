"""A servo vent, seen at its pulses. Time is a counter: nothing sleeps."""

from __future__ import annotations

import itertools
import math

import pytest
from fake_pulses import FakePulseOutput
from hypothesis import given
from hypothesis import strategies as st
from linear_curve import LINEAR_CURVE

from coalminder.seams import Vent
from coalminder.settings.calibration import VentCorrection
from coalminder.settings.vents import SimulatedVent
from coalminder.vents.build import build_vent
from coalminder.vents.curve import DEFAULT_CURVE
from coalminder.vents.servo import PulseOutput, ServoVent, Stroke


class Bench:
    """A vent on recorded pulses with a clock that only sleeping moves."""

    def __init__(self, stroke: Stroke | None = None, **kwargs: object) -> None:
        self.now_s = 0.0
        self.pulses = FakePulseOutput(monotonic=lambda: self.now_s)
        kwargs.setdefault("curve", LINEAR_CURVE)
        self.vent = ServoVent(
            "lower",
            self.pulses,
            stroke or Stroke(),
            sleep=self.sleep,
            monotonic=lambda: self.now_s,
            **kwargs,  # type: ignore[arg-type]
        )

    def sleep(self, for_s: float) -> None:
        self.now_s += for_s

    def last_pulse(self) -> float:
        return self.pulses.pulses_us[-1]


def test_it_is_a_vent_and_its_pulses_are_pulses() -> None:
    bench = Bench()
    assert isinstance(bench.vent, Vent)
    assert isinstance(bench.pulses, PulseOutput)


@pytest.mark.parametrize("target", [0.0, 0.03, 1.0])
def test_first_move_is_done_within_a_second_wherever_the_plate_was(target: float) -> None:
    bench = Bench()
    assert bench.vent.opening is None
    bench.vent.move(target)
    assert bench.vent.opening == pytest.approx(target)
    assert bench.now_s < 1.0
    assert bench.pulses.pulses_us == [pytest.approx(1000.0 + 1000.0 * target)]
    begun_s, off_s = bench.pulses.history[0][0], bench.pulses.history[-1][0]
    assert off_s - begun_s >= 0.4 + 0.15  # it may come from the other end of the stroke


def test_power_goes_off_after_arrival_and_comes_back_to_move() -> None:
    bench = Bench()
    bench.vent.move(0.2)
    assert bench.pulses.pulse_us == 0.0
    bench.vent.move(0.4)
    assert bench.last_pulse() == pytest.approx(1400.0)
    assert bench.pulses.pulse_us == 0.0
    arrived = next(at for at, pulse in bench.pulses.history if pulse == pytest.approx(1400.0))
    assert bench.pulses.history[-1][0] - arrived >= 0.15


def test_held_vent_keeps_its_pulses_unless_shut() -> None:
    bench = Bench(hold=True)
    bench.vent.move(0.2)
    assert bench.pulses.pulse_us == pytest.approx(1200.0)
    bench.vent.move(0.0)
    assert bench.pulses.pulse_us == 0.0  # shut needs no power


def test_same_opening_again_stays_silent_until_it_is_time_to_reassert() -> None:
    bench = Bench(reassert_s=300.0)
    bench.vent.move(0.2)
    events = len(bench.pulses.history)
    bench.now_s += 299.0
    bench.vent.move(0.2)
    assert len(bench.pulses.history) == events
    bench.now_s += 2.0
    bench.vent.move(0.2)
    assert bench.pulses.pulse_us == 0.0
    assert len(bench.pulses.history) > events


def test_moves_are_ramped_at_the_rate_of_the_stroke() -> None:
    bench = Bench(stroke_s=0.5)
    bench.vent.move(0.0)
    start_s = bench.now_s
    bench.vent.move(1.0)
    assert bench.now_s - start_s == pytest.approx(0.5 + 0.15)
    steps = [b - a for a, b in itertools.pairwise(bench.pulses.pulses_us)]
    assert max(steps) <= 1000.0 * 0.02 / 0.5 + 1e-6


@pytest.mark.parametrize(("first", "then"), [(0.2, 0.7), (0.7, 0.2), (1.0, 0.0)])
def test_a_ramp_goes_straight_there_in_even_steps(first: float, then: float) -> None:
    bench = Bench(stroke_s=0.5)
    bench.vent.move(first)
    bench.vent.move(then)
    way = [pulse for pulse in bench.pulses.pulses_us if pulse > 0.0]
    steps = [b - a for a, b in itertools.pairwise(way)]
    assert steps == pytest.approx([1000.0 * (then - first) / len(steps)] * len(steps), abs=0.01)
    assert abs(steps[0]) <= 1.05 * 1000.0 * 0.02 / 0.5


def test_a_position_that_is_no_number_moves_nothing() -> None:
    bench = Bench()
    with pytest.raises(ValueError, match="number"):
        bench.vent.move_to_position(math.nan)
    assert bench.pulses.pulses_us == []


@pytest.mark.parametrize("calibrated", [False, True])
def test_a_vent_is_built_as_its_block_and_its_calibration_say(calibrated: bool) -> None:
    written, measured = ((0.0, 0.0), (0.5, 0.3), (1.0, 1.0)), ((0.0, 0.0), (0.5, 0.7), (1.0, 1.0))
    block = SimulatedVent(
        driver="simulated", pulse_min_us=700.0, pulse_max_us=2300.0, reversed=True, stop_shut=0.1,
        stop_open=0.8, curve=written, safe_opening=0.02, hold=True,
    )  # fmt: skip
    found = VentCorrection(stop_shut=0.2, stop_open=0.9, curve=measured) if calibrated else None
    vent = build_vent("lower", block, found)
    assert vent.curve.position(0.3 if not calibrated else 0.7) == pytest.approx(0.5)
    assert vent.stroke == Stroke(700.0, 2300.0, True, *((0.2, 0.9) if calibrated else (0.1, 0.8)))
    assert vent.safe_opening == 0.02
    assert build_vent("lower", SimulatedVent(driver="simulated")).curve == DEFAULT_CURVE


@pytest.mark.parametrize(
    ("stroke", "shut_us", "open_us"),
    [
        (Stroke(), 1000.0, 2000.0),
        (Stroke(reversed=True), 2000.0, 1000.0),
        (Stroke(500.0, 2500.0, stop_shut=0.1, stop_open=0.6), 700.0, 1700.0),
        (Stroke(500.0, 2500.0, reversed=True, stop_shut=0.1, stop_open=0.6), 2300.0, 1300.0),
    ],
    ids=["plain", "reversed", "stops", "reversed with stops"],
)
def test_ends_of_the_plate_are_where_the_stroke_says(stroke: Stroke, shut_us: float, open_us: float) -> None:
    bench = Bench(stroke)
    bench.vent.move(0.0)
    assert bench.last_pulse() == pytest.approx(shut_us)
    bench.vent.move(1.0)
    assert bench.last_pulse() == pytest.approx(open_us)


@given(
    st.lists(st.floats(-1.0, 2.0), min_size=1, max_size=6),
    st.booleans(),
    st.floats(0.0, 0.3),
    st.floats(0.7, 1.0),
    st.floats(0.0, 0.1),
)
def test_no_pulse_ever_leaves_the_stops(
    openings: list[float], backwards: bool, stop_shut: float, stop_open: float, backlash: float
) -> None:
    stroke = Stroke(900.0, 2100.0, backwards, stop_shut, stop_open)
    bench = Bench(stroke, backlash=backlash, curve=DEFAULT_CURVE)
    for opening in openings:
        bench.vent.move(opening)
    low, high = sorted((stroke.pulse_us(0.0), stroke.pulse_us(1.0)))
    assert all(low - 1e-6 <= pulse <= high + 1e-6 for pulse in bench.pulses.pulses_us)
    assert 900.0 <= low < high <= 2100.0


def test_with_backlash_a_position_is_always_reached_from_the_shut_side() -> None:
    bench = Bench(backlash=0.05)
    bench.vent.move(0.8)
    bench.vent.move(0.3)
    *_, before_last, last = bench.pulses.pulses_us
    assert last == pytest.approx(1300.0)
    assert before_last < last
    assert min(bench.pulses.pulses_us) == pytest.approx(1250.0)


def test_opening_goes_through_the_flow_curve() -> None:
    bench = Bench(curve=DEFAULT_CURVE)
    bench.vent.move(0.0374)
    assert bench.last_pulse() == pytest.approx(1100.0, abs=0.1)
    assert bench.vent.position == pytest.approx(0.1, abs=1e-4)


def test_failed_driver_raises_and_the_next_move_knows_nothing() -> None:
    bench = Bench()
    bench.vent.move(0.5)
    bench.pulses.fail_with = OSError("bus gone")
    with pytest.raises(OSError, match="bus gone"):
        bench.vent.move(0.6)
    assert bench.vent.opening is None
    bench.pulses.fail_with = None
    before = len(bench.pulses.pulses_us)
    bench.vent.move(0.5)
    assert bench.pulses.pulses_us[before:] == [pytest.approx(1500.0)]


def test_make_safe_goes_to_the_safe_opening() -> None:
    bench = Bench(safe_opening=0.0)
    bench.vent.move(0.7)
    bench.vent.make_safe()
    assert bench.vent.opening == 0.0
    assert bench.last_pulse() == pytest.approx(1000.0)


def test_nan_moves_nothing() -> None:
    bench = Bench()
    with pytest.raises(ValueError, match="number"):
        bench.vent.move(math.nan)
    assert not bench.pulses.history


def test_close_stops_the_pulses() -> None:
    bench = Bench(hold=True)
    bench.vent.move(1.0)
    bench.vent.close()
    assert bench.pulses.closed
    assert bench.pulses.pulse_us == 0.0


@pytest.mark.parametrize(
    "wrong",
    [
        {"pulse_min_us": 0.0},
        {"pulse_min_us": 2000.0, "pulse_max_us": 1000.0},
        {"stop_shut": 0.5, "stop_open": 0.5},
        {"stop_open": 1.1},
    ],
    ids=str,
)
def test_impossible_stroke_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must"):
        Stroke(**wrong)  # type: ignore[arg-type]


def test_a_move_that_fails_half_way_leaves_no_pulses_on() -> None:
    """A servo that is driven against nothing it can reach stalls, and heats its wires."""
    bench = Bench()
    bench.vent.move(0.2)

    def refuse(pulse_us: float) -> None:
        FakePulseOutput.set_pulse_us(bench.pulses, pulse_us)
        raise OSError("no answer")

    bench.pulses.set_pulse_us = refuse  # type: ignore[method-assign]
    with pytest.raises(OSError, match="no answer"):
        bench.vent.move(0.8)
    assert bench.pulses.pulse_us == 0.0
    assert bench.vent.position is None
