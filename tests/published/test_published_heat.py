"""Properties, humid air and conduction against published figures; each source stands beside its check."""

from __future__ import annotations

import math
from itertools import pairwise

import fine_slab
import pytest

from coalminder.food import ensemble, humid_air
from coalminder.food.composition import Composition, Thermal, thermal

CoolProp = pytest.importorskip("CoolProp.CoolProp")
psychrolib = pytest.importorskip("psychrolib")


@pytest.mark.parametrize(
    ("composition", "cp_table", "cp_computed", "density", "conductivity", "diffusivity"),
    [
        pytest.param((0.8122, 0.1781, 0.0067, 0.0116), 3.77, 3.748, 1048, 0.543, 1.382e-7, id="cod"),
        pytest.param((0.6355, 0.1860, 0.1389, 0.0135), 3.35, 3.416, 1040, 0.472, 1.329e-7, id="mackerel"),
        pytest.param((0.7635, 0.1994, 0.0345, 0.0122), 3.68, 3.642, 1051, 0.522, 1.364e-7, id="pink salmon"),
    ],
)
def test_fish_properties_are_those_of_the_handbook(
    composition: tuple[float, float, float, float],
    cp_table: float,
    cp_computed: float,
    density: float,
    conductivity: float,
    diffusivity: float,
) -> None:
    # ASHRAE Refrigeration ch. 9 Table 3, cp above freezing as quoted (0.90, 0.80, 0.88 Btu/lb°F): within 3 %.
    # Choi and Okos (1986) recomputed independently at 20 °C: 1 %.
    result = thermal(Composition(*composition), 20.0)
    assert result.cp_j_kgk / 1000 == pytest.approx(cp_table, rel=0.03)
    assert result.cp_j_kgk / 1000 == pytest.approx(cp_computed, rel=0.01)
    assert result.density_kg_m3 == pytest.approx(density, rel=0.01)
    assert result.conductivity_w_mk == pytest.approx(conductivity, rel=0.01)
    assert result.diffusivity_m2_s == pytest.approx(diffusivity, rel=0.01)


def test_lean_fish_agrees_with_the_simple_rules() -> None:
    # FAO, Some related facts and figures, table 31: lean fish above 0 °C 3.64 to 3.68 kJ/kgK: within 3 %.
    # NZIFST, thermal data for some food products: k = 0.55 p + 0.26 (1 - p), p the water fraction: 10 %.
    result = thermal(Composition(0.80, 0.18, 0.01, 0.01), 5.0)
    assert result.cp_j_kgk / 1000 == pytest.approx(3.66, rel=0.03)
    assert result.conductivity_w_mk == pytest.approx(0.55 * 0.80 + 0.26 * 0.20, rel=0.10)


@pytest.mark.parametrize(
    ("biot", "zeta", "factor"),
    [
        (0.01, 0.0998, 1.0017), (0.1, 0.3111, 1.0161), (0.2, 0.4328, 1.0311), (0.5, 0.6533, 1.0701),
        (1.0, 0.8603, 1.1191), (2.0, 1.0769, 1.1785), (5.0, 1.3138, 1.2402), (10.0, 1.4289, 1.2620),
        (20.0, 1.4961, 1.2699), (100.0, 1.5552, 1.2731),
    ],
)  # fmt: skip
def test_plane_wall_eigenvalues(biot: float, zeta: float, factor: float) -> None:
    # Incropera, Table 5.1 (from memory, recomputed); one-term plane wall.
    ours = fine_slab.wall_first_term(biot)
    assert ours == pytest.approx((zeta, factor), abs=1e-4)


# A fillet 22 mm thick in air at 93 °C with a film of 18 W/m2K.
FISH = Thermal(3600.0, 1050.0, 0.50)
HALF_M, FILM, START, AIR = 0.011, 18.0, 5.0, 93.0


def _march(cells: int, dt_s: float, end_s: float) -> fine_slab.Slab:
    slab = fine_slab.uniform_slab(HALF_M, FISH, START, cells)
    for _ in range(round(end_s / dt_s)):
        slab = fine_slab.step_slab(slab, dt_s, FILM, AIR)
    return slab


@pytest.mark.parametrize("end_s", [600.0, 1800.0, 3600.0, 7200.0])
def test_slab_agrees_with_the_exact_series(end_s: float) -> None:
    # Exact series of the plane wall with convection (Incropera ch. 5.5): within 0.1 °C, core and surface.
    slab = _march(10, 10.0, end_s)
    biot = FILM * HALF_M / FISH.conductivity_w_mk
    fourier = FISH.diffusivity_m2_s * end_s / HALF_M**2
    assert fine_slab.core_c(slab) == pytest.approx(
        fine_slab.wall_exact_c(biot, fourier, START, AIR, 0.0), abs=0.1
    )
    assert fine_slab.surface_c(slab, FILM, AIR) == pytest.approx(
        fine_slab.wall_exact_c(biot, fourier, START, AIR, 1.0), abs=0.1
    )


