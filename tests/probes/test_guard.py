"""Second thoughts about a reading."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coalminder.probes import max6675, type_k
from coalminder.probes.guard import GuardLimits, GuardState, guard
from coalminder.probes.max31855 import UV_PER_C, Frame, linearise
from coalminder.probes.thermistor import from_beta
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

LIMITS = GuardLimits(max_rate_c_per_s=15.0, stuck_s=1800.0, stuck_above_c=40.0, max_age_s=5.0)


def run(samples: list[tuple[float, Sample]], limits: GuardLimits = LIMITS) -> list[Sample]:
    state, out = GuardState(limits), []
    for now_s, sample in samples:
        state, judged = guard(state, sample, now_s)
        out.append(judged)
    return out


def kinds(samples: list[Sample]) -> list[ProbeFaultKind | None]:
    return [sample.kind if isinstance(sample, ProbeFault) else None for sample in samples]


def test_ordinary_readings_pass_unchanged() -> None:
    given_samples: list[tuple[float, Sample]] = [(float(at), Reading(90.0 + at % 3)) for at in range(20)]
    assert run(given_samples) == [sample for _, sample in given_samples]


def test_fault_passes_unchanged() -> None:
    fault = ProbeFault(ProbeFaultKind.OPEN, "no thermocouple")
    assert run([(0.0, fault)]) == [fault]


@pytest.mark.parametrize("temp_c", [-40.1, 450.1, math.nan, math.inf, -math.inf])
def test_out_of_reach_is_a_fault(temp_c: float) -> None:
    assert kinds(run([(0.0, Reading(temp_c))])) == [ProbeFaultKind.OUT_OF_RANGE]


@pytest.mark.parametrize("temp_c", [-40.0, 450.0])
def test_edge_of_reach_is_a_reading(temp_c: float) -> None:
    assert kinds(run([(0.0, Reading(temp_c))])) == [None]


def test_a_thermistor_too_cold_to_be_true_is_not_only_taken_for_a_thermocouple() -> None:
    """1 MΩ of corrosion in series with 10 kΩ shows -52 °C (the beta equation)."""
    shown_c = from_beta(3950.0, 10_000.0).temp_c(1e6 + 700.0)
    sample = guard(GuardState(), Reading(shown_c), 0.0)[1]
    assert isinstance(sample, ProbeFault)
    assert "thermistor's plug" in sample.detail


def test_a_thermocouple_wired_backwards_is_told_as_that() -> None:
    """Swapped wires turn the sign of the emf: the reading falls as the grill warms (Seebeck effect)."""
    emf_mv = -(type_k.emf_mv(95.0) - type_k.emf_mv(25.0))
    shown = linearise(Frame(25.0 + emf_mv * 1000.0 / UV_PER_C, 25.0))
    for sample in (guard(GuardState(), shown, 0.0)[1], max6675.sample(0)):
        assert isinstance(sample, ProbeFault)
        assert sample.kind is ProbeFaultKind.OUT_OF_RANGE
        assert "two wires swapped" in sample.detail


@pytest.mark.parametrize(
    ("age_s", "fault"), [(5.0, None), (5.1, ProbeFaultKind.STALE), (-0.1, ProbeFaultKind.STALE)]
)
def test_old_reading_is_a_fault(age_s: float, fault: ProbeFaultKind | None) -> None:
    assert kinds(run([(0.0, Reading(93.0, age_s))])) == [fault]


def test_spike_costs_one_sample() -> None:
    out = kinds(run([(0.0, Reading(93.0)), (1.0, Reading(300.0)), (2.0, Reading(93.5))]))
    assert out == [None, ProbeFaultKind.IMPLAUSIBLE_RATE, None]


def test_real_jump_is_believed_once_there_was_time_for_it() -> None:
    samples: list[tuple[float, Sample]] = [(0.0, Reading(93.0))]
    samples += [(float(at), Reading(193.0)) for at in range(1, 12)]
    out = kinds(run(samples))
    believed_at_s = out.index(None, 1)
    assert believed_at_s == math.ceil((100.0 - 2.0) / 15.0)
    assert all(fault is None for fault in out[believed_at_s:])


def test_lid_lift_is_no_fault() -> None:
    """A bare thermocouple in the lifted lid falls by 10 °C/s at most (common practice); that must pass."""
    assert kinds(run([(float(at), Reading(95.0 - 10.0 * at)) for at in range(6)])) == [None] * 6


def test_hot_reading_that_never_moves_is_stuck_and_lives_again_when_it_moves() -> None:
    samples: list[tuple[float, Sample]] = [(float(at), Reading(93.25)) for at in range(0, 1900, 10)]
    out = kinds(run([*samples, (1900.0, Reading(93.5))]))
    assert out[180] is None  # 1800 s
    assert out[181] is ProbeFaultKind.STUCK
    assert out[-1] is None


def test_a_time_that_nobody_saw_makes_no_probe_stuck() -> None:
    """A board slept, or lost its power; the reading happens to be the same to the last digit."""
    samples: list[tuple[float, Sample]] = [(float(at), Reading(93.25)) for at in range(100)]
    samples += [(7200.0 + at, Reading(93.25)) for at in range(100)]
    assert set(kinds(run(samples))) == {None}


def test_cold_air_may_stand_still() -> None:
    samples: list[tuple[float, Sample]] = [(float(at), Reading(9.0)) for at in range(0, 5000, 10)]
    assert set(kinds(run(samples))) == {None}


def test_stuck_check_can_be_turned_off() -> None:
    samples: list[tuple[float, Sample]] = [(float(at), Reading(93.0)) for at in range(0, 5000, 10)]
    assert set(kinds(run(samples, GuardLimits(stuck_s=0.0)))) == {None}


@given(
    st.lists(
        st.tuples(st.floats(0.0, 5.0), st.floats(allow_nan=True, allow_infinity=True), st.floats(-1.0, 10.0)),
        max_size=20,
    )
)
def test_what_passes_is_always_within_the_limits(steps: list[tuple[float, float, float]]) -> None:
    state, now_s, last = GuardState(LIMITS), 0.0, None
    for elapsed_s, temp_c, age_s in steps:
        now_s += elapsed_s
        state, sample = guard(state, Reading(temp_c, age_s), now_s)
        if isinstance(sample, ProbeFault):
            continue
        assert -40.0 <= sample.temp_c <= 450.0
        assert 0.0 <= sample.age_s <= 5.0
        if last is not None:
            assert abs(sample.temp_c - last[0]) <= 2.0 + 15.0 * (now_s - last[1]) + 1e-6
        last = (sample.temp_c, now_s)
