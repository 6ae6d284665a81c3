"""The FOPDT model and its fit against scipy, python-control and known truths."""

from __future__ import annotations

import math

import control
import numpy as np
import pytest

from coalminder.replay.fopdt import Fopdt, response
from coalminder.replay.identify import Prior, TooStillError, fit


@pytest.mark.parametrize(
    ("model", "step_s"),
    [
        (Fopdt(2.0, 1200.0, 120.0), 1.0),
        (Fopdt(60.0, 900.0, 22.0), 5.0),
        (Fopdt(-3.0, 50.0, 7.3), 2.0),
        (Fopdt(1.0, 10.0, 0.0), 1.0),
    ],
    ids=["worked", "kettle", "between_samples", "no_dead_time"],
)
def test_response_to_any_held_input_is_that_of_python_control(model: Fopdt, step_s: float) -> None:
    rng = np.random.default_rng(3)
    n = 400
    u = np.repeat(rng.normal(size=n // 20), 20)
    fine = round(step_s / 0.1)
    t = np.arange(n * fine) * 0.1
    delay = round(model.theta_s / 0.1)
    held = np.concatenate([np.full(delay, u[0]), np.repeat(u, fine)])[: n * fine]
    plant = control.c2d(control.tf([model.k], [model.tau_s, 1.0]), 0.1, "zoh")
    _, y = control.forced_response(plant, t, held - u[0])
    assert response(model, u, step_s) == pytest.approx(y[::fine], abs=1e-6 * abs(model.k))


def test_step_reaches_63_percent_one_lag_after_the_dead_time() -> None:
    y = response(Fopdt(2.0, 1200.0, 120.0), np.r_[0.0, np.ones(3000)], 1.0)
    assert y[1 + 1320] == pytest.approx(2.0 * (1 - math.exp(-1)), rel=1e-9)
    assert np.all(y[:121] == 0.0)


def plant_data(model: Fopdt, seed: int, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """An input of some steps and the output of the model by python-control, with white noise."""
    rng = np.random.default_rng(seed)
    n = 9000
    lengths = rng.integers(400, 1500, size=20)
    u = np.repeat(rng.choice([-0.4, 0.0, 0.4], size=20), lengths)[:n]
    plant = control.c2d(control.tf([model.k], [model.tau_s, 1.0]), 1.0, "zoh")
    delayed = np.concatenate([np.full(round(model.theta_s), u[0]), u])[:n]
    _, y = control.forced_response(plant, np.arange(float(n)), delayed - u[0])
    return u, 93.0 + y + noise * rng.normal(size=n)


@pytest.mark.parametrize("seed", range(8))
def test_fit_finds_gain_lag_and_dead_time_within_5_percent(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    true = Fopdt(
        float(rng.uniform(20, 150)), float(rng.uniform(300, 1500)), float(round(rng.uniform(20, 150)))
    )
    u, y = plant_data(true, seed, noise=0.15)
    found = fit(1.0, u, y)
    assert found.model.k == pytest.approx(true.k, rel=0.05)
    assert found.model.tau_s == pytest.approx(true.tau_s, rel=0.05)
    assert found.model.theta_s == pytest.approx(true.theta_s, rel=0.05)
    assert found.explained_frac > 0.9


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    true = Fopdt(60.0, 900.0, 40.0)
    inside = 0
    for seed in range(15):
        u, y = plant_data(true, seed, noise=0.5)
        found = fit(1.0, u, y)
        inside += found.tau_s.low <= true.tau_s <= found.tau_s.high
    assert inside >= 10  # 90 % of 15 is 13.5; fewer than 10 would come once in 450 times


def test_fit_under_control_is_not_fooled_by_the_loop() -> None:
    """Wind pushes the pit and the loop answers it through the vents."""
    true = Fopdt(60.0, 1000.0, 30.0)
    rng = np.random.default_rng(8)
    n = 20_000
    wind = np.cumsum(0.02 * rng.normal(size=n))
    y, u = np.zeros(n), np.zeros(n)
    state = 0.0
    keep = math.exp(-1.0 / true.tau_s)
    for i in range(n):
        y[i] = state + wind[i] + 0.05 * rng.normal()
        wanted = 0.8 if (i // 3000) % 2 else -0.8
        u[i] = 0.05 * (wanted - y[i])
        state = keep * state + (1 - keep) * true.k * (u[i - 30] if i >= 30 else 0.0)
    found = fit(1.0, u, y)
    assert found.slope.low <= true.slope_per_s <= found.slope.high
    assert found.model.slope_per_s == pytest.approx(true.slope_per_s, rel=0.3)


def test_residual_tests_pass_for_the_right_model_and_fail_for_a_wrong_one() -> None:
    u, y = plant_data(Fopdt(60.0, 600.0, 40.0), 1, noise=0.1)
    good = fit(1.0, u, y)
    assert min(good.white_p, good.cross_p) > 0.01
    # A plant that is no first-order lag: it first goes the wrong way.
    plant = control.c2d(control.tf([-400.0, 60.0], [600.0 * 80.0, 680.0, 1.0]), 1.0, "zoh")
    _, wrong = control.forced_response(plant, np.arange(float(len(u))), u - u[0])
    assert min(fit(1.0, u, wrong + 0.02 * np.random.default_rng(2).normal(size=len(u))).white_p, 1.0) < 0.01


@pytest.mark.parametrize("size", [0.0, 0.05])
def test_record_without_movement_is_refused_with_what_to_do(size: float) -> None:
    rng = np.random.default_rng(0)
    u = size * (np.arange(5000) > 2500)
    with pytest.raises(TooStillError, match=r"moved less than needed.*open the lower vent.*10 min"):
        fit(1.0, u, 93.0 + 0.2 * rng.normal(size=5000))


def test_movement_that_drowns_in_noise_is_refused_too() -> None:
    rng = np.random.default_rng(0)
    u = 0.12 * (np.arange(5000) % 1000 > 500)
    with pytest.raises(TooStillError):
        fit(1.0, u, 93.0 + np.cumsum(0.3 * rng.normal(size=5000)))


def test_prior_speaks_where_the_record_does_not() -> None:
    rng = np.random.default_rng(0)
    u = 0.12 * (np.arange(5000) % 1000 > 500)
    prior = Prior(0.05, 0.3, 1000.0, 0.4, 25.0, 0.4)
    found = fit(1.0, u, 93.0 + np.cumsum(0.3 * rng.normal(size=5000)), prior=prior, trust=0.01)
    assert found.model.slope_per_s == pytest.approx(0.05, rel=0.3)
    assert found.slope.high / found.slope.low > 1.5


def test_a_long_record_makes_no_dead_time() -> None:
    """Half a day of a kettle like the usual one, vents moved by hand, python-control's output and white
    noise: what is believed of its dead time is no other than after an hour, for the same kettle answered.
    """
    rng = np.random.default_rng(4)
    true = Fopdt(66.0, 1100.0, 5.0)
    usual = Prior(0.06, 0.4, 1100.0, 0.45, 5.0, 0.6)
    n = 43_200
    u = np.repeat(rng.choice([-0.3, 0.0, 0.3], size=n // 300), 300)
    plant = control.c2d(control.tf([true.k], [true.tau_s, 1.0]), 1.0, "zoh")
    delayed = np.concatenate([np.full(5, u[0]), u])[:n]
    _, y = control.forced_response(plant, np.arange(float(n)), delayed - u[0])
    y += 93.0 + 1.0 * rng.normal(size=n)
    for rows in (3600, n):
        found = fit(1.0, u[:rows], y[:rows], prior=usual, trust=0.003)
        assert found.theta_s.low <= true.theta_s <= found.theta_s.high
        assert found.model.theta_s == pytest.approx(true.theta_s, rel=0.5)
        assert found.model.slope_per_s == pytest.approx(true.slope_per_s, rel=0.1)
