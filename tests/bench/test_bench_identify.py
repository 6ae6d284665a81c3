"""The step test, against known processes."""

import numpy as np
import pytest

from coalminder.bench.identify import dome_to_pit, fit_first_order, identify_nominal
from coalminder.bench.scenarios import cook


@pytest.mark.parametrize(("gain", "lag", "dead"), [(2.0, 1200.0, 120.0), (1500.0, 700.0, 40.0)])
def test_fit_finds_the_process_behind_a_noisy_step(gain: float, lag: float, dead: float) -> None:
    t = np.arange(5400.0)
    size = 0.02
    clean = gain * size * (1.0 - np.exp(-np.maximum(t - dead, 0.0) / lag))
    noisy = clean + np.random.default_rng(1).normal(0.0, 0.005 * clean[-1], len(t))
    found = fit_first_order(noisy, size)
    assert (found.k, found.tau_s, found.theta_s) == pytest.approx((gain, lag, dead), rel=0.05)


def test_step_test_finds_a_low_fire() -> None:
    found = identify_nominal()
    lag_s, dead_s = found.process.tau_s, found.process.theta_s
    assert 0.01 < found.hold < 0.15  # the useful travel is a few per cent (common practice)
    assert 600.0 < lag_s < 3600.0  # fire answers in minutes, forgets in tens of minutes (the same)
    assert 20.0 < dead_s < 300.0


def test_dome_correction_lies_between_air_and_dome() -> None:
    assert 0.5 < dome_to_pit(cook("dome", 0).scenario) < 1.2
