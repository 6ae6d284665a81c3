"""Figures of docs/control.md: what a tender who knows the kettle exactly could reach without foresight.

Run: python tests/causal_limit.py [KETTLES] [SCENARIO ...]

A kettle of the bench is tended for 90 min and made linear where it stands, with its sky as coloured noise:
gusts as a sum of first-order lags with the spectrum of `Weather`, clouds as one of 200 s. The Kalman filter
for it and for the probe's noise, with the linear-quadratic regulator for free moves of the vents, then
leaves the least variance that any linear tender can (separation principle; Anderson and Moore, Optimal
Control, 1990, from memory). Mean error is 0.8 of the standard deviation (normal distribution). Beside it:
the oracle, the bar of the bench (oracle + half of what the best peer is worse) and ours in the same cooks.
"""

from __future__ import annotations

import argparse
from dataclasses import fields
from statistics import median

import numpy as np
from linear_figures import PROBE, tended
from numpy.typing import NDArray
from scipy.linalg import expm, solve_discrete_are
from scipy.optimize import nnls

from coalminder.bench.controllers import CONTROLLERS
from coalminder.bench.metrics import SETTLED_S
from coalminder.bench.oracle import oracle_runs
from coalminder.bench.plant import area, rhs
from coalminder.bench.report import ORACLE, lines, verdicts
from coalminder.bench.runner import run, tend
from coalminder.bench.scenarios import Cook, cook
from coalminder.core import Config, air
from coalminder.grill import KettleParameters, equations
from coalminder.vents.curve import DEFAULT_CURVE

Floats = NDArray[np.float64]

AT_S, CLOUDS_S = 5400, 200.0
#: what moves within minutes; fuel, ash and food's mass stand still.
QUICK = [
    equations.STATES.index(name)
    for name in (
        "lit_kg", "coal_water_kg", "wood_kg", "lit_j", "unlit_j", "gas_k", "lid_k", "bowl_k", "grate_k",
        "food_0_k", "food_1_k", "food_2_k", "food_3_k", "o2_kg", "co2_kg", "h2o_kg", "pit_probe_k",
    )
]  # fmt: skip
PROBE_S = [field.name for field in fields(KettleParameters)].index("pit_probe_s")


def gusts(mean_m_per_s: float, sigma: float) -> list[tuple[float, float]]:
    """(lag in s, variance) of first-order noises that add up to the spectrum of `Weather`."""
    hertz = np.geomspace(1.0 / 1200.0, 0.25, 80)
    reduced = hertz * 10.0 / max(mean_m_per_s, 0.5)
    power = reduced / (1.0 + 33.0 * reduced) ** (5.0 / 3.0) / hertz
    power /= np.trapezoid(power, hertz)
    lags = np.geomspace(2.0, 400.0, 8)
    shapes = np.array([4.0 * lag / (1.0 + (2.0 * np.pi * hertz * lag) ** 2) for lag in lags]).T
    shares, _ = nnls(shapes * hertz[:, None], power * hertz)
    return [(float(a), float(b) * sigma**2) for a, b in zip(lags, shares, strict=True) if b > 1e-4]


def limit_c(the_cook: Cook) -> float:
    """Least mean error in K of a linear tender without foresight."""
    plant, _, _ = tended(the_cook, AT_S)
    p, fit, y0 = tuple(plant.p), plant.fit, plant.y.copy()
    leak = Config().split.leak_opening
    sky = plant.known.sky[AT_S - 300 : AT_S + 300].mean(axis=0)
    v0 = air.level(DEFAULT_CURVE.opening(float(plant.plates[0])), leak)
    upper_m2 = fit[4] * area(float(plant.plates[1]), fit[5], fit[6], fit[7])

    def rates(y: Floats, v: float, wind: float, sun: float) -> Floats:
        place = DEFAULT_CURVE.position(air.opening(v, leak))
        lower_m2 = fit[0] * area(place, fit[1], fit[2], fit[3])
        return np.array(rhs(y, p, (lower_m2, upper_m2, 0.0, sky[0], wind, sky[2], sun, sky[4])))

    def by_state(i: int, step: float) -> tuple[Floats, float]:
        a, b = y0.copy(), y0.copy()
        a[i] += step
        b[i] -= step
        rise = (rates(a, v0, sky[1], sky[3]) - rates(b, v0, sky[1], sky[3])) / (2.0 * step)
        return rise[QUICK], float(i == PROBE) + p[PROBE_S] * rise[PROBE]

    def by_input(k: int, step: float) -> Floats:
        at = np.array([v0, sky[1], sky[3]])
        change = step * np.eye(3)[k]
        return np.asarray(((rates(y0, *(at + change)) - rates(y0, *(at - change))) / (2.0 * step))[QUICK])

    size = np.array([max(abs(y0[i]), 1e-3) for i in QUICK])
    columns, seen = zip(*(by_state(i, 1e-5 * s) for i, s in zip(QUICK, size, strict=True)), strict=True)
    weather, n = the_cook.scenario.weather, len(QUICK)
    noises = [
        (by_input(1, 1e-3), *g) for g in gusts(weather.wind_m_per_s, weather.gust_frac * weather.wind_m_per_s)
    ]
    if weather.sun_w_per_m2 > 0.0:
        noises.append((by_input(2, 1.0), CLOUDS_S, float(np.var(plant.known.sky[:, 3]))))
    m = n + len(noises)
    a, b, w = np.zeros((m, m)), np.zeros((m, 1)), np.zeros((m, m))
    a[:n, :n] = np.array(columns).T * size / size[:, None]
    b[:n, 0] = by_input(0, 1e-3) / size
    for k, (column, lag_s, variance) in enumerate(noises, start=n):
        a[:n, k], a[k, k], w[k, k] = column / size * np.sqrt(variance), -1.0 / lag_s, 2.0 / lag_s
    pit, shown = np.zeros((1, m)), np.zeros((1, m))
    pit[0, :n], shown[0, QUICK.index(PROBE)] = np.array(seen) * size, size[QUICK.index(PROBE)]
    return _least(a, b, w, pit, shown, the_cook.scenario.fittings.pit_noise_c)