def test_slab_converges_with_second_order() -> None:
    # Halving cells and step together must quarter the error against the exact series.
    end_s = 1800.0
    biot = FILM * HALF_M / FISH.conductivity_w_mk
    fourier = FISH.diffusivity_m2_s * end_s / HALF_M**2
    exact = fine_slab.wall_exact_c(biot, fourier, START, AIR, 0.0)
    errors = [abs(fine_slab.core_c(_march(n, 240.0 / n, end_s)) - exact) for n in (4, 8, 16)]
    for coarse, fine in pairwise(errors):
        assert math.log2(coarse / fine) == pytest.approx(2.0, abs=0.25)


def test_slab_with_evaporation_agrees_with_scipy() -> None:
    # The same equations by scipy's solve_ivp (Radau), with a wet surface losing heat.
    integrate = pytest.importorskip("scipy.integrate")
    cells, end_s = 12, 3600.0
    dx, k = HALF_M / cells, FISH.conductivity_w_mk
    capacity = FISH.cp_j_kgk * FISH.density_kg_m3 * dx
    inside = 2 * k / dx

    def sink(surface: float) -> float:
        return 0.1 * 2.4e6 * humid_air.evaporation_kg_m2s(8.0, surface, AIR, 2500.0)

    def slope(_t: float, temps):  # type: ignore[no-untyped-def]
        low, high = 0.0, AIR
        for _ in range(50):  # surface balance by bisection
            middle = 0.5 * (low + high)
            if inside * (temps[-1] - middle) + FILM * (AIR - middle) - sink(middle) > 0:
                low = middle
            else:
                high = middle
        flows = [k / dx * (temps[i + 1] - temps[i]) for i in range(cells - 1)]
        flows.append(inside * (low - temps[-1]))
        return [(flows[i] - (flows[i - 1] if i else 0.0)) / capacity for i in range(cells)]

    reference = integrate.solve_ivp(slope, (0, end_s), [START] * cells, method="LSODA", rtol=1e-7, atol=1e-7)
    slab = fine_slab.uniform_slab(HALF_M, FISH, START, cells)
    for _ in range(360):
        slab = fine_slab.step_slab(slab, 10.0, FILM, AIR, sink)
    assert list(slab.temps_c) == pytest.approx(list(reference.y[:, -1]), abs=0.1)


def _member(share: float = 0.0, dry_frac: float = 100.0) -> tuple[ensemble.Food, ensemble.Ensemble]:
    """The daemon's own slab: one member that knows the fillet; share: of the film that carries vapour."""
    capacity = FISH.cp_j_kgk * FISH.density_kg_m3
    food = ensemble.Food(HALF_M, capacity, FISH.conductivity_w_mk, FISH.density_kg_m3, START)
    logs = (HALF_M, capacity, FILM, max(share, 1e-9), dry_frac)
    return food, ((*map(math.log, logs), 0.0, 0.0, START, START, START, START),)


@pytest.mark.parametrize("end_s", [600.0, 1800.0, 3600.0, 7200.0])
def test_the_daemons_slab_agrees_with_the_exact_series(end_s: float) -> None:
    # The same exact series. Four cells lag a little: up to 0.2 °C, and never ahead.
    food, family = _member()
    for _ in range(round(end_s / 10.0)):
        family = ensemble.advance(family, food, ensemble.Air(AIR, FILM, dries=False), 10.0)
    biot = FILM * HALF_M / FISH.conductivity_w_mk
    exact = fine_slab.wall_exact_c(biot, FISH.diffusivity_m2_s * end_s / HALF_M**2, START, AIR)
    assert exact - 0.2 <= ensemble.core_of(family[0]) <= exact


@pytest.mark.parametrize("core_c", [30.0, 54.4, 71.0])
def test_heating_times_agree_with_the_exact_series(core_c: float) -> None:
    # Its long steps foretell up to 4 % too late, never too early.
    food, family = _member()
    (time_s,) = ensemble.heating_times_s(family, food, ensemble.Air(AIR, FILM, dries=False), core_c)
    biot = FILM * HALF_M / FISH.conductivity_w_mk

    def exact_c(at_s: float) -> float:
        return fine_slab.wall_exact_c(biot, FISH.diffusivity_m2_s * at_s / HALF_M**2, START, AIR)

    assert exact_c(0.96 * time_s) <= core_c <= exact_c(time_s)


