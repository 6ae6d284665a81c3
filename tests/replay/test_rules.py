"""Tuning rules and Ms against published examples and python-control."""

from __future__ import annotations

import math

import control
import numpy as np
import pytest
from numpy.typing import NDArray
from ultimate_point import ultimate

from coalminder.core.config import LoopConfig, PitConfig
from coalminder.replay import rules
from coalminder.replay.fopdt import Floats, Fopdt
from coalminder.replay.robustness import Response, core_controller, fopdt_ms, loop_ms
from coalminder.values import Reading

# The worked model k = 2, tau = 1200 s, theta = 120 s: values follow from the published formulas
# (Skogestad 2003; Åström and Hägglund 2004; Ziegler and Nichols 1942).
MODEL = Fopdt(2.0, 1200.0, 120.0)
AMIGO_PID = rules.Gains(2.350, 504.0, 58.252)  # of that model (Åström and Hägglund 2004, from memory)


def controller(g: rules.Gains, filter_frac: float = 0.0) -> Response:
    """C(jw) of ideal-form gains, the derivative filtered with td x filter_frac."""

    def at(omega: Floats) -> NDArray[np.complex128]:
        s = 1j * omega
        return np.asarray(g.kc * (1.0 + 1.0 / (g.ti_s * s) + g.td_s * s / (1.0 + g.td_s * filter_frac * s)))

    return at


