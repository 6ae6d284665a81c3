"""The kettle's own steps against scipy's solve_ivp on the same equations: within 0.5 °C over 4 h."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numba import njit
from scipy.integrate import solve_ivp

from coalminder.grill import Fittings, Kettle, Weather, equations

WITHIN_C = 0.5
# (for_s, lower, upper, lid off, what is laid on first)
PLAN = (
    (700, 0.5, 1.0, False, None),
    (600, 0.15, 0.5, False, None),
    (1700, 0.06, 0.5, False, None),
    (90, 0.06, 0.5, True, "food"),
    (1800, 0.06, 0.5, False, "wood"),
    (1800, 0.07, 0.5, False, None),
    (120, 0.07, 0.5, True, None),
    (1800, 0.07, 0.5, False, "wood"),
    (1800, 0.05, 0.5, False, "charcoal"),
    (600, 0.0, 0.0, False, None),
    (1800, 0.2, 0.8, False, None),
    (1590, 0.05, 0.5, False, None),
)


def pit_c(y: Any, kettle: Kettle, lid_off: bool) -> float:
    gas, lid, bowl = y[8:11]
    wall = bowl if lid_off else 0.5 * (lid + bowl)
    return float(wall + kettle.parameters.pit_frac * (gas - wall) - 273.15)


def lay_on(kettle: Kettle, what: str | None) -> None:
    if what == "food":
        kettle.add_food(1.6)
    elif what == "wood":
        kettle.add_wood(0.08)
    elif what == "charcoal":
        kettle.add_charcoal(0.3)


@pytest.mark.parametrize(
    "sky",
    [
        Weather(),
        Weather(wind_m_per_s=6.0, gust_frac=0.35, rain_mm_per_h=3.0, ambient_drift_c_per_h=-1.0, seed=2),
    ],
    ids=["breeze", "gusts and rain"],
)
def test_kettle_agrees_with_solve_ivp_over_four_hours(sky: Weather) -> None:
    assert sum(leg[0] for leg in PLAN) == 4 * 3600
    rhs = njit(equations.derivatives)
    # servos at once, so that both sides see the same areas
    kettle = Kettle(fittings=Fittings(servo_strokes_per_s=1e6), weather=sky, charcoal_kg=1.5)
    p = kettle.parameters.flat()
    reference = np.array(kettle.state.y)
    time_s, worst_c, hottest_c = 0.0, 0.0, 0.0
    for for_s, lower, upper, lid_off, what in PLAN:
        before = np.array(kettle.state.y)
        lay_on(kettle, what)
        change = np.array(kettle.state.y) - before
        reference = reference + change
        if what == "food":
            reference[12:18] = kettle.state.y[12:18]
            reference[24] = kettle.state.y[24]
        kettle.lower, kettle.upper, kettle.lid_open = lower, upper, lid_off
        vents = kettle.inputs(time_s)[:3]

        def slope(t: float, y: Any, vents: tuple[float, ...] = vents) -> Any:
            return rhs(y, p, vents + sky.at(t))

        at_s = np.arange(time_s + 10.0, time_s + for_s + 0.5, 10.0)
        solved = solve_ivp(
            slope, (time_s, time_s + for_s), reference, method="LSODA", rtol=1e-8, atol=1e-9, t_eval=at_s
        )
        assert solved.success
        for column in range(len(at_s)):
            kettle.advance(10.0, lower, upper, lid_off)
            y, ours = solved.y[:, column], kettle.state.y
            worst_c = max(
                worst_c,
                abs(pit_c(y, kettle, lid_off) - kettle.true_pit_c),
                *(abs(y[i] - ours[i]) for i in range(8, 16)),  # gas, lid, bowl, grate, food
                *(abs(y[i] - ours[i]) for i in range(21, 25)),  # probes
            )
            hottest_c = max(hottest_c, kettle.true_pit_c)
        reference, time_s = solved.y[:, -1].copy(), time_s + for_s
    assert hottest_c > 90.0  # it was a cook, not a cold kettle
    assert worst_c < WITHIN_C
    assert kettle.burnt_kg == pytest.approx(reference[41], rel=1e-3)
