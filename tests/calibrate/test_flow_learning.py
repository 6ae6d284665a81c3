"""The flow curve learned from a cook: made-up cooks whose true curve is known."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator

import pytest

from coalminder.calibrate.flow import Moment, learn
from coalminder.errors import UserError
from coalminder.grill import kettle
from coalminder.vents.curve import DEFAULT_CURVE, FlowCurve

AMBIENT_C = 9.0


def cook(
    true_flow: Callable[[float], float],
    openings: list[float],
    hold_s: int = 3600,
    tau_s: float = 900.0,
    noise_c: float = 0.0,
) -> Iterator[Moment]:
    """A kettle of first order: tau dT/dt = gain * flow - (T - ambient). Steps of 5 s, noise from a seed."""
    rng = random.Random(3)
    gain_c = 84.0 / true_flow(DEFAULT_CURVE.position(0.1))
    pit_c = AMBIENT_C + gain_c * true_flow(DEFAULT_CURVE.position(openings[0]))
    at_s = 0.0
    for opening in openings:
        for _ in range(0, hold_s, 5):
            at_s += 5.0
            target_c = AMBIENT_C + gain_c * true_flow(DEFAULT_CURVE.position(opening))
            pit_c += (target_c - pit_c) * (1.0 - math.exp(-5.0 / tau_s))
            yield Moment(at_s, opening, pit_c + rng.gauss(0.0, noise_c), AMBIENT_C, True)


def bent(bend: float) -> Callable[[float], float]:
    return lambda position: DEFAULT_CURVE.opening(position) * position**bend


STEPS = [0.06, 0.1, 0.08, 0.12, 0.07]


def test_right_curve_is_left_as_it_is() -> None:
    learned = learn(cook(bent(0.0), STEPS), DEFAULT_CURVE)
    for position, flow in DEFAULT_CURVE.points:
        assert learned.curve.opening(position) == pytest.approx(flow, abs=0.01)


@pytest.mark.parametrize("bend", [-0.3, 0.3])
@pytest.mark.parametrize("tau_s", [600.0, 1200.0], ids=["lighter kettle", "heavier kettle"])
def test_true_ratio_of_flows_is_learned_where_the_cook_went(bend: float, tau_s: float) -> None:
    """The ratio of flow between both ends of the range is what the loop's gain hangs on."""
    true = bent(bend)
    learned = learn(cook(true, STEPS, tau_s=tau_s, noise_c=0.5), DEFAULT_CURVE)
    low, high = learned.lowest_position, learned.highest_position
    wanted = true(high) / true(low)
    before = DEFAULT_CURVE.opening(high) / DEFAULT_CURVE.opening(low)
    after = learned.curve.opening(high) / learned.curve.opening(low)
    assert abs(after - wanted) < 0.4 * abs(before - wanted)
    assert learned.bend == pytest.approx(bend, abs=0.12)
    assert learned.windows >= 6


@pytest.mark.parametrize("shape", [0.9, 1.5], ids=["slots", "round holes"])
def test_a_kettle_whose_heat_follows_more_than_its_plate_is_not_learned_from(shape: float) -> None:
    """The physical kettle, still air, an hour at each opening: leaks and unburnt oxygen hide the plate."""
    grill = kettle(start="burning", sky="calm", charcoal_kg=3, lower_shape=shape)

    def moments() -> Iterator[Moment]:
        for number, opening in enumerate([0.02, 0.04, 0.03, 0.05, 0.025]):
            for second in range(0, 3600, 5):
                grill.advance(5.0, DEFAULT_CURVE.position(opening), DEFAULT_CURVE.position(0.5))
                yield Moment(3600.0 * number + second, opening, grill.pit_c(), AMBIENT_C, True)

    with pytest.raises(UserError, match="keep the curve in force"):
        learn(moments(), DEFAULT_CURVE)


def test_scale_of_the_fire_does_not_matter() -> None:
    one = learn(cook(bent(0.2), STEPS), DEFAULT_CURVE)
    louder = learn(
        (
            Moment(m.at_s, m.opening, AMBIENT_C + 1.3 * (m.pit_c - AMBIENT_C), AMBIENT_C, True)
            for m in cook(bent(0.2), STEPS)
        ),
        DEFAULT_CURVE,
    )
    assert louder.bend == pytest.approx(one.bend, abs=1e-9)


def test_a_curve_that_would_no_longer_rise_is_refused_with_what_to_do() -> None:
    flat = FlowCurve(((0.0, 0.0), (0.05, 0.05), (0.1, 0.06), (0.2, 0.13), (1.0, 1.0)))

    def moments() -> Iterator[Moment]:
        pit_c, at_s = 93.0, 0.0
        for opening in (0.045, 0.055, 0.1, 0.12, 0.05):
            position = flat.position(opening)
            flow = opening * (position / flat.position(0.1)) ** -0.5
            for _ in range(720):
                at_s += 5.0
                pit_c += (AMBIENT_C + 840.0 * flow - pit_c) * (1.0 - math.exp(-5.0 / 900.0))
                yield Moment(at_s, opening, pit_c, AMBIENT_C, True)

    with pytest.raises(UserError, match="another cook"):
        learn(moments(), flat)


@pytest.mark.parametrize(
    ("moments", "told"),
    [
        (lambda: cook(bent(0.0), [0.1], hold_s=1800), "quiet stretches"),
        (lambda: cook(bent(0.0), [0.1, 0.101, 0.1], hold_s=3600), "too narrow"),
        (lambda: cook(lambda _position: 1.0, STEPS), "do not go together"),
        (
            lambda: (Moment(m.at_s, m.opening, m.pit_c, m.ambient_c, False) for m in cook(bent(0.0), STEPS)),
            "quiet",
        ),
    ],
    ids=["too short", "one opening", "a fire that does not care", "lid off"],
)
def test_cook_that_shows_too_little_is_refused(moments: Callable[[], Iterator[Moment]], told: str) -> None:
    with pytest.raises(UserError, match=told):
        learn(moments(), DEFAULT_CURVE)
