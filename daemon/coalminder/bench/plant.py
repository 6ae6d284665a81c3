"""The simulated kettle compiled: the same equations as coalminder.grill, one cook in tens of milliseconds.

Owns the compiled copies of the equations and of the servo, and what is known of a cook in advance (sky,
noise, lid) as arrays. `tests/bench` holds it against coalminder.grill.Kettle, second by second.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numba import njit
from numba.np.unsafe.ndarray import to_fixed_tuple
from numpy.typing import NDArray

from coalminder.grill import Kettle, KettleParameters, KettleState, Scenario, actuators, equations
from coalminder.grill.kettle import STEP_LID_OFF_S, ZERO_C
from coalminder.grill.scenario import LidLift, SetPointChange, apply, lid_open

Floats = NDArray[np.float64]

_SIZE = equations.SIZE
_PIT_PROBE = equations.STATES.index("pit_probe_k")
_DOME_PROBE = equations.STATES.index("dome_probe_k")
_PIT_PROBE_S = [field.name for field in fields(KettleParameters)].index("pit_probe_s")
_LID_OFF_PARTS = round(1.0 / STEP_LID_OFF_S)

rhs: Any = njit(equations.derivatives)
_midpoint: Any = njit(equations.midpoint)
_servo_move: Any = njit(actuators.servo_move)
_fixed_tuple: Any = to_fixed_tuple
area: Any = njit(actuators.vent_area_frac)


@dataclass(frozen=True)
class Exogenous:
    """What one cook brings, whatever the vents do. Rows are seconds.

    sky: (n, 5), `Weather.at` in the middle of each second. lid: (n,) 1 with the lid off. noise: (n + 1,
    4), of pit, second pit, dome and food probes, K; row 0 before the first second.
    events: seconds in which something is laid on or stirred; set_point_c: (n,).
    """

    seconds: int
    sky: Floats
    lid: Floats
    noise: Floats
    events: tuple[int, ...]
    set_point_c: Floats


def foresee(scenario: Scenario, seed: int) -> Exogenous:
    """All of `scenario` that is known in advance, with the noise and gusts of `seed`."""
    seconds = round(scenario.hours * 3600.0)
    weather = replace(scenario.weather, seed=seed)
    sky = np.array([weather.at(second + 0.5) for second in range(seconds)])
    lid = np.array([float(lid_open(scenario.disturbances, float(s))) for s in range(seconds)])
    gauss = random.Random(f"kettle {seed}").gauss
    f = scenario.fittings
    raw = np.zeros((seconds + 1, 4))
    raw[1:] = np.array([[gauss(0.0, 1.0) for _ in range(4)] for _ in range(seconds)])
    noise = raw * np.array([f.pit_noise_c, f.pit_noise_c, f.dome_noise_c, f.food_noise_c])
    set_point = np.full(seconds, scenario.set_point_c)
    for item in sorted(scenario.disturbances, key=lambda d: d.at_s):
        if isinstance(item, SetPointChange):
            set_point[int(item.at_s) :] = item.temp_c
    laid = (d for d in scenario.disturbances if not isinstance(d, LidLift | SetPointChange))
    events = tuple(sorted({int(item.at_s) for item in laid if item.at_s < seconds}))
    return Exogenous(seconds, sky, lid, noise, events, set_point)


def _second_body(pn: int) -> Any:
    """The compiled second for `pn` parameters."""

    @njit
    def second(
        y: Floats,
        half: Floats,
        plates: Floats,
        p: Floats,
        fit: Floats,
        sky: Floats,
        lid: float,
        lower: float,
        upper: float,
    ) -> float:
        plates[0] = _servo_move(plates[0], lower, 1.0, fit[8], fit[9], fit[10])
        if fit[11] < 0.0:
            plates[1] = _servo_move(plates[1], upper, 1.0, fit[8], fit[9], fit[10])
        u = (
            fit[0] * area(plates[0], fit[1], fit[2], fit[3]),
            fit[4] * area(plates[1], fit[5], fit[6], fit[7]),
            lid,
            sky[0],
            sky[1],
            sky[2],
            sky[3],
            sky[4],
        )
        fixed = _fixed_tuple(p, pn)
        parts = _LID_OFF_PARTS if lid > 0.0 else 1
        for _ in range(parts):
            _midpoint(rhs, y, half, fixed, u, 1.0 / parts)
        # the pit's probe is a first-order lag: what it lags behind is the pit itself
        pit_k: float = y[_PIT_PROBE] + p[_PIT_PROBE_S] * rhs(y, fixed, u)[_PIT_PROBE]
        return pit_k

    return second


def flat_fittings(scenario: Scenario) -> Floats:
    """The fittings as the compiled second wants them; the last is -1 when a servo turns the upper vent."""
    f = scenario.fittings
    return np.array(
        [
            f.lower_m2, f.lower_dead_frac, f.lower_shape, f.lower_ease,
            f.upper_m2, f.upper_dead_frac, f.upper_shape, f.upper_ease,
            f.servo_strokes_per_s, f.backlash_frac, f.stiction_frac,
            -1.0 if f.upper_fixed is None else f.upper_fixed,
        ]
    )  # fmt: skip


_compiled: dict[int, Any] = {}


def compiled_second(parameters: int) -> Any:
    """The compiled second, made once per number of parameters."""
    if parameters not in _compiled:
        _compiled[parameters] = _second_body(parameters)
    return _compiled[parameters]


class Plant:
    """One cook of `scenario` under the hands of a controller, second by second.

    Temperatures in °C. `y` is the state of coalminder.grill.equations, `plates` the vents' true places,
    `true_pit_c` the pit without lag or noise.
    """

    def __init__(self, scenario: Scenario, seed: int, known: Exogenous | None = None) -> None:
        """A fresh kettle; `known` saves working it out again."""
        self.scenario = scenario
        self.known = foresee(scenario, seed) if known is None else known
        self._kettle = scenario.kettle(seed)
        self._rng = self._kettle.state.rng
        start = self._kettle.state
        self.y = np.array(start.y)
        self.plates = np.array([start.lower, start.upper])
        self.second = 0
        self.true_pit_c = self._kettle.true_pit_c
        self.p = np.array(scenario.parameters.flat())
        self.fit = flat_fittings(scenario)
        self._half = np.zeros(_SIZE)
        self._step = compiled_second(len(self.p))

    def advance(self, lower: float, upper: float) -> None:
        """Let one second pass with these servo commands; what the cook does in it comes first."""
        now = self.second
        if now in self.known.events:
            kettle = self.kettle()
            apply(kettle, self.scenario.disturbances, float(now), now + 1.0)
            self.y[:] = kettle.state.y
        pit_k = self._step(
            self.y, self._half, self.plates, self.p, self.fit,
            self.known.sky[now], self.known.lid[now], lower, upper,
        )  # fmt: skip
        self.true_pit_c = pit_k - ZERO_C
        self.second = now + 1

    def kettle(self) -> Kettle:
        """The kettle as it stands, for whatever coalminder.grill can tell of it (`alive`, `fuel_kg` ...)."""
        lid = bool(self.known.lid[max(self.second - 1, 0)])
        noise = tuple(float(value) for value in self.known.noise[self.second])
        lower, upper = (float(value) for value in self.plates)
        self._kettle.restore(
            KettleState(
                tuple(float(v) for v in self.y), float(self.second), lower, upper, lid, noise, self._rng
            )
        )
        return self._kettle

    @property
    def pit_c(self) -> float:
        """The pit as its probe shows it."""
        return float(self.y[_PIT_PROBE] - ZERO_C + self.known.noise[self.second, 0])

    @property
    def dome_c(self) -> float:
        """The dome as its probe shows it."""
        return float(self.y[_DOME_PROBE] - ZERO_C + self.known.noise[self.second, 2])
