"""Figures of docs/control.md and docs/replay.md: the bench's kettles made linear, and the loop on them.

Run: python tests/linear_figures.py [KETTLES]

A kettle of the bench is tended to rest; then noise and gusts are frozen and v is stepped by 0.1 up and down.
Half the difference is its linear step response. Beside it: the delay that the core measured in the cook
itself, Ms with the gains that follow from it, and the slope and dead time (lag 1100 s) that give the same
frequency response where Ms is reached.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from coalminder.bench.controllers import Ours, Seen
from coalminder.bench.identify import dome_to_pit
from coalminder.bench.plant import Plant
from coalminder.bench.scenarios import Cook, cook
from coalminder.core import Config, air, pit, response
from coalminder.core.loop import scaled
from coalminder.grill import equations
from coalminder.replay.robustness import core_controller
from coalminder.vents.curve import DEFAULT_CURVE

REST_S, STEP_S, STEP_V, LAG_S = 7200, 4000, 0.1, 1100.0
PROBE = equations.STATES.index("pit_probe_k")


def tended(the_cook: Cook, seconds: int) -> tuple[Plant, Ours, tuple[float, float]]:
    """The kettle, the core and the servos after `seconds` of the cook."""
    plant, ours, places = Plant(the_cook.scenario, the_cook.seed), Ours(the_cook, Config()), (0.0, 0.0)
    air_c, share = the_cook.scenario.weather.ambient_c, dome_to_pit(the_cook.scenario)
    for second in range(seconds):
        shown = air_c + share * (plant.dome_c - air_c) if the_cook.dome_probe else plant.pit_c
        places = ours.tend(Seen(second, shown, float(plant.known.set_point_c[second]), False))
        plant.advance(*places)
    return plant, ours, places


def measured_s(name: str, seed: int) -> float | None:
    """The delay that the core measured in this cook."""
    _, ours, _ = tended(cook(name, seed), REST_S // 2)
    return ours._state.response.delay_s


def quiet(the_cook: Cook) -> Cook:
    s = the_cook.scenario
    fittings = replace(s.fittings, pit_noise_c=0.0, backlash_frac=0.0, stiction_frac=0.0)
    sky = replace(s.weather, gust_frac=0.0)
    return replace(the_cook, scenario=replace(s, weather=sky, fittings=fittings))


def step_response(the_cook: Cook) -> NDArray[np.float64]:
    """K per unit of v, second by second after the step."""
    plant, _, (lower, upper) = tended(quiet(the_cook), REST_S)
    leak = Config().split.leak_opening
    v = air.level(DEFAULT_CURVE.opening(lower), leak)
    y, plates, traces = plant.y.copy(), plant.plates.copy(), []
    for sign in (1.0, -1.0):
        plant.y[:], plant.plates[:], plant.second = y, plates, REST_S
        place = DEFAULT_CURVE.position(air.opening(v + sign * STEP_V, leak))
        trace = np.empty(STEP_S)
        for i in range(STEP_S):
            plant.advance(place, upper)
            trace[i] = plant.y[PROBE]
        traces.append(trace)
    return np.asarray((traces[0] - traces[1]) / (2.0 * STEP_V))


def main() -> None:
    kettles = int(sys.argv[1]) if len(sys.argv) > 1 else 16
    config, omega = Config(), np.geomspace(1e-3, 0.9, 400)
    after_s = np.arange(1, STEP_S + 1)
    found = []
    for seed in range(kettles):
        the_cook = cook("calm", seed)
        noise_c = the_cook.scenario.fittings.pit_noise_c
        impulse = np.diff(step_response(the_cook), prepend=0.0)
        plant = np.array([np.sum(impulse * np.exp(-1j * w * after_s)) for w in omega])
        _, ours, _ = tended(the_cook, REST_S // 2)
        heard = ours._state.response
        gain = response.gain(heard, config.response, pit.smooth_s(config.pit, noise_c))
        sensitivity = 1.0 / np.abs(
            1.0 + plant * core_controller(scaled(config.loop, gain), config.pit, noise_c)(omega)
        )
        at = int(np.argmax(sensitivity))
        w = omega[at]
        theta_s = (-np.angle(plant[at]) - np.arctan(w * LAG_S)) / w
        slope = abs(plant[at]) * np.hypot(1.0, w * LAG_S) / LAG_S
        row = (heard.delay_s or np.nan, gain, sensitivity[at], slope, theta_s)
        found.append(row)
        print(
            f"calm {seed:2d}: delay {row[0]:5.1f} s, gain {gain:.2f}, Ms {row[2]:.2f}, "
            f"slope {slope:.3f} K/s, dead time {theta_s:.1f} s"
        )
    for label, column in zip(
        ("delay s", "gain", "Ms", "slope K/s", "dead time s"), np.array(found).T, strict=True
    ):
        print(
            f"{label}: {np.nanmin(column):.3g} to {np.nanmax(column):.3g}, median {np.nanmedian(column):.3g}"
        )
    for name in ("noisy", "gusty", "dome"):
        delays = sorted(round(d, 1) for s in range(10) if (d := measured_s(name, s)) is not None)
        print(f"{name}: delays {delays[0]} to {delays[-1]} s")


if __name__ == "__main__":
    main()
