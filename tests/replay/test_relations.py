"""What must hold between two readings of one cook, whatever the cook was."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from coalminder.core import Config
from coalminder.replay.fopdt import Floats
from coalminder.replay.learned import USUAL_KETTLE, fit_cook, learn, pool
from coalminder.replay.series import Series, log_draught
from coalminder.replay.whatif import Cook, from_series

LEAK = Config().split.leak_opening


def by_hand(seed: int, n: int = 9000, openings: tuple[float, ...] = (0.09, 0.12, 0.16)) -> Series:
    """A hand moves the vents of a kettle (gain 60, lag 1000 s, dead time 9 s; scipy's) in wind."""
    rng = np.random.default_rng(seed)
    lower = np.repeat(rng.choice(openings, size=60), rng.integers(150, 600, size=60))[:n]
    v, none = log_draught(lower, LEAK), np.full(n, np.nan)

    def lagged(x: Floats, tau_s: float) -> Floats:
        keep = math.exp(-1.0 / tau_s)
        return np.asarray(lfilter([1.0 - keep], [1.0, -keep], x))

    moved = np.concatenate([np.zeros(10), 60.0 * (v - v[0])])[:n]
    wind = 2.0 * lagged(rng.normal(size=n) * math.sqrt(2 * 150.0), 150.0)
    pit_c = 93.0 + lagged(moved + wind, 1000.0) + 0.12 * rng.normal(size=n)
    words, lid = np.full(n, ""), np.zeros(n, dtype=bool)
    return Series(np.arange(float(n)), pit_c, lower, np.ones(n), none, words, lid, none, none, none)


def cook_of(series: Series, name: str = "a") -> Cook:
    return from_series(series, name, Config())


def test_intervals_of_pooled_cooks_are_those_of_the_pooled_kettle() -> None:
    """Two records of like information: by the square root of two narrower, around what both say."""
    wide = replace(USUAL_KETTLE, slope_sd=3.0, tau_sd=3.0, theta_sd=3.0)
    fits = [fit_cook(cook_of(by_hand(seed)), wide) for seed in (0, 1)]
    both = pool(fits, wide)
    for name, value in (("slope", both.model.slope_per_s), ("k", both.model.k)):
        together = getattr(both, name)
        assert math.sqrt(together.low * together.high) == pytest.approx(value)
        alone = np.mean([math.log(getattr(one, name).high / getattr(one, name).low) ** -2 for one in fits])
        narrower = math.log(together.high / together.low) * math.sqrt(alone)
        assert narrower == pytest.approx(math.sqrt(0.5), rel=0.15)


def test_a_cook_that_taught_nothing_does_not_deny_what_another_taught() -> None:
    moved, still = cook_of(by_hand(0)), cook_of(by_hand(0, openings=(0.12,)), "still")
    alone = learn([moved])
    assert alone.still == ""
    for cooks in ([moved, still], [still, moved]):
        both = learn(cooks)
        assert (both.fit.model, both.still, both.doubt) == (alone.fit.model, "", alone.doubt)
