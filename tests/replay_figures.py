"""Figures of docs/replay.md: what tuning from one record does on another cook of the same kettle.

Run: python tests/replay_figures.py [KETTLES] [FIRST] [--foreign] [--slack] [--jobs N]

For each kettle: a 3 h cook at the shipped defaults is recorded and tuned from (--slack: at a quarter of kp
and kd, an eighth of ki); then another cook (other wind, other air, other lid lifts) is tended with the same
gains, with the tuned ones, and with each of a fixed set. The best of all these is the limit of what gains can
do for that very cook. Errors are of the true pit, without the probe's noise.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import random
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from foreign_grill import ForeignGrill

from coalminder.core import Config
from coalminder.core.config import LoopConfig
from coalminder.grill import Kettle, Weather, draw
from coalminder.grill.scenario import LidLift, Wood
from coalminder.journal import read
from coalminder.rehearse.fast import run_fast
from coalminder.replay.tune import tune
from coalminder.replay.whatif import Cook, from_record, scored_rows

FIRST_DAY = (LidLift(4500.0, 90.0), LidLift(8100.0, 90.0), Wood(4530.0, 0.08), Wood(7000.0, 0.08))
OTHER_DAY = (LidLift(3600.0, 60.0), LidLift(6000.0, 120.0), Wood(3660.0, 0.1), Wood(9000.0, 0.06))


def grill(k: int, day: int, *, foreign: bool) -> Kettle | ForeignGrill:
    """Kettle `k` on one of two days."""
    if foreign:
        r = random.Random(k)
        return ForeignGrill(
            ambient_c=12.0 - 5.0 * day,
            leak=r.uniform(0.01, 0.03),
            vent_power=r.uniform(0.8, 1.4),
            air_gain=r.uniform(0.8, 1.3),
            loss_w_per_k=r.uniform(6.0, 10.0),
            wall_j_per_k=r.uniform(5e3, 9e3),
            dead_s=r.randint(10, 45),
            noise_c=r.uniform(0.1, 0.5),
            gust=r.uniform(0.1, 0.25),
            seed=2 * k + day,
        )
    parameters, fittings = draw(k)
    wind, air_c = ((3.0, 9.0), (5.0, 4.0))[day]
    seed = 1000 * day + k
    return Kettle(parameters, fittings, Weather(wind_m_per_s=wind, ambient_c=air_c, seed=seed), seed=seed)


def recorded(one: Kettle | ForeignGrill, loop: LoopConfig, name: str) -> Cook:
    """The first day's cook on `one`, tended with `loop`."""
    with tempfile.TemporaryDirectory() as folder:
        config = replace(Config(), loop=loop)
        run_fast(one, config, FIRST_DAY, 3 * 3600.0, record=Path(folder))
        with read(next(Path(folder).glob("*.cook"))) as record:
            return from_record(record, name)


class Watched:
    """A grill whose true pit is written down second by second."""

    def __init__(self, grill: Kettle | ForeignGrill) -> None:
        self._grill, self.true_c = grill, list[float]()

    def __getattr__(self, name: str) -> object:
        return getattr(self._grill, name)

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        self._grill.advance(seconds, lower, upper, lid_open)
        self.true_c.append(self._grill.true_pit_c)


def other_day(k: int, loop: LoopConfig, *, foreign: bool) -> float:
    """Mean absolute error of the other cook, once settled, without lifted lids."""
    with tempfile.TemporaryDirectory() as folder:
        watched = Watched(grill(k, 1, foreign=foreign))
        config = replace(Config(), loop=loop)
        run_fast(watched, config, OTHER_DAY, 3 * 3600.0, record=Path(folder))  # type: ignore[arg-type]
        with read(next(Path(folder).glob("*.cook"))) as record:
            cook = from_record(record, str(k))
    true_c = np.array(watched.true_c)[: len(cook.series)]
    return float(np.mean(np.abs(true_c - cook.series.set_point_c)[scored_rows(cook)]))


def other_gains(base: LoopConfig) -> list[LoopConfig]:
    return [
        replace(base, kp=base.kp * a, ki=base.ki * a * b, kd=base.kd * a * c)
        for a in (0.5, 1.0, 2.0)
        for b, c in ((1.0, 1.0), (2.0, 1.0), (1.0, 0.0), (2.0, 2.0))
        if (a, b, c) != (1.0, 1.0, 1.0)
    ]


@dataclass(frozen=True)
class Found:
    """Of one kettle: errors in K with the gains recorded, tuned, and with the best of the fixed set."""

    kettle: int
    before: float
    after: float
    best: float
    changed: bool
    tune_s: float
    text: str


def one(task: tuple[int, bool, bool]) -> Found:
    k, foreign, slack = task
    usual = LoopConfig()
    base = replace(usual, kp=usual.kp / 4, ki=usual.ki / 8, kd=usual.kd / 4) if slack else usual
    cook = recorded(grill(k, 0, foreign=foreign), base, str(k))
    began = time.perf_counter()
    tuning = tune([cook], replace(Config(), loop=base), seed=1, workers=1)
    wall_s = time.perf_counter() - began
    before = other_day(k, base, foreign=foreign)
    loop = tuning.after.loop
    after = other_day(k, loop, foreign=foreign) if tuning.changed else before
    others = [other_day(k, gains, foreign=foreign) for gains in (usual, *other_gains(usual))]
    best = min(before, after, *others)
    gains = f"kp {loop.kp:.3g} ki {loop.ki:.3g} kd {loop.kd:.3g}"
    text = f"Ms {tuning.before.ms:.2f} -> {tuning.after.ms:.2f}  {gains}  to win {tuning.no_limits_frac:.0%}"
    return Found(k, before, after, best, tuning.changed, wall_s, text)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("kettles", nargs="?", type=int, default=50)
    words.add_argument("first", nargs="?", type=int, default=0)
    words.add_argument("--foreign", action="store_true")
    words.add_argument("--slack", action="store_true")
    words.add_argument("--jobs", type=int, default=2)
    asked = words.parse_args()
    tasks = [(k, asked.foreign, asked.slack) for k in range(asked.first, asked.first + asked.kettles)]
    found = []
    with multiprocessing.get_context("forkserver").Pool(asked.jobs) as pool:
        for f in pool.imap_unordered(one, tasks):
            found.append(f)
            print(
                f"{f.kettle:3d}  before {f.before:.3f}  after {f.after:.3f}  ratio {f.after / f.before:.2f}  "
                f"best gains {f.best:.3f}  {f.text}  {f.tune_s:.0f} s",
                flush=True,
            )
    ratios = [f.after / f.before for f in found]
    to_best = [f.before / f.best for f in found]
    figures = {
        "kettles": len(found),
        "foreign": asked.foreign,
        "slack": asked.slack,
        "changed": sum(f.changed for f in found),
        "median_ratio": float(np.median(ratios)),
        "worst_ratio": max(ratios),
        "best_ratio": min(ratios),
        "before_over_best_median": float(np.median(to_best)),
        "before_over_best_worst": max(to_best),
        "tune_s_median": float(np.median([f.tune_s for f in found])),
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    main()
