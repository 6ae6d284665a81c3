"""Servos, plates, probes: what lies between the daemon and the fire."""

from __future__ import annotations

import statistics

import pytest

from coalminder.grill import Fittings, Kettle, KettleParameters
from coalminder.grill.actuators import servo_move, vent_area_frac


@pytest.mark.parametrize(
    ("position", "command", "seconds", "rate", "backlash", "stiction", "expected"),
    [
        (0.0, 0.5, 1.0, 1.0, 0.0, 0.0, 0.5),
        (0.0, 0.5, 0.25, 1.0, 0.0, 0.0, 0.25),
        (0.8, 0.0, 0.5, 1.0, 0.0, 0.0, 0.3),
        (0.5, 0.6, 1.0, 1.0, 0.04, 0.0, 0.58),
        (0.58, 0.57, 1.0, 1.0, 0.04, 0.0, 0.58),
        (0.58, 0.5, 1.0, 1.0, 0.04, 0.0, 0.52),
        (0.5, 0.503, 1.0, 1.0, 0.0, 0.005, 0.5),
        (0.5, 0.51, 1.0, 1.0, 0.0, 0.005, 0.51),
        (0.01, 0.0, 1.0, 1.0, 0.04, 0.02, 0.0),
        (0.99, 1.0, 1.0, 1.0, 0.04, 0.02, 1.0),
        (0.5, 7.0, 1.0, 1.0, 0.0, 0.0, 1.0),
        (0.5, -7.0, 1.0, 1.0, 0.0, 0.0, 0.0),
        (0.5, float("nan"), 1.0, 1.0, 0.0, 0.0, 0.0),
    ],
    ids=[
        "reaches", "rate up", "rate down", "play up", "inside the play", "play down", "sticks",
        "breaks loose", "shut stop", "open stop", "over", "under", "not a number shuts",
    ],
)  # fmt: skip
def test_servo_follows(
    position: float,
    command: float,
    seconds: float,
    rate: float,
    backlash: float,
    stiction: float,
    expected: float,
) -> None:
    assert servo_move(position, command, seconds, rate, backlash, stiction) == pytest.approx(expected)


def test_backlash_leaves_a_loop_as_wide_as_the_play() -> None:
    def settle(position: float, commands: list[float]) -> float:
        for command in commands:
            position = servo_move(position, command, 10.0, 1.0, 0.03, 0.0)
        return position

    up, down = settle(0.2, [0.3, 0.4, 0.5]), settle(0.8, [0.7, 0.6, 0.5])
    assert down - up == pytest.approx(0.03)


@pytest.mark.parametrize(
    ("dead", "shape", "ease"), [(0.01, 1.1, 0.4), (0.0, 0.9, 0.0), (0.02, 1.5, 0.6), (0.0, 1.0, 1.0)]
)
def test_vent_area_rises_from_shut_to_open(dead: float, shape: float, ease: float) -> None:
    areas = [vent_area_frac(step / 500.0, dead, shape, ease) for step in range(501)]
    assert areas[0] == 0.0
    assert areas[-1] == pytest.approx(1.0)
    assert areas == sorted(areas)
    assert vent_area_frac(dead, dead, shape, ease) == 0.0
    assert vent_area_frac(2.0, dead, shape, ease) == pytest.approx(1.0)


def test_vent_of_the_demo_is_not_linear_in_travel() -> None:
    f = Fittings()
    half = vent_area_frac(0.5, f.lower_dead_frac, f.lower_shape, f.lower_ease)
    tenth = vent_area_frac(0.1, f.lower_dead_frac, f.lower_shape, f.lower_ease)
    assert abs(half - 0.5) > 0.03 or abs(tenth - 0.1) > 0.02


def test_upper_vent_left_by_hand_ignores_its_command() -> None:
    kettle = Kettle(fittings=Fittings(upper_fixed=0.4))
    kettle.advance(30.0, 0.5, 1.0)
    assert kettle.upper == 0.4
    assert kettle.lower == pytest.approx(0.5)


def test_probes_lag_and_the_dome_lags_more() -> None:
    kettle = Kettle(fittings=Fittings(pit_noise_c=0.0, dome_noise_c=0.0), pit_c=93.0)
    kettle.advance(1200.0, 0.06, 0.5)
    shown = kettle.pit_c(), kettle.dome_c()
    kettle.advance(20.0, 0.06, 0.5, True)
    fell = shown[0] - kettle.pit_c(), shown[1] - kettle.dome_c()
    assert kettle.pit_c() > kettle.true_pit_c + 5.0
    assert fell[0] > fell[1] > 0.0


def test_noise_has_the_stated_size() -> None:
    kettle = Kettle(fittings=Fittings(pit_noise_c=1.5), pit_c=93.0)
    errors = []
    for _ in range(1500):
        kettle.advance(1.0, 0.06, 0.5)
        errors.append(kettle.pit_c() + 273.15 - kettle.value("pit_probe_k"))
    assert statistics.pstdev(errors) == pytest.approx(1.5, rel=0.1)
    assert abs(statistics.fmean(errors)) < 0.15


def test_plugged_lower_vent_passes_less_air() -> None:
    used = []
    for plugged in (0.0, 0.7):
        kettle = Kettle(KettleParameters(plugged_frac=plugged), pit_c=93.0)
        kettle.advance(1800.0, 0.1, 0.5)
        used.append(kettle.burnt_kg)
    assert used[1] < 0.7 * used[0]


def test_stirring_frees_the_ash() -> None:
    kettle = Kettle(pit_c=93.0)
    kettle.advance(3600.0, 0.2, 0.5)
    ash = kettle.value("ash_kg")
    kettle.stir()
    assert 0.0 < kettle.value("ash_kg") < 0.5 * ash
