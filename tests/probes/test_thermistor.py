"""NTC thermistors against published points."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coalminder.probes.thermistor import Divider, SteinhartHart, from_beta, from_points
from coalminder.values import ProbeFault, ProbeFaultKind, Reading

# Coefficients of the common '10 kΩ type 2' (module guide of an analog temperature sensor)
TYPE_2 = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)


@pytest.mark.parametrize(
    ("ohm", "temp_c"), [(32650.0, 0.0), (10000.0, 25.0), (3603.0, 49.99), (678.1, 100.02)]
)
def test_steinhart_hart_meets_the_published_points(ohm: float, temp_c: float) -> None:
    """Table of the 10 kΩ type 2 thermistor (resistances from memory), within 0.02 °C."""
    assert TYPE_2.temp_c(ohm) == pytest.approx(temp_c, abs=0.02)


# Data sheet NTCLE100E3 (29049), 10 kΩ, B25/85 3977 K (from memory): (°C, Ω)
DATA_SHEET_3977 = [(0.0, 32554.0), (25.0, 10000.0), (50.0, 3605.0), (100.0, 677.3), (150.0, 182.6)]


def test_three_points_of_a_data_sheet_predict_a_fourth() -> None:
    curve = from_points(((0.0, 32554.0), (50.0, 3605.0), (100.0, 677.3)))
    for temp_c, ohm in DATA_SHEET_3977[:4]:
        assert curve.temp_c(ohm) == pytest.approx(temp_c, abs=0.02)


@pytest.mark.parametrize(("temp_c", "ohm"), [(0.0, 33620.6), (50.0, 3588.2), (100.0, 697.5)])
def test_beta_meets_its_equation(temp_c: float, ohm: float) -> None:
    """R = 10 kΩ·exp(3950·(1/T - 1/298.15)), worked by hand."""
    assert from_beta(3950.0, 10_000.0).resistance_ohm(temp_c) == pytest.approx(ohm, abs=0.06)
    assert from_beta(3950.0, 10_000.0).temp_c(ohm) == pytest.approx(temp_c, abs=0.005)


@given(st.floats(-40.0, 250.0))
def test_resistance_and_temperature_undo_each_other(temp_c: float) -> None:
    for curve in (TYPE_2, from_beta(3950.0, 10_000.0)):
        assert curve.temp_c(curve.resistance_ohm(temp_c)) == pytest.approx(temp_c, abs=1e-6)


@given(st.floats(-30.0, 10.0), st.floats(20.0, 60.0), st.floats(70.0, 200.0))
def test_fit_through_points_of_a_curve_gives_the_curve(cold_c: float, mid_c: float, hot_c: float) -> None:
    points = tuple((temp_c, TYPE_2.resistance_ohm(temp_c)) for temp_c in (cold_c, mid_c, hot_c))
    assert from_points(points).temp_c(TYPE_2.resistance_ohm(93.0)) == pytest.approx(93.0, abs=1e-3)


@pytest.mark.parametrize(
    "points",
    [
        ((0.0, 32650.0), (25.0, 10000.0)),
        ((0.0, 1000.0), (25.0, 1000.0), (50.0, 500.0)),
        ((0.0, 100.0), (25.0, 110.0), (50.0, 119.0)),
        ((math.nan, 32650.0), (25.0, 10000.0), (100.0, 678.1)),
        ((0.0, math.inf), (25.0, 10000.0), (100.0, 678.1)),
        ((0.0, 32650.0), (25.0, 10000.0), (100.0, 0.0)),
    ],
    ids=["two points", "same resistance", "a platinum sensor", "no number", "no wire", "a short"],
)
def test_points_of_no_thermistor_are_refused(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError, match=r"point|resistance|thermistor"):
        from_points(points)


@pytest.mark.parametrize("to_ground", [True, False])
@given(temp_c=st.floats(-20.0, 200.0))
def test_divider_gives_back_the_temperature(to_ground: bool, temp_c: float) -> None:
    divider = Divider(TYPE_2, 10_000.0, to_ground)
    sample = divider.sample(divider.ratio(TYPE_2.resistance_ohm(temp_c)), 1 / 4096)
    assert isinstance(sample, Reading)
    assert sample.temp_c == pytest.approx(temp_c, abs=1e-6)


@pytest.mark.parametrize(
    ("to_ground", "ratio", "kind"),
    [
        (True, 0.0, ProbeFaultKind.SHORT),
        (True, 1.0, ProbeFaultKind.OPEN),
        (True, 4094 / 4096, ProbeFaultKind.OPEN),
        (False, 1.0, ProbeFaultKind.SHORT),
        (False, 0.0, ProbeFaultKind.OPEN),
        (False, 2 / 4096, ProbeFaultKind.OPEN),
    ],
)
def test_rails_are_faults(to_ground: bool, ratio: float, kind: ProbeFaultKind) -> None:
    sample = Divider(TYPE_2, 10_000.0, to_ground).sample(ratio, 1 / 4096)
    assert isinstance(sample, ProbeFault)
    assert sample.kind is kind


@given(st.floats(0.0, 1.0), st.booleans())
def test_no_ratio_crashes_or_gives_nonsense(ratio: float, to_ground: bool) -> None:
    sample = Divider(TYPE_2, 10_000.0, to_ground).sample(ratio, 1 / 4096)
    assert isinstance(sample, ProbeFault) or math.isfinite(sample.temp_c)


@pytest.mark.parametrize("ohm", [0.0, -1.0, math.nan])
def test_impossible_resistance_is_refused(ohm: float) -> None:
    with pytest.raises(ValueError, match="resistance"):
        TYPE_2.temp_c(ohm)
