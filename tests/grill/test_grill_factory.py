"""The public factory: what it makes, and one clear line for what it cannot."""

from __future__ import annotations

import importlib
from dataclasses import Field, fields
from typing import Any

import pytest

import coalminder.grill as grill
from coalminder.errors import UserError
from coalminder.grill import Fittings, Kettle, KettleParameters, draw
from coalminder.grill.factory import OPTIONS, SKIES, _span
from coalminder.grill.practice import hold
from coalminder.grill.ranges import USUAL, between
from coalminder.seams import Grill


def test_factory_without_arguments_makes_a_grill_with_cold_steel() -> None:
    made = grill.kettle()
    assert isinstance(made, Grill)
    assert made.true_pit_c == pytest.approx(9.0, abs=0.1)
    assert made.alive
    assert made.fuel_kg == pytest.approx(1.2 * 0.95)


def test_factory_keeps_its_name_beside_the_module_of_the_same_name() -> None:
    module = importlib.import_module("coalminder.grill.kettle")
    assert module.Kettle is Kettle
    assert isinstance(grill.kettle(), Kettle)


@pytest.mark.parametrize("sky", list(SKIES))
def test_every_sky_has_a_name(sky: str) -> None:
    assert grill.kettle(sky=sky).weather.wind_m_per_s == SKIES[sky].wind_m_per_s


def test_values_may_come_as_text() -> None:
    made = grill.kettle(
        start="burning", pit_c="100", charcoal_kg="2", food_kg="1.6", food_c="3", seed="7",
        leak_low_m2="2e-4", backlash_frac="0.03", upper_fixed="0.4", wind_m_per_s="6",
    )  # fmt: skip
    assert made.true_pit_c == pytest.approx(100.0)
    assert made.parameters.leak_low_m2 == 2e-4
    assert made.fittings.backlash_frac == 0.03
    assert made.upper == 0.4
    assert made.weather.wind_m_per_s == 6.0
    assert made.core_c() == pytest.approx(3.0)


def test_burning_kettle_goes_on_near_where_it_starts() -> None:
    made = grill.kettle(start="burning")
    made.advance(600.0, 0.055, 0.5)
    assert made.true_pit_c == pytest.approx(93.0, abs=15.0)
    assert made.alive


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"sead": 1}, "seed"),
        ({"nonsense": 1}, "charcoal_kg"),
        ({"start": "warm"}, "start=burning"),
        ({"sky": "storm"}, "breeze"),
        ({"charcoal_kg": "two"}, "not a number"),
        ({"charcoal_kg": "nan"}, "not a number"),
        ({"charcoal_kg": -1}, "0.1 to 8"),
        ({"wind_m_per_s": "99"}, "0 to 20"),
        ({"lit_frac": 1.5}, "0.01 to 1"),
        ({"plugged_frac": 1.5}, "0 to 0.98"),
        ({"upper_fixed": 3}, "0 to 1"),
        ({"backlash_frac": 2}, "0 to 0.2"),
        ({"pit_probe_s": 0}, "pit_probe_s"),
        ({"carbon_frac": 0}, "carbon_frac"),
        ({"food_thickness_m": 0}, "food_thickness_m"),
        ({"pit_c": 93}, "start=burning"),
    ],
    ids=lambda value: str(value) if isinstance(value, dict) else "",
)
def test_bad_arguments_get_one_line_with_what_and_where(arguments: dict[str, Any], says: str) -> None:
    with pytest.raises(UserError) as refused:
        grill.kettle(**arguments)
    line = str(refused.value)
    assert "\n" not in line
    assert line.startswith(f"grill argument {next(iter(arguments))}")
    assert says in line


def test_values_that_no_step_can_follow_are_refused_together() -> None:
    # ten kilos of foil-thin food in a kettle with no air to speak of
    with pytest.raises(UserError, match="together no kettle"):
        grill.kettle(
            gas_capacity_j_per_k=47,
            food_kg=10,
            food_thickness_m=0.0074,
            food_inside_w_per_m2k=42,
            inside_lid_w_per_m2k=36,
            pit_frac=1,
        )


@pytest.mark.parametrize(
    "field", [f for owner in (KettleParameters, Fittings) for f in fields(owner)], ids=lambda f: f.name
)
def test_ends_of_every_parameter_make_a_kettle_that_runs(field: Field[float]) -> None:
    for end in _span(field.name, field.default):  # type: ignore[arg-type]
        made = grill.kettle(**{field.name: end})
        made.advance(60.0, 0.2, 0.5)
        assert -80.0 < made.pit_c() < 500.0


@pytest.mark.parametrize("key", sorted(OPTIONS))
def test_ends_of_every_range_make_a_kettle_that_runs(key: str) -> None:
    for value in OPTIONS[key][:2]:
        start = {"start": "burning"} if key == "pit_c" else {}
        made = grill.kettle(**{key: value}, **start)
        made.advance(120.0, 0.2, 0.5)
        assert -80.0 < made.pit_c() < 500.0


# ---- kettles at random


def test_draw_repeats_itself_and_stays_in_its_ranges() -> None:
    assert draw(3) == draw(3)
    assert draw(3) != draw(4)
    for seed in range(50):
        parameters, fittings = draw(seed)
        for name, span in USUAL.items():
            owner = parameters if hasattr(parameters, name) else fittings
            default = getattr(type(owner)(), name)
            low, high = (span.low * default, span.high * default) if span.relative else (span.low, span.high)
            assert low * (1 - 1e-9) <= getattr(owner, name) <= high * (1 + 1e-9) or low < 0.0, name


def test_another_range_leaves_the_other_fields_alone() -> None:
    one, two = draw(3)[0], draw(3, {**USUAL, "plugged_frac": between(0.5, 0.6)})[0]
    assert 0.5 <= two.plugged_frac <= 0.6
    assert one.leak_low_m2 == two.leak_low_m2


def test_draw_refuses_a_name_that_is_no_parameter() -> None:
    with pytest.raises(KeyError):
        draw(1, {"nonsense": between(0.0, 1.0)})


@pytest.mark.parametrize("seed", range(6))
def test_any_usual_kettle_can_be_held_at_93(seed: int) -> None:
    parameters, fittings = draw(seed)
    made = Kettle(parameters, fittings, charcoal_kg=1.8, pit_c=93.0, seed=seed)
    hold(made, 93.0, 5400.0)
    assert made.true_pit_c == pytest.approx(93.0, abs=4.0)
    assert made.alive
