"""The flow curve: geometry of a plate over round holes, and the way there and back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from linear_curve import LINEAR_CURVE

from coalminder.vents.curve import DEFAULT_CURVE, FlowCurve, round_hole_share

fractions = st.floats(0.0, 1.0)


@st.composite
def curves(draw: st.DrawFn) -> FlowCurve:
    count = draw(st.integers(0, 8))
    inner = st.lists(st.integers(1, 999), min_size=count, max_size=count, unique=True).map(sorted)
    positions, flows = draw(inner), draw(inner)
    middle = tuple((p / 1000, f / 1000) for p, f in zip(positions, flows, strict=True))
    dead = draw(st.booleans()) and (not middle or middle[0][0] > 0.001)
    start = ((0.0, 0.0), (0.0005, 0.0)) if dead else ((0.0, 0.0),)
    return FlowCurve((*start, *middle, (1.0, 1.0)))


@given(curves(), fractions)
def test_every_opening_comes_back_from_its_position(curve: FlowCurve, opening: float) -> None:
    assert curve.opening(curve.position(opening)) == pytest.approx(opening, abs=1e-9)


@given(curves(), fractions, fractions)
def test_more_opening_never_needs_less_position(curve: FlowCurve, a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert curve.position(low) <= curve.position(high)
    assert curve.opening(low) <= curve.opening(high)


@pytest.mark.parametrize("end", [0.0, 1.0])
def test_ends_are_exact(end: float) -> None:
    for curve in (DEFAULT_CURVE, LINEAR_CURVE):
        assert curve.position(end) == end
        assert curve.opening(end) == end


def test_dead_travel_is_skipped_but_shut_is_the_stop() -> None:
    curve = FlowCurve(((0.0, 0.0), (0.1, 0.0), (0.9, 1.0), (1.0, 1.0)))
    assert curve.position(0.0) == 0.0
    assert curve.position(0.001) > 0.1
    assert curve.position(1.0) == pytest.approx(0.9)
    assert curve.opening(0.05) == 0.0
    assert curve.opening(0.95) == 1.0


@pytest.mark.parametrize("outside", [-0.5, 1.5, math.inf, -math.inf])
def test_outside_values_are_clamped(outside: float) -> None:
    assert DEFAULT_CURVE.position(outside) == (1.0 if outside > 0 else 0.0)
    assert DEFAULT_CURVE.opening(outside) == (1.0 if outside > 0 else 0.0)


def test_nan_is_refused() -> None:
    with pytest.raises(ValueError, match="number"):
        DEFAULT_CURVE.position(math.nan)


@pytest.mark.parametrize(
    "points",
    [
        ((0.0, 0.0),),
        ((0.0, 0.1), (1.0, 1.0)),
        ((0.0, 0.0), (1.0, 0.9)),
        ((0.0, 0.0), (0.5, 0.6), (0.5, 0.7), (1.0, 1.0)),
        ((0.0, 0.0), (0.5, 0.6), (0.6, 0.5), (1.0, 1.0)),
        ((0.0, 0.0), (0.5, 0.6), (0.6, 0.6), (1.0, 1.0)),
        ((0.0, 0.0), (0.5, math.nan), (1.0, 1.0)),
    ],
    ids=[
        "one point",
        "leaks",
        "never full",
        "position stays",
        "flow falls",
        "flat middle",
        "nan",
    ],
)
def test_what_is_no_curve_is_refused(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError, match="flow curve"):
        FlowCurve(points)


def test_default_curve_is_the_area_of_two_circles_counted_by_points() -> None:
    """Against a plain count of grid points inside both circles, as in any geometry text."""
    grid = 400
    for position in (0.1, 0.35, 0.5, 0.8):
        shift = 2.0 * (1.0 - position)
        inside = sum(
            1
            for ix in range(-grid, grid)
            for iy in range(-grid, grid)
            if (x := (ix + 0.5) / grid) ** 2 + (y := (iy + 0.5) / grid) ** 2 <= 1.0
            and (x - shift) ** 2 + y * y <= 1.0
        )
        share = inside / (math.pi * grid * grid)
        assert round_hole_share(position) == pytest.approx(share, abs=0.002)
        assert DEFAULT_CURVE.opening(position) == pytest.approx(share, abs=0.01)


def test_first_tenth_of_the_travel_passes_about_a_twentieth_of_the_flow() -> None:
    """Segment formula by hand: acos 0.9 = 0.451027, 0.9·sqrt(0.19) = 0.392301; (2/π)·0.058726 = 0.0374."""
    assert DEFAULT_CURVE.opening(0.1) == pytest.approx(0.0374, abs=0.0001)
