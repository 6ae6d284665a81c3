"""Drying, fire lay, storage and cooling."""

from __future__ import annotations

import math

import pytest

from coalminder.errors import UserError
from coalminder.food import drying, fire_lay, storage
from coalminder.food.brine import brine_warnings, recipe, salting
from coalminder.food.foodplan import FoodPlan
from coalminder.grill.kettle import Kettle
from coalminder.grill.weather import Weather


def test_a_fan_in_cool_air_dries_in_one_to_three_hours() -> None:
    # common practice: 1 to 3 h in cool, moving air until the surface is tacky
    result = drying.pellicle(10.0, 0.60, 1.5)
    assert 1.0 <= result.usual_s / 3600 <= 3.0
    assert result.quick_s < result.usual_s < result.slow_s


@pytest.mark.parametrize(
    ("better", "worse"),
    [((10, 0.5, 1.5), (10, 0.8, 1.5)), ((10, 0.6, 2.0), (10, 0.6, 0.3)), ((15, 0.6, 1.0), (5, 0.6, 1.0))],
    ids=["drier", "faster", "warmer"],
)
def test_drying_goes_the_right_way(better: tuple[float, ...], worse: tuple[float, ...]) -> None:
    assert drying.pellicle(*better).usual_s < drying.pellicle(*worse).usual_s


def test_fog_never_dries() -> None:
    assert drying.pellicle(10.0, 0.98, 0.1).usual_s > 12 * 3600


def test_drying_rate_is_that_of_a_wet_surface_by_psychrolib() -> None:
    # PsychroLib gives the vapour contents; Lewis relation h/(cp_air Le^(2/3)) with W as driving force (ASHRAE
    # Fundamentals ch. 6, from memory): within 5 %.
    psychrolib = pytest.importorskip("psychrolib")
    psychrolib.SetUnitSystem(psychrolib.SI)
    from coalminder.food.humid_air import plate_coefficient_w_m2k

    air, rh, speed = 10.0, 0.6, 1.5
    result = drying.pellicle(air, rh, speed)
    inside = psychrolib.GetHumRatioFromRelHum(air, rh, 101325.0)
    surface = psychrolib.GetHumRatioFromRelHum(result.surface_c, drying.SURFACE_ACTIVITY, 101325.0)
    h = plate_coefficient_w_m2k(speed, 0.25, air)
    expected = h / (1006.0 * 0.87 ** (2 / 3)) * (surface - inside) * 3600.0
    assert result.rate_kg_m2h == pytest.approx(expected, rel=0.05)


def _kettle_burns_kg_h(set_point_c: float, ambient_c: float, wind_m_s: float) -> tuple[float, float]:
    """(charcoal kg/h, heat W) of the simulated kettle held at `set_point_c` for two hours after the first."""
    kettle = Kettle(
        weather=Weather(wind_m_per_s=wind_m_s, ambient_c=ambient_c),
        pit_c=set_point_c,
        seed=1,
        charcoal_kg=2.4,
        lit_frac=0.15,
    )
    opening, burnt, heat = 0.1, 0.0, 0.0
    for now_s in range(0, 3 * 3600, 10):
        if now_s == 3600:
            burnt, heat = kettle.burnt_kg, kettle.value("released_j")
        miss = set_point_c - kettle.pit_c()
        opening = min(0.6, max(0.02, opening + 2e-4 * miss))
        kettle.advance(10.0, min(1.0, max(0.02, opening + 0.01 * miss)), 0.5)
    return (kettle.burnt_kg - burnt) / 2.0, (kettle.value("released_j") - heat) / 7200.0