def _least(a: Floats, b: Floats, w: Floats, pit: Floats, shown: Floats, noise_c: float) -> float:
    """0.8 of the standard deviation of `pit` under the best of controls, at steps of 1 s."""
    m = len(a)
    big = expm(np.block([[-a, w], [np.zeros((m, m)), a.T]]))
    f = big[m:, m:].T
    q = f @ big[:m, m:]
    g = expm(np.block([[a, b], [np.zeros((1, m + 1))]]))[:m, m:]
    eye = 1e-13 * np.eye(m)
    unsure = solve_discrete_are(f.T, shown.T, 0.5 * (q + q.T) + eye, np.array([[noise_c**2]]))
    cost = solve_discrete_are(f, g, pit.T @ pit + eye, np.array([[1e-4]]))
    moves = np.linalg.solve(g.T @ cost @ g + 1e-4, g.T @ cost @ f)
    # what the filter does not know stays; what it learns each second is steered away with `moves`
    known = unsure @ shown.T @ np.linalg.solve(shown @ unsure @ shown.T + noise_c**2, shown @ unsure)
    steered = f - g @ moves
    spread, power = f @ known @ f.T, steered
    for _ in range(24):  # doubling: sum of steered^k x spread x steered^kT
        spread = spread + power @ spread @ power.T
        power = power @ power
    return float(0.8 * np.sqrt((pit @ (unsure + spread) @ pit.T)[0, 0]))


def standing_frac(seeds: range) -> float:
    """Share of our mean error with the dome probe that outlasts 20 min: a shift, which no loop can see."""
    shares = []
    for seed in seeds:
        the_cook = cook("dome", seed)
        error = tend(the_cook, CONTROLLERS["ours"](the_cook)).pit_c - the_cook.scenario.set_point_c
        slow = np.convolve(error, np.ones(1200) / 1200.0, "same")
        counts = slice(SETTLED_S, -600)
        shares.append(np.mean(np.abs(slow[counts])) / np.mean(np.abs(error[counts])))
    return float(np.median(shares))


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("kettles", nargs="?", type=int, default=6)
    words.add_argument("scenarios", nargs="*", default=["calm", "gusty", "sun", "leaky", "noisy", "big_fire"])
    asked = words.parse_args()
    seeds = range(asked.kettles)
    print("| scenario | oracle, K | limit without foresight | bar of the bench | ours |")
    print("|---|---|---|---|---|")
    for name in asked.scenarios:
        runs = run([name], CONTROLLERS, seeds, processes=2) + oracle_runs([name], seeds)
        error = {line.controller: line.mae_c for line in lines(runs)}
        (verdict,) = verdicts(runs)
        bar_c = 0.5 * (error[ORACLE] + error[verdict.best_peer])
        row = (error[ORACLE], median(limit_c(cook(name, seed)) for seed in seeds), bar_c, error["ours"])
        print(f"| {name} | " + " | ".join(f"{value:.3f}" for value in row) + " |", flush=True)
    print(f"\nslow dome probe: {standing_frac(seeds):.2f} of our error outlasts 20 min")


if __name__ == "__main__":
    main()
