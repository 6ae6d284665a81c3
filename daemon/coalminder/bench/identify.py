"""A step test on a nominal kettle, as an engineer does it; textbook gains follow from it.

The kettle burns steadily at the set point in still air; the lower vent is opened by a part of its place
and the pit watched for an hour. A first-order lag with dead time is fitted by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
from scipy.optimize import least_squares

from coalminder.bench.plant import Plant
from coalminder.grill import Fittings, Scenario, Weather
from coalminder.replay.fopdt import Fopdt

UPPER = 0.5  # where the upper vent stands of its travel, in the test and for all who tend by it
FILTER_S = 20.0  # of the reading: the loop that is tuned by the test has the same
_TEST_S = 3600


@dataclass(frozen=True, slots=True)
class Identified:
    """The process as the loop sees it, its gain in K per unit of servo position.

    hold: the place of the lower vent that held the pit.
    """

    process: Fopdt
    hold: float


def fit_first_order(change_c: np.ndarray, size: float) -> Fopdt:
    """The process by its response, sampled every second, to a step of `size` at 0 s."""
    t = np.arange(len(change_c), dtype=float)

    def miss(x: np.ndarray) -> np.ndarray:
        gain, lag, dead = x
        modelled = gain * size * (1.0 - np.exp(-np.maximum(t - dead, 0.0) / lag))
        return np.asarray(modelled - change_c)[::10]

    peak = float(np.max(np.abs(change_c))) / size
    found = least_squares(
        miss, [peak, 900.0, 120.0], bounds=([0.0, 30.0, 5.0], [1e5, 2e4, 1500.0]), x_scale=[peak, 900, 120]
    )
    return Fopdt(*(float(v) for v in found.x))


def _steady(scenario: Scenario, for_s: int) -> tuple[Plant, float]:
    """A kettle that burns steadily under a slow integral on its true pit, and the place it found."""
    plant = Plant(scenario, 0)
    lit, lower = False, 1.0
    integral = np.log(0.1)
    while plant.second < for_s:
        error = scenario.set_point_c - plant.true_pit_c
        lit = lit or error < 15.0
        if lit:
            integral = min(integral + 1.5e-5 * error, 0.0)
            lower = min(float(np.exp(integral + 0.02 * error)), 1.0)
        plant.advance(lower, UPPER if lit else 1.0)
    return plant, float(np.exp(integral))


@lru_cache(maxsize=64)
def dome_to_pit(scenario: Scenario) -> float:
    """Rise of the pit over that of the dome, (pit - air) / (dome - air): a cook's own correction.

    Taken on an earlier, still day with a thermometer on the grate, once the same kettle had burnt for two
    hours.
    """
    still = replace(scenario, hours=2.0, disturbances=(), weather=Weather(wind_m_per_s=1.0, gust_frac=0.0))
    plant, _ = _steady(still, 7200)
    air_c = plant.kettle().ambient_c()
    return (plant.true_pit_c - air_c) / (plant.dome_c - air_c)


@cache
def identify_nominal() -> Identified:
    """The step test, once a process (about 0.1 s of machine time)."""
    quiet = Fittings(pit_noise_c=0.0)
    still = Weather(wind_m_per_s=0.0)
    scenario = Scenario("step test", hours=5.0, fittings=quiet, weather=still, charcoal_kg=2.0)
    plant, hold = _steady(scenario, 3 * 3600)
    for _ in range(1200):
        plant.advance(hold, UPPER)
    size = 0.3 * hold
    shown = []
    filtered = plant.pit_c
    for _ in range(_TEST_S):
        plant.advance(hold + size, UPPER)
        filtered += (plant.pit_c - filtered) / (1.0 + FILTER_S)
        shown.append(filtered)
    return Identified(fit_first_order(np.array(shown) - shown[0], size), hold)
