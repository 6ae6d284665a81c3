"""Type K against the table of NIST Monograph 175 (1993) and against an independent library."""

from __future__ import annotations

import pytest
import thermocouple_its90
from hypothesis import given
from hypothesis import strategies as st

from coalminder.probes import type_k

# NIST Monograph 175, type K, reference junction at 0 °C: (°C, mV to 0.001)
NIST = [
    (-200, -5.891), (-50, -1.889), (0, 0.000), (25, 1.000), (50, 2.023), (60, 2.436), (100, 4.096),
    (121, 4.961), (150, 6.138), (200, 8.138), (250, 10.153), (300, 12.209), (400, 16.397), (500, 20.644),
]  # fmt: skip


@pytest.mark.parametrize(("temp_c", "mv"), NIST)
def test_emf_is_that_of_the_nist_table(temp_c: float, mv: float) -> None:
    assert type_k.emf_mv(temp_c) == pytest.approx(mv, abs=0.0005 + 1e-9)


@pytest.mark.parametrize(("temp_c", "mv"), NIST)
def test_temperature_is_that_of_the_nist_table(temp_c: float, mv: float) -> None:
    # The table is rounded to 1 µV, up to 0.033 °C at the steepness of 15 µV/K at -200 °C.
    assert type_k.temp_c(mv) == pytest.approx(temp_c, abs=0.06)


def test_error_of_the_inverse_over_the_range_of_a_kettle() -> None:
    """0..500 °C in tenths, against the reference functions of the library thermocouple-its90."""
    worst_c = max(
        abs(type_k.temp_c(thermocouple_its90.TypeK.emf(tenth / 10)) - tenth / 10) for tenth in range(5001)
    )
    assert worst_c <= 0.06
    assert worst_c < 0.001  # what Newton's steps really reach


@given(st.floats(type_k.LOWEST_C, type_k.HIGHEST_C))
def test_emf_agrees_with_an_independent_library_everywhere(temp_c: float) -> None:
    assert type_k.emf_mv(temp_c) == pytest.approx(thermocouple_its90.TypeK.emf(temp_c), abs=1e-5)


@given(st.floats(type_k.LOWEST_C, type_k.HIGHEST_C))
def test_temperature_comes_back(temp_c: float) -> None:
    assert type_k.temp_c(type_k.emf_mv(temp_c)) == pytest.approx(temp_c, abs=0.002)


@pytest.mark.parametrize(("hot_c", "emf_mv"), [(121.0, 3.9606), (200.0, 7.1383)])
def test_cold_junction_at_25_is_added_as_emf(hot_c: float, emf_mv: float) -> None:
    """E(121) - E(25) and E(200) - E(25) of the reference function."""
    assert type_k.at_junction(emf_mv, 25.0) == pytest.approx(hot_c, abs=0.05)


@pytest.mark.parametrize("outside", [-201.0, 1373.0, float("nan")])
def test_temperatures_outside_are_refused(outside: float) -> None:
    with pytest.raises(ValueError, match="outside"):
        type_k.emf_mv(outside)


@pytest.mark.parametrize("outside", [-6.0, 60.0, float("nan")])
def test_emfs_outside_are_refused(outside: float) -> None:
    with pytest.raises(ValueError, match="outside"):
        type_k.temp_c(outside)
