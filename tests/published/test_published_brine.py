"""Brine and diffusion against published figures; each source stands beside its check."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.sparse import csr_matrix

from coalminder.food import brine, diffusion, salt

CoolProp = pytest.importorskip("CoolProp.CoolProp")


@pytest.mark.parametrize(
    ("fourier", "uptake", "centre"),
    [
        (0.01, 0.1128, 0.0000),
        (0.05, 0.2523, 0.0031),
        (0.1, 0.3568, 0.0507),
        (0.2, 0.5041, 0.2277),
        (0.5, 0.7640, 0.6292),
        (1.0, 0.9313, 0.8920),
    ],
)
def test_diffusion_follows_crank(fourier: float, uptake: float, centre: float) -> None:
    # Crank, The Mathematics of Diffusion, ch. 4; formulas from memory, numbers recomputed.
    assert diffusion.slab_uptake(fourier) == pytest.approx(uptake, abs=1e-4)
    assert diffusion.slab_centre(fourier) == pytest.approx(centre, abs=1e-4)


def test_half_uptake_comes_at_fourier_0_196() -> None:
    # Crank ch. 4: half-time Dt/L2 = 0.049 on the full thickness, 0.196 on the half (from memory).
    assert diffusion.fourier_for(0.5) == pytest.approx(0.196, abs=1e-3)
    assert diffusion.fourier_for(0.5) / 4 == pytest.approx(0.049, abs=3e-4)


@pytest.mark.parametrize("bath", [0.3, 2.9, 30.0])
@pytest.mark.parametrize("fourier", [0.002, 0.0049, 0.0051, 0.05, 0.2, 1.0])
def test_a_bath_that_weakens_follows_its_mass_balance(bath: float, fourier: float) -> None:
    """Fick's law in 400 cells beside a stirred bath that loses what they take (scipy's BDF)."""
    cells = 400

    def fluxes(_: float, y: np.ndarray) -> np.ndarray:
        slab, around = y[:-1], y[-1]
        inwards = np.append(np.diff(slab) * cells, (around - slab[-1]) * 2 * cells)
        return np.append((inwards - np.append(0.0, inwards[:-1])) * cells, -inwards[-1] / bath)

    start = np.append(np.zeros(cells), (1.0 + bath) / bath)  # all that there is comes to 1 everywhere
    near = np.eye(cells + 1) + np.eye(cells + 1, k=1) + np.eye(cells + 1, k=-1)
    end = solve_ivp(
        fluxes, (0.0, fourier), start, "BDF", rtol=1e-7, atol=1e-9, jac_sparsity=csr_matrix(near)
    ).y[:, -1]
    assert diffusion.slab_uptake(fourier, bath) == pytest.approx(end[:-1].mean(), abs=1e-4)
    assert diffusion.slab_centre(fourier, bath) == pytest.approx(end[0], abs=1e-4)


def test_a_bath_without_end_does_not_weaken() -> None:
    for fourier in (0.002, 0.05, 0.5):
        assert diffusion.slab_uptake(fourier, 1e4) == pytest.approx(diffusion.slab_uptake(fourier), rel=3e-4)
        assert diffusion.slab_centre(fourier, 1e4) == pytest.approx(diffusion.slab_centre(fourier), abs=3e-4)


@pytest.mark.parametrize("of", [diffusion.slab_uptake, diffusion.slab_centre])
def test_uptake_never_falls_with_time(of) -> None:  # type: ignore[no-untyped-def]
    values = [of(10 ** (-6 + 7 * i / 300)) for i in range(301)]
    assert all(b >= a - 1e-9 for a, b in pairwise(values))
    assert 0.0 <= values[0] < 0.01
    assert values[-1] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(
    ("degrees", "percent", "density"),
    [
        (10, 2.640, 1018.0), (20, 5.279, 1037.4), (30, 7.919, 1056.8), (40, 10.558, 1076.6),
        (50, 13.198, 1096.6), (60, 15.837, 1116.9), (70, 18.477, 1137.8), (80, 21.116, 1159.1),
        (90, 23.756, 1180.7),
        (100, 26.395, 1203.0),
    ],
)  # fmt: skip
def test_salometer_and_density_at_60_f(degrees: float, percent: float, density: float) -> None:
    # The Salometer and How to Use It: 100 degrees = 26.395 %. Density: table of Poradnik fizykochemiczny
    # (WNT 1974)
    # brought to 15.56 °C by its own coefficient; the salt handbook's specific gravities agree (from memory).
    assert salt.salometer_deg(percent / 100) == pytest.approx(degrees, abs=0.004)
    assert salt.brine_density_kg_m3(percent / 100, 15.56) == pytest.approx(density, abs=0.5)


@pytest.mark.parametrize("percent", [2, 6, 10, 14, 18, 20, 22])
def test_density_and_freezing_agree_with_coolprop(percent: float) -> None:
    # CoolProp, incompressible fluid MNA (sodium chloride in water).
    fluid = f"INCOMP::MNA[{percent / 100}]"
    expected = CoolProp.PropsSI("D", "T", 293.15, "P", 101325, fluid)
    assert salt.brine_density_kg_m3(percent / 100, 20.0) == pytest.approx(expected, abs=0.6)
    freezing = CoolProp.PropsSI("T_freeze", "T", 300, "P", 101325, fluid) - 273.15
    assert salt.brine_freezing_c(percent / 100) == pytest.approx(freezing, abs=0.3)


def test_density_of_ten_and_twenty_per_cent_salt() -> None:
    # Poradnik fizykochemiczny (WNT 1974).
    assert salt.brine_density_kg_m3(0.10, 20.0) == pytest.approx(1070.7, abs=0.5)
    assert salt.brine_density_kg_m3(0.20, 20.0) == pytest.approx(1147.8, abs=0.5)


def test_sugar_water_has_the_tabled_density() -> None:
    # ICUMSA/NBS C440 (from memory).
    assert salt.brine_density_kg_m3(0.0, 20.0, 0.10) == pytest.approx(1038.1, abs=0.5)
    assert salt.brine_density_kg_m3(0.0, 20.0, 0.20) == pytest.approx(1080.9, abs=0.5)


@pytest.mark.parametrize(("salt_pct", "sugar_pct"), [(10, 3), (15, 5), (18, 10)])
def test_sugar_in_a_brine_takes_its_own_room(salt_pct: float, sugar_pct: float) -> None:
    # Apparent specific volume of sucrose in water, 0.62 cm3/g (from memory); salt changes it little.
    whole = 100.0 - sugar_pct
    salt_only = salt.brine_density_kg_m3(salt_pct / whole, 20.0)
    expected = 100.0 / (whole / salt_only + sugar_pct * 0.62e-3)
    assert salt.brine_density_kg_m3(salt_pct / 100, 20.0, sugar_pct / 100) == pytest.approx(expected, abs=3.0)


def test_brine_freezes_lowest_at_the_eutectic() -> None:
    # Preparation of salt brines (extension bulletin SG 22): 23.3 %, about -21 °C.
    assert salt.brine_freezing_c(0.233) == pytest.approx(-21.0, abs=0.1)
    assert salt.brine_freezing_c(0.26) == -21.0


def test_water_phase_salt_of_the_worked_example() -> None:
    # Definition of the trade (from memory): 2.5 % salt, 68 % water -> 3.546 %; 3.5 % at 65 % water needs
    # 2.358 % salt.
    assert salt.water_phase_salt_pct(2.5, 68.0) == pytest.approx(3.546, abs=0.001)
    assert salt.salt_pct_for_wps(3.5, 65.0) == pytest.approx(2.358, abs=0.001)


def test_equilibrium_brining_of_the_worked_example() -> None:
    # Mass balance: 1 kg of 10 % brine and 1 kg of fish (75 % water, 0.3 % salt) end at 5.876 %.
    assert brine.equilibrium_wps_pct(1.0, 0.10, 1.0, 0.75, 0.003) == pytest.approx(5.876, abs=0.002)
    salt_kg = brine.equilibrium_salt_kg(1.0, 0.75, 0.9, 5.876, 0.003)
    assert salt_kg == pytest.approx(0.100, abs=1e-4)


def test_immersion_time_is_cranks_half_time() -> None:
    # Crank ch. 4: half of the uptake at Dt/l2 = 0.1967 with l half the thickness.
    seconds = brine.immersion_s(0.022, False, 10.4, 5.4, 0.4, diffusivity_m2_s=2e-10)
    assert seconds == pytest.approx(diffusion.fourier_for(0.5) * 0.011**2 / 2e-10, rel=1e-9)
    assert brine.immersion_s(0.022, True, 10.4, 5.4, 0.4) == pytest.approx(4 * seconds, rel=1e-9)
    assert math.isinf(brine.immersion_s(0.022, False, 3.0, 5.0))