@pytest.mark.parametrize("air_c", [80.0, 93.0, 110.0])
def test_a_wet_slab_comes_to_the_wet_bulb_and_pays_for_its_vapour(air_c: float) -> None:
    # With all of the film carrying vapour and a surface that stays wet the core ends at the wet bulb
    # (CoolProp).
    food, family = _member(share=1.0)
    air = ensemble.Air(air_c, FILM)
    for _ in range(240):
        family = ensemble.advance(family, food, air, 60.0)
    wet_bulb_c = CoolProp.HAPropsSI(
        "B", "T", air_c + 273.15, "P", 101325, "W", ensemble.HUMIDITY
    ) - 273.15  # fmt: skip
    assert ensemble.core_of(family[0]) == pytest.approx(wet_bulb_c, abs=1.0)
    # Then all the heat that comes goes into vapour: h (T_air - T) / latent heat.
    later = ensemble.advance(family, food, air, 60.0)
    lost = later[0][6] - family[0][6]
    heat = FILM * (air_c - ensemble.core_of(family[0])) * 60.0
    assert lost == pytest.approx(heat / ensemble.LATENT_J_KG, rel=0.02)


def test_a_surface_that_has_dried_no_longer_cools() -> None:
    # A dry slab goes on to the air's temperature; a wet one stays far below it.
    ends = []
    for dry_frac in (0.02, 100.0):
        food, family = _member(share=0.65, dry_frac=dry_frac)
        for _ in range(480):
            family = ensemble.advance(family, food, ensemble.Air(AIR, FILM), 60.0)
        ends.append(ensemble.core_of(family[0]))
    assert ends[0] > AIR - 10.0 > AIR - 30.0 > ends[1]


@pytest.mark.parametrize(
    ("air_c", "ratio", "expected"), [(110.0, 0.010, 36.95), (110.0, 0.030, 43.42), (121.0, 0.020, 41.85)]
)
def test_wet_bulb_agrees_with_coolprop_and_psychrolib(air_c: float, ratio: float, expected: float) -> None:
    # Hyland and Wexler recomputed; CoolProp HAPropsSI and PsychroLib as independent libraries: 0.1 °C.
    psychrolib.SetUnitSystem(psychrolib.SI)
    ours = humid_air.wet_bulb_c(air_c, ratio)
    assert ours == pytest.approx(expected, abs=0.01)
    assert ours == pytest.approx(
        CoolProp.HAPropsSI("B", "T", air_c + 273.15, "P", 101325, "W", ratio) - 273.15, abs=0.1
    )
    assert ours == pytest.approx(psychrolib.GetTWetBulbFromHumRatio(air_c, ratio, 101325.0), abs=0.1)


@pytest.mark.parametrize("air_c", [5.0, 10.0, 20.0, 30.0, 60.0, 93.0])
@pytest.mark.parametrize("humidity", [0.3, 0.6, 0.9])
def test_wet_bulb_over_the_range_agrees_with_coolprop(air_c: float, humidity: float) -> None:
    # CoolProp HAPropsSI: 0.1 °C wherever the wet bulb is above freezing.
    reference = CoolProp.HAPropsSI("B", "T", air_c + 273.15, "P", 101325, "R", humidity) - 273.15
    if reference < 0.1:
        assert humid_air.wet_bulb_c(air_c, humid_air.humidity_ratio(air_c, humidity)) < 0.6
        return
    ours = humid_air.wet_bulb_c(air_c, humid_air.humidity_ratio(air_c, humidity))
    assert ours == pytest.approx(reference, abs=0.1)


def test_psychrometric_example_of_the_handbook() -> None:
    # ASHRAE Fundamentals 2017 ch. 1, example 1 (from memory): dry bulb 40, wet bulb 20 °C -> W 0.0064 to
    # 0.0065.
    assert humid_air.wet_bulb_c(40.0, 0.0064) == pytest.approx(20.0, abs=0.05)
    assert humid_air.humidity_ratio(40.0, 0.1398) == pytest.approx(0.0064, abs=0.0001)


def test_saturation_pressure_of_water() -> None:
    # Hyland and Wexler (ASHRAE Fundamentals ch. 1).
    assert humid_air.saturation_pa(60.0) == pytest.approx(19944, abs=2)
    assert humid_air.saturation_pa(100.0) == pytest.approx(101419, abs=5)


def test_plate_coefficient_agrees_with_the_ht_library() -> None:
    # ht.conv_external: laminar plate, Pohlhausen.
    ht = pytest.importorskip("ht")
    speed, length, film = 2.0, 0.25, 10.0
    density = CoolProp.PropsSI("D", "T", film + 273.15, "P", 101325, "Air")
    viscosity = CoolProp.PropsSI("V", "T", film + 273.15, "P", 101325, "Air")
    conductivity = CoolProp.PropsSI("L", "T", film + 273.15, "P", 101325, "Air")
    prandtl = CoolProp.PropsSI("PRANDTL", "T", film + 273.15, "P", 101325, "Air")
    nusselt = ht.conv_external.Nu_external_horizontal_plate(
        Re=density * speed * length / viscosity, Pr=prandtl, L=length
    )
    expected = nusselt * conductivity / length
    assert humid_air.plate_coefficient_w_m2k(speed, length, film) == pytest.approx(expected, rel=0.03)
