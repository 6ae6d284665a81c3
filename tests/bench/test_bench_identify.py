"""The step test and the textbook gains, against published rules."""

import numpy as np
import pytest

from coalminder.bench.identify import (
    Identified,
    dome_to_pit,
    fit_first_order,
    identify_nominal,
    simc_pi,
    ziegler_nichols_pid,
)
from coalminder.bench.scenarios import cook

# A process of gain 2, lag 1200 s, dead time 120 s.
WORKED = Identified(gain_k=2.0, lag_s=1200.0, dead_s=120.0, hold=0.1)


def test_simc_gains_of_the_worked_process() -> None:
    # Skogestad, J. Process Control 13 (2003) 291: Kc = tau / (k (tau_c + theta)), tau_c = theta,
    # tau_I = min(tau, 4 (tau_c + theta)) -> 2.5 and 960 s.
    kp, ki, kd = simc_pi(WORKED)
    assert kp == pytest.approx(2.5)
    assert kp / ki == pytest.approx(960.0)
    assert kd == 0.0


def test_ziegler_nichols_gains_of_the_worked_process() -> None:
    # Ziegler and Nichols, Trans. ASME 64 (1942) 759, step response, from memory:
    # K = 1.2 tau / (k theta), Ti = 2 theta, Td = theta / 2 -> 6.0, 240 s, 60 s.
    kp, ki, kd = ziegler_nichols_pid(WORKED)
    assert kp == pytest.approx(6.0)
    assert kp / ki == pytest.approx(240.0)
    assert kd / kp == pytest.approx(60.0)


@pytest.mark.parametrize(("gain", "lag", "dead"), [(2.0, 1200.0, 120.0), (1500.0, 700.0, 40.0)])
def test_fit_finds_the_process_behind_a_noisy_step(gain: float, lag: float, dead: float) -> None:
    t = np.arange(5400.0)
    size = 0.02
    clean = gain * size * (1.0 - np.exp(-np.maximum(t - dead, 0.0) / lag))
    noisy = clean + np.random.default_rng(1).normal(0.0, 0.005 * clean[-1], len(t))
    assert fit_first_order(noisy, size) == pytest.approx((gain, lag, dead), rel=0.05)


def test_step_test_finds_a_low_fire() -> None:
    found = identify_nominal()
    assert 0.01 < found.hold < 0.15  # the useful travel is a few per cent (common practice)
    assert 600.0 < found.lag_s < 3600.0  # fire answers in minutes, forgets in tens of minutes (the same)
    assert 20.0 < found.dead_s < 300.0


def test_dome_correction_lies_between_air_and_dome() -> None:
    assert 0.5 < dome_to_pit(cook("dome", 0).scenario) < 1.2