@pytest.mark.parametrize(
    ("rule", "kc", "ti_s"),
    [
        (rules.simc_pi, 2.500, 960.0),
        (rules.amigo_pi, 1.4118, 729.2),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_rule_gives_the_worked_value(rule: object, kc: float, ti_s: float) -> None:
    gains = rule(MODEL)  # type: ignore[operator]
    assert gains.kc == pytest.approx(kc, abs=6e-5)
    assert gains.ti_s == pytest.approx(ti_s, abs=0.05)
    assert gains.td_s == 0.0


def test_ziegler_nichols_gains_of_the_worked_process() -> None:
    # Ziegler and Nichols, Trans. ASME 64 (1942) 759, step response, from memory:
    # K = 1.2 tau / (k theta), Ti = 2 theta, Td = theta / 2 -> 6.0, 240 s, 60 s.
    pid = rules.zn_step_pid(MODEL)
    assert (pid.kc, pid.ti_s, pid.td_s) == (pytest.approx(6.0), pytest.approx(240.0), pytest.approx(60.0))


def test_ultimate_point_and_its_rule() -> None:
    ku, pu_s = ultimate(MODEL)
    assert (ku, pu_s) == (pytest.approx(8.1753, abs=1e-4), pytest.approx(462.00, abs=0.01))
    pi = rules.zn_ultimate_pi(ku, pu_s)
    assert (pi.kc, pi.ti_s) == (pytest.approx(3.6789, abs=1e-4), pytest.approx(385.0, abs=0.01))


def test_relay_gain_is_the_published_formula() -> None:
    # Åström and Hägglund 1984: 4 d / (pi a).
    assert rules.relay_gain(10.0, 4.0) == pytest.approx(3.183, abs=5e-4)
    assert rules.relay_gain(10.0, 5.0, 3.0) == pytest.approx(rules.relay_gain(10.0, 4.0))
    with pytest.raises(ValueError, match="hysteresis"):
        rules.relay_gain(10.0, 3.0, 3.0)


@pytest.mark.parametrize(
    ("gains", "ms"),
    [(rules.simc_pi(MODEL), 1.609), (rules.amigo_pi(MODEL), 1.317), (AMIGO_PID, 1.406)],
    ids=["simc_pi", "amigo_pi", "amigo_pid"],
)
def test_ms_of_the_worked_model(gains: rules.Gains, ms: float) -> None:
    assert fopdt_ms(MODEL, controller(gains)) == pytest.approx(ms, abs=0.0015)


def test_ms_of_simc_is_that_of_the_paper() -> None:
    # Skogestad 2003, table 1 (from memory, recomputed): tau_I = tau_1 gives Ms 1.59.
    m = Fopdt(1.0, 8.0, 1.0)
    assert fopdt_ms(m, controller(rules.simc_pi(m))) == pytest.approx(1.59, abs=0.005)


def _pade(m: Fopdt, order: int = 12) -> control.TransferFunction:
    num, den = control.pade(m.theta_s, order)
    return control.tf([m.k], [m.tau_s, 1.0]) * control.tf(num, den)


@pytest.mark.parametrize("seed", range(12))
def test_ms_agrees_with_python_control_within_half_a_percent(seed: int) -> None:
    rng = np.random.default_rng(seed)
    m = Fopdt(
        *(float(v) for v in np.exp(rng.uniform(np.log([0.3, 50.0, 5.0]), np.log([200.0, 3000.0, 200.0]))))
    )
    base = rules.simc_pi(m)
    gains = rules.Gains(
        base.kc * float(rng.uniform(0.3, 1.2)), base.ti_s, 0.4 * m.theta_s if seed % 2 else 0.0
    )
    s = control.tf("s")
    # The dead time as a Padé approximation of order 12, good far beyond the peak.
    law = gains.kc * (1 + 1 / (gains.ti_s * s) + gains.td_s * s / (1 + 0.1 * gains.td_s * s))
    loop = _pade(m) * law
    omega = np.geomspace(1e-2 / m.tau_s, 6.0 / m.theta_s, 40_000)
    expected = float(np.max(np.abs(1.0 / (1.0 + loop(1j * omega)))))
    assert fopdt_ms(m, controller(gains, 0.1)) == pytest.approx(expected, rel=0.005)


@pytest.mark.parametrize(
    ("factor", "stable"), [(0.9, True), (0.99, True), (1.01, False), (1.5, False), (20.0, False)]
)
def test_loop_beyond_its_ultimate_gain_is_unstable(factor: float, stable: bool) -> None:
    ku, _ = ultimate(MODEL)
    ms = fopdt_ms(MODEL, lambda w: np.full(len(w), factor * ku, dtype=np.complex128))
    assert math.isfinite(ms) is stable
    if stable:  # the loop's gain margin is 1 / factor, and at least Ms / (Ms - 1)
        assert ms / (ms - 1.0) * 0.999 <= 1.0 / factor


def test_core_controller_has_the_frequency_response_of_the_core_itself() -> None:
    """Feed the core's own filters and loop a sine and compare with the formula."""
    from coalminder.core import loop as core_loop
    from coalminder.core import pit as core_pit

    filters = PitConfig(smooth_s_per_c=0.0, slope_s_per_c=0.0)
    config = LoopConfig(kp=0.05, ki=1e-4, kd=2.0, proportional_limit_v=99.0)
    seconds, amplitude = 8000, 1.0
    for period_s in (60.0, 240.0, 900.0):
        omega = 2 * math.pi / period_s
        state, seen = core_loop.LoopState(), core_pit.PitState()
        output = []
        for n in range(seconds):
            seen = core_pit.observe(seen, filters, Reading(amplitude * math.sin(omega * n)), None, 1.0)
            state, terms = core_loop.run(
                state, config, 0.0, seen.smooth_c, seen.slope_c_per_s, 1.0, -1e9, 1e9
            )
            output.append(terms.output)
        n = np.arange(seconds)
        tail = n >= seconds - int(period_s) * (3000 // int(period_s))
        basis = np.column_stack([np.sin(omega * n), np.cos(omega * n), np.ones(seconds)])[tail]
        a, b, _ = np.linalg.lstsq(basis, -np.array(output)[tail], rcond=None)[0]
        law = core_controller(config, filters, 0.0)(np.array([omega]))[0]
        half_step = np.exp(-1j * omega / 2) * np.sinc(omega / 2 / math.pi)  # the hold, not seen at samples
        assert complex(a, b) == pytest.approx(law / half_step, rel=0.01)


def test_ms_of_an_arbitrary_loop_against_python_control() -> None:
    loop = control.tf([1.5], [1.0, 3.0, 3.0, 1.0])
    nearest = control.stability_margins(loop)[2]  # the least distance from -1
    assert loop_ms(lambda w: loop(1j * w), 1e-3, 1e3) == pytest.approx(1.0 / nearest, rel=1e-3)