@pytest.mark.parametrize(
    ("set_point_c", "ambient_c", "wind_m_s"),
    [(93, 9, 4), (93, 20, 0.5), (105, 9, 4), (80, 9, 3), (93, -5, 8)],
)
def test_fire_lay_burns_what_the_simulated_kettle_burns(
    set_point_c: float, ambient_c: float, wind_m_s: float
) -> None:
    kg_h, heat_w = _kettle_burns_kg_h(set_point_c, ambient_c, wind_m_s)
    lay = fire_lay.fire_lay(4.0, set_point_c, ambient_c, wind_m_s, food_kg=0.02)
    assert fire_lay.kettle_heat_w(set_point_c, ambient_c, wind_m_s) == pytest.approx(heat_w, rel=0.25)
    assert lay.charcoal_kg_h == pytest.approx(kg_h, rel=0.25)


def test_more_wind_cold_rain_and_size_need_more_charcoal() -> None:
    base = fire_lay.fire_lay(4.0).charcoal_kg
    for more in (
        {"wind_m_s": 7.0},
        {"ambient_c": -5.0},
        {"rain": True},
        {"kettle_cm": 67.0},
        {"food_kg": 4.0},
    ):
        assert fire_lay.fire_lay(4.0, **more).charcoal_kg > base, more  # type: ignore[arg-type]


@pytest.mark.parametrize(("moisture", "ncv"), [(0.0, 19.0), (0.15, 15.79), (0.20, 14.72), (0.40, 10.44)])
def test_wet_wood_has_less_heat(moisture: float, ncv: float) -> None:
    # Combustion heat and calorific value of wood vs humidity (table): 20 % wet basis 14.72 MJ/kg.
    assert fire_lay.wood_ncv_mj_kg(moisture) == pytest.approx(ncv, abs=0.02)


@pytest.mark.parametrize("kind", ["oily_fish", "lean_fish", "shellfish", "poultry", "pork"])
def test_storage_is_the_shortest_of_the_sources(kind: str) -> None:
    # 14 d below 2.2 °C (extension); 3 °C 6 d fatty, 8 d white (secondary); cooked food 3 to 4 d (from memory)
    assert storage.keeping(kind, 2.0).days == 3.0
    assert storage.keeping(kind, 3.0).days <= 3.0
    warm = storage.keeping(kind, 8.0)
    assert warm.days == 0.0
    assert "no cold storage" in warm.text


@pytest.mark.parametrize(
    ("kind", "fridge_c", "days", "longest"),
    [
        ("oily_fish", 2.2, 3, 14),  # 14 d below 2.2 °C
        ("oily_fish", 3.3, 3, 6),  # 38 °F
        ("oily_fish", 3.4, 2, 3),  # 10 °C: 2 d
        ("oily_fish", 5.0, 2, 3),
        ("lean_fish", 2.2, 3, 14),
        ("lean_fish", 3.3, 3, 8),
        ("lean_fish", 3.4, 3, 4),
        ("poultry", 5.0, 3, 3),  # 3 to 4 d, from memory
    ],
)
def test_storage_by_the_refrigerator(kind: str, fridge_c: float, days: int, longest: int) -> None:
    kept = storage.keeping(kind, fridge_c)
    assert kept.days == days
    assert f"{days} d at" in kept.text
    assert (f"up to {longest} d" in kept.text) is (longest > days)


def test_only_sources_that_differ_are_said_to() -> None:
    assert "the sources differ, up to 14 d" in storage.keeping("lean_fish", 2.0).text
    assert "differ" not in storage.keeping("poultry", 3.0).text


@pytest.mark.parametrize(
    ("change", "words"),
    [({"hours": 13.0}, "0.5 to 12 h"), ({"hours": 4.0, "smoke_min": 241.0}, "0 to 240 min")],
)
def test_a_fire_for_too_long_is_refused(change: dict[str, float], words: str) -> None:
    with pytest.raises(UserError, match=words):
        fire_lay.fire_lay(**change)


@pytest.mark.parametrize(
    ("air", "words"),
    [((31.0, 0.6, 1.0), "0 to 30 °C"), ((10.0, 0.05, 1.0), "10 to 98 %"), ((10.0, 0.6, 7.0), "0 to 6 m/s")],
)
def test_drying_in_other_air_is_refused(air: tuple[float, float, float], words: str) -> None:
    with pytest.raises(UserError, match=words):
        drying.pellicle(*air)


