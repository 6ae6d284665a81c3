"""Figures of docs/control.md: what a tender who knows the kettle exactly could reach without foresight.

Run: python tests/causal_limit.py [KETTLES] [SCENARIO ...]

A kettle of the bench is tended for 90 min and made linear where it stands, with its sky as coloured noise:
gusts as a sum of first-order lags with the spectrum of `Weather`, clouds as one of 200 s. The Kalman filter
for it and for the probe's noise, with the linear-quadratic regulator for a price on the moves of the vents,
then leaves the least variance that any linear tender can for such moves (separation principle; Anderson and
Moore, Optimal Control, 1990, from memory). Mean error, and mean move, is 0.8 of the standard deviation
(normal distribution). With a price of almost nothing that is the limit; with others, what an error costs in
servo travel. Beside it: the oracle, the bars of the bench (error: oracle + half of what the best peer is
worse; travel: a third of SIMC's) and ours in the same cooks.

At the end: the share of our error with a dome probe that is a standing shift; and the peak of the 10 h cooks
that pass the ceiling, had the vents been shut from the first second of a lifted lid.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, fields

import numpy as np
from linear_figures import PROBE, tended
from numpy.typing import NDArray
from scipy.linalg import expm, solve_discrete_are
from scipy.optimize import nnls

from coalminder.bench.controllers import CONTROLLERS, Seen
from coalminder.bench.metrics import CEILING_C, SETTLED_S
from coalminder.bench.oracle import oracle_runs
from coalminder.bench.plant import Exogenous, area, foresee, rhs
from coalminder.bench.report import ORACLE, lines, verdicts
from coalminder.bench.runner import run, tend
from coalminder.bench.scenarios import Cook, cook
from coalminder.core import Config, air
from coalminder.grill import KettleParameters, equations
from coalminder.vents.curve import DEFAULT_CURVE

Floats = NDArray[np.float64]

AT_S, CLOUDS_S = 5400, 200.0
WINDOW_S = 4 * 3600 - SETTLED_S
#: of a square of the move of v in a second, in K^2
PRICES = np.geomspace(1e-3, 1e7, 11)
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


@dataclass(frozen=True)
class Linear:
    """dx/dt = a x + b v + noise of density w; the pit and what its probe shows; strokes for a unit of v."""

    a: Floats
    b: Floats
    w: Floats
    pit: Floats
    shown: Floats
    noise_c: float
    strokes_per_v: float


def linear(the_cook: Cook) -> Linear:
    """This kettle where it stands after 90 min."""
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
    place = DEFAULT_CURVE.position
    strokes = place(air.opening(v0 + 0.02, leak)) - place(air.opening(v0 - 0.02, leak))
    return Linear(a, b, w, pit, shown, the_cook.scenario.fittings.pit_noise_c, strokes / 0.04)


def least(of: Linear) -> Floats:
    """Rows: least mean error in K and servo travel in strokes a bench's window, for each of PRICES."""
    n, eye = len(of.a) + 1, 1e-13 * np.eye(len(of.a) + 1)
    big = expm(np.block([[-of.a, of.w], [np.zeros(of.a.shape), of.a.T]]))
    f = big[n - 1 :, n - 1 :].T
    q = f @ big[: n - 1, n - 1 :]
    g = expm(np.block([[of.a, of.b], [np.zeros((1, n))]]))[: n - 1, n - 1 :]
    noise = np.array([[of.noise_c**2]])
    unsure = solve_discrete_are(f.T, of.shown.T, 0.5 * (q + q.T) + eye[1:, 1:], noise)
    gained = unsure @ of.shown.T @ np.linalg.solve(of.shown @ unsure @ of.shown.T + noise, of.shown @ unsure)
    # v belongs to the state, its move is the control
    f, g = np.block([[f, g], [np.zeros((1, n - 1)), np.ones((1, 1))]]), np.vstack([g, [[1.0]]])
    pit, pad = np.hstack([of.pit, [[0.0]]]), ((0, 1), (0, 1))
    rows = []
    for price in PRICES:
        cost = solve_discrete_are(f, g, pit.T @ pit + eye, np.array([[price]]))
        moves = np.linalg.solve(g.T @ cost @ g + price, g.T @ cost @ f)
        # what the filter does not know stays; what it learns each second is steered away with `moves`
        known, power = np.pad(gained, pad), f - g @ moves
        for _ in range(26):  # doubling: sum of steered^k x gained x steered^kT
            known, power = known + power @ known @ power.T, power @ power
        steered = f - g @ moves
        error = pit @ (np.pad(unsure, pad) + steered @ known @ steered.T) @ pit.T
        move = moves @ known @ moves.T
        rows.append(0.8 * np.sqrt([error[0, 0], move[0, 0]]) * (1.0, of.strokes_per_v * WINDOW_S))
    return np.array(rows)


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


class ShutUnderOpenLid:
    """Ours, but both vents are shut in each second in which the lid is off."""

    def __init__(self, the_cook: Cook, known: Exogenous) -> None:
        self._ours, self._lid = CONTROLLERS["ours"](the_cook), known.lid

    def tend(self, seen: Seen) -> tuple[float, float]:
        places = self._ours.tend(seen)
        return (0.0, 0.0) if self._lid[seen.second] else places


def ceiling() -> None:
    """Prints the 10 h cooks of ours that pass the ceiling, and what shut vents under the open lid leave."""
    seeds = range(20)
    peaks = {r.key[1]: r.score.peak_c for r in oracle_runs(["long"], seeds)}
    for item in run(["long"], {"ours": CONTROLLERS["ours"]}, seeds, processes=2):
        if item.score.peak_c > CEILING_C:
            the_cook = cook("long", item.seed)
            known = foresee(the_cook.scenario, item.seed)
            shut_c = np.max(tend(the_cook, ShutUnderOpenLid(the_cook, known), known).pit_c)
            print(f"10 h cook {item.seed}: peak {item.score.peak_c:.2f} °C, {shut_c:.2f} with the vents shut "
                  f"while the lid is off; oracle {peaks[item.seed]:.2f}")  # fmt: skip


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("kettles", nargs="?", type=int, default=6)
    words.add_argument("scenarios", nargs="*", default=["calm", "gusty", "sun", "leaky", "noisy", "big_fire"])
    asked = words.parse_args()
    seeds = range(asked.kettles)
    print("| scenario | mean error, K: oracle | limit without foresight | bar | ours | ", end="")
    print("travel, strokes: for the error's bar | ours | bar | error that travel's bar leaves, K |")
    print("|---" * 9 + "|")
    for name in asked.scenarios:
        runs = run([name], CONTROLLERS, seeds, processes=2) + oracle_runs([name], seeds)
        table = {line.controller: line for line in lines(runs)}
        (verdict,) = verdicts(runs)
        oracle_c, ours = table[ORACLE].mae_c, table["ours"]
        bar_c = 0.5 * (oracle_c + table[verdict.best_peer].mae_c)
        errors, travels = np.median([least(linear(cook(name, seed))) for seed in seeds], axis=0).T
        third = table["simc"].travel / 3.0
        asks = np.exp(np.interp(bar_c, errors, np.log(travels))) if bar_c > errors[0] else np.inf
        leaves_c = np.interp(-third, -travels, errors)
        found = (oracle_c, errors[0], bar_c, ours.mae_c, asks, ours.travel, third, leaves_c)
        print(f"| {name} | " + " | ".join(f"{value:.3g}" for value in found) + " |", flush=True)
    print(f"\nslow dome probe: {standing_frac(seeds):.2f} of our error outlasts 20 min")
    ceiling()


if __name__ == "__main__":
    main()
