"""Platinum against the table of IEC 60751 and against an independent library."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rtd_sensor import pt100

from coalminder.probes import platinum

# IEC 60751, R0 = 100 Ω: (°C, Ω)
IEC = [
    (-200, 18.52), (-100, 60.26), (-50, 80.31), (0, 100.00), (25, 109.735), (50, 119.40), (100, 138.51),
    (121, 146.445), (150, 157.33), (200, 175.86), (250, 194.10), (300, 212.05), (400, 247.09),
]  # fmt: skip


@pytest.mark.parametrize(("temp_c", "ohm"), IEC)
def test_resistance_is_that_of_the_iec_table(temp_c: float, ohm: float) -> None:
    assert platinum.resistance_ohm(temp_c) == pytest.approx(ohm, abs=0.005 + 1e-9)


def test_error_of_the_inverse_over_the_range_of_a_kettle() -> None:
    """-50..400 °C in tenths, against the equation as the library rtd-sensor computes it."""
    worst_c = max(
        abs(platinum.temp_c(pt100.celsius_to_resistance(tenth / 10)) - tenth / 10)
        for tenth in range(-500, 4001)
    )
    assert worst_c <= 0.01
    assert worst_c < 1e-6  # what it really reaches


@given(st.floats(platinum.LOWEST_C, platinum.HIGHEST_C), st.sampled_from([100.0, 1000.0]))
def test_temperature_comes_back(temp_c: float, r0_ohm: float) -> None:
    assert platinum.temp_c(platinum.resistance_ohm(temp_c, r0_ohm), r0_ohm) == pytest.approx(temp_c, abs=1e-4)


@pytest.mark.parametrize("outside", [18.0, 391.0, 0.0, float("nan")])
def test_resistances_outside_are_refused(outside: float) -> None:
    with pytest.raises(ValueError, match="outside"):
        platinum.temp_c(outside)


@pytest.mark.parametrize("outside", [-201.0, 851.0, float("nan")])
def test_temperatures_outside_are_refused(outside: float) -> None:
    with pytest.raises(ValueError, match="outside"):
        platinum.resistance_ohm(outside)