def test_a_refrigerator_of_15_is_refused() -> None:
    with pytest.raises(UserError, match="-2 to 10 °C"):
        storage.keeping("oily_fish", 15.0)


def test_thin_pieces_cool_by_the_rule_and_thick_ones_do_not() -> None:
    thin = storage.cooling(FoodPlan(thickness_m=0.012).food(), 72.0, 15.0, 3.0, 1200.0)
    thick = storage.cooling(FoodPlan(thickness_m=0.06).food(), 72.0, 15.0, 3.0, 1200.0)
    assert thin.passes
    assert not thick.passes
    assert thin.to_21_s < thick.to_21_s


@pytest.mark.parametrize("start_c", [57.0, 72.0])
def test_cooling_of_a_thin_slab_is_that_of_a_lump(start_c: float) -> None:
    # Food Code 3-501.14 counts from 57 °C, however hot it came off.
    # Lumped capacity (Incropera ch. 5.1): t = (rho c L / h) ln((T0 - Ta)/(T - Ta)), good for Bi < 0.1.
    food = FoodPlan(thickness_m=0.006).food()
    result = storage.cooling(food, start_c, 15.0, 3.0, 0.0)
    expected = food.capacity_j_m3k * food.half_m / 8.0 * math.log((57.0 - 3.0) / (21.0 - 3.0))
    assert result.to_21_s == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(("fridge_c", "to_21"), [(10.0, True), (25.0, False)])
def test_what_never_gets_so_cold_never_passes(fridge_c: float, to_21: bool) -> None:
    # Nothing cools below what is around it.
    result = storage.cooling(FoodPlan(thickness_m=0.006).food(), 72.0, 15.0, fridge_c, 0.0)
    assert (result.to_21_s < 24 * 3600.0, result.to_5_s, result.passes) == (to_21, math.inf, False)


def test_recipe_adds_up() -> None:
    made = recipe(3.0, 0.15, 0.03)
    whole = made.water_kg + made.salt_kg + made.sugar_kg
    assert made.salt_kg / whole == pytest.approx(0.15)
    assert made.sugar_kg / whole == pytest.approx(0.03)
    assert made.freezing_c < -10.0


@pytest.mark.parametrize(
    ("salt_frac", "sugar_frac", "temp_c", "words"),
    [
        (0.27, 0.0, 4.0, "salt in brine"),  # water holds 26.4 % at 20 °C
        (0.15, 0.21, 4.0, "sugar in brine"),
        (0.15, 0.0, -6.0, "brine temperature"),
    ],
)
def test_no_recipe_for_a_brine_that_cannot_be(
    salt_frac: float, sugar_frac: float, temp_c: float, words: str
) -> None:
    with pytest.raises(UserError, match=words):
        recipe(3.0, salt_frac, sugar_frac, temp_c)


def test_salting_has_its_range_and_the_core_lags() -> None:
    result = salting(8 * 3600.0, 0.022, True, 18.0, 0.70)
    assert result.core_wps_pct < result.low_wps_pct < result.mean_wps_pct < result.high_wps_pct


@pytest.mark.parametrize(
    ("temp_c", "hours", "reused", "count"),
    [
        (3.3, 12, False, 1), (3.0, 12, True, 2),
        (15.5, 1, False, 1), (15.7, 1, False, 2),  # 60 °F
        (3.4, 4.1, False, 2), (3.4, 3.9, False, 1),  # 38 °F
    ],
)  # fmt: skip
def test_brine_warnings(temp_c: float, hours: float, reused: bool, count: int) -> None:
    # New York rules: at most 15.6 °C at the start, 3.3 °C over 4 h, no reuse.
    assert len(brine_warnings(temp_c, hours * 3600, 3.0, reused)) == count
