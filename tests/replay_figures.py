"""Figures of docs/replay.md: what tuning from one record does on another cook of the same kettle.

Run: python tests/replay_figures.py [KETTLES] [FIRST] [--foreign]

For each kettle: a 3 h cook at the shipped defaults is recorded and tuned from; then another cook (other
wind, other air, other lid lifts) is tended with the defaults, with the tuned gains, and with each of a
fixed set of gains (the best of all these is the oracle of that cook).
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from foreign_grill import ForeignGrill

from coalminder.core import Config
from coalminder.core.config import LoopConfig
from coalminder.grill import Kettle, Weather, draw
from coalminder.grill.scenario import LidLift, Wood
from coalminder.journal import read
from coalminder.rehearse.fast import run_fast
from coalminder.replay.series import Series
from coalminder.replay.tune import tune
from coalminder.replay.whatif import Cook, from_record, scored_rows
from coalminder.seams import Grill

FIRST_DAY = (LidLift(4500.0, 90.0), LidLift(8100.0, 90.0), Wood(4530.0, 0.08), Wood(7000.0, 0.08))
OTHER_DAY = (LidLift(3600.0, 60.0), LidLift(6000.0, 120.0), Wood(3660.0, 0.1), Wood(9000.0, 0.06))


def grill(k: int, day: int, *, foreign: bool) -> Grill:
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


def recorded(k: int, *, foreign: bool) -> Cook:
    with tempfile.TemporaryDirectory() as folder:
        run_fast(grill(k, 0, foreign=foreign), Config(), FIRST_DAY, 3 * 3600.0, record=Path(folder))
        with read(next(Path(folder).glob("*.cook"))) as record:
            return from_record(record, str(k))


def other_day(k: int, loop: LoopConfig, *, foreign: bool) -> float:
    """Mean absolute error of the other cook, once settled, without lifted lids."""
    with tempfile.TemporaryDirectory() as folder:
        config = replace(Config(), loop=loop)
        run_fast(grill(k, 1, foreign=foreign), config, OTHER_DAY, 3 * 3600.0, record=Path(folder))
        with read(next(Path(folder).glob("*.cook"))) as record:
            cook = from_record(record, str(k))
    series: Series = cook.series
    rows = scored_rows(cook)
    return float(np.nanmean(np.abs(series.pit_c - series.set_point_c)[rows]))


def oracle_gains(base: LoopConfig) -> list[LoopConfig]:
    return [
        replace(base, kp=base.kp * a, ki=base.ki * a * b, kd=base.kd * a * c)
        for a in (0.5, 1.0, 2.0)
        for b, c in ((1.0, 1.0), (2.0, 1.0), (1.0, 0.0), (2.0, 2.0))
        if (a, b, c) != (1.0, 1.0, 1.0)
    ]


def main() -> None:
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    count, first = int(words[0]) if words else 50, int(words[1]) if len(words) > 1 else 0
    foreign, with_oracle = "--foreign" in sys.argv, "--no-oracle" not in sys.argv
    ratios, to_oracle, walls = [], [], []
    for k in range(first, first + count):
        cook = recorded(k, foreign=foreign)
        began = time.perf_counter()
        tuning = tune([cook], Config(), seed=1)
        walls.append(time.perf_counter() - began)
        before = other_day(k, Config().loop, foreign=foreign)
        after = other_day(k, tuning.after.loop, foreign=foreign)
        ratios.append(after / before)
        best = min(before, after)
        if with_oracle:
            best = min(best, *(other_day(k, loop, foreign=foreign) for loop in oracle_gains(Config().loop)))
        to_oracle.append(before / best)
        loop = tuning.after.loop
        print(
            f"{k:3d}  before {before:.2f}  after {after:.2f}  ratio {ratios[-1]:.2f}  oracle {best:.2f}  "
            f"Ms {tuning.before.ms:.2f} -> {tuning.after.ms:.2f}  kp {loop.kp:.3g} ki {loop.ki:.3g} "
            f"kd {loop.kd:.3g}  "
            f"{walls[-1]:.0f} s",
            flush=True,
        )
    figures = {
        "kettles": count,
        "foreign": foreign,
        "median_ratio": float(np.median(ratios)),
        "worst_ratio": max(ratios),
        "best_ratio": min(ratios),
        "defaults_over_oracle_median": float(np.median(to_oracle)),
        "defaults_over_oracle_worst": max(to_oracle),
        "tune_s_median": float(np.median(walls)),
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    main()
