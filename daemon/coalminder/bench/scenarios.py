"""The twenty scenarios as a table: what is drawn at random in every seed, and from which range.

Every cook draws a whole kettle, its fuel, vents, sky, food and probe from `COMMON`, then what makes the
scenario from its own row. Ranges are the spread of ordinary lidded kettles and days (common practice and
estimates; docs/bench.md lists them), wide enough that no controller can know its kettle.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from coalminder.grill import Scenario, Weather, ranges
from coalminder.grill.ranges import Ranges, between, times
from coalminder.grill.scenario import Disturbance, Food, LidLift, SetPointChange, Wood

SEEDS = 20
Range = tuple[float, float]

#: usual servos; added to the kettle's own ranges.
SERVO: Ranges = MappingProxyType(
    {
        "servo_strokes_per_s": between(0.4, 1.2),
        "backlash_frac": between(0.0, 0.01),
        "stiction_frac": between(0.0, 0.003),
    }
)
#: as they are: the day.
WEATHER: Mapping[str, Range] = MappingProxyType(
    {
        "wind_m_per_s": (1.0, 4.0),
        "gust_frac": (0.2, 0.35),
        "ambient_c": (4.0, 20.0),
        "ambient_drift_c_per_h": (-1.5, 1.0),
        "humidity_frac": (0.5, 0.9),
    }
)
#: as they are: charcoal laid (weighed, damp) and the share of it that glows when the lid goes on.
FUEL: Mapping[str, Range] = MappingProxyType(
    {"charcoal_kg": (1.2, 1.8), "lit_frac": (0.18, 0.30), "charcoal_moisture": (0.03, 0.08)}
)
#: as they are: food on the grate when the lid goes on.
FOOD: Mapping[str, Range] = MappingProxyType({"kg": (0.8, 2.4), "temp_c": (4.0, 12.0)})

Draw = Callable[[float, float], float]


@dataclass(frozen=True, slots=True)
class Row:
    """One scenario: what its seeds draw beside the common ranges.

    kettle, weather, fuel: ranges in place of the common ones. people: the disturbances of a seed.
    dome_probe: the controller sees the dome's probe, corrected to the pit by the cook. food_from_start:
    food lies there at 0 s.
    """

    title: str
    hours: float = 4.0
    kettle: Ranges = field(default_factory=dict)
    weather: Mapping[str, Range] = field(default_factory=dict)
    fuel: Mapping[str, Range] = field(default_factory=dict)
    people: Callable[[Draw], tuple[Disturbance, ...]] | None = None
    dome_probe: bool = False
    food_from_start: bool = True


def _six_lifts(draw: Draw) -> tuple[Disturbance, ...]:
    return tuple(
        LidLift(round(3600.0 + k * 1700.0 + draw(-300, 300)), round(draw(60, 150))) for k in range(6)
    )


def _fish_cold(draw: Draw) -> tuple[Disturbance, ...]:
    return (
        LidLift(1200.0, round(draw(60, 120))),
        Food(1230.0, draw(1.6, 3.2), draw(0.0, 4.0)),
    )


def _wood_often(draw: Draw) -> tuple[Disturbance, ...]:
    times = range(3000, 14400, 1200)
    return tuple(Wood(float(at), draw(0.05, 0.10), draw(0.12, 0.30)) for at in times)


def _set_point_twice(draw: Draw) -> tuple[Disturbance, ...]:
    return (
        SetPointChange(round(draw(5400, 6600)), round(draw(100, 105))),
        SetPointChange(round(draw(9600, 10800)), round(draw(82, 88))),
    )


def _keep_warm(draw: Draw) -> tuple[Disturbance, ...]:
    return (SetPointChange(round(draw(7200, 9000)), 65.0),)


def _long(draw: Draw) -> tuple[Disturbance, ...]:
    return tuple(
        item
        for at in (9000.0, 18000.0, 27000.0)
        for item in (LidLift(at, round(draw(40, 90))), Wood(at + 20.0, draw(0.06, 0.10), draw(0.15, 0.25)))
    )


_STRONG: Mapping[str, Range] = {"wind_m_per_s": (5.5, 6.5), "gust_frac": (0.3, 0.45)}
_RAIN: Mapping[str, Range] = {
    "ambient_c": (1.0, 6.0),
    "wind_m_per_s": (2.5, 5.0),
    "rain_mm_per_h": (2.0, 6.0),
    "rain_from_s": (3600.0, 6600.0),
    "rain_for_s": (3000.0, 6000.0),
    "humidity_frac": (0.85, 0.98),
}
_SUN: Mapping[str, Range] = {
    "ambient_c": (28.0, 35.0),
    "wind_m_per_s": (0.5, 2.5),
    "sun_w_per_m2": (700.0, 950.0),
    "cloud_frac": (0.1, 0.5),
    "humidity_frac": (0.3, 0.5),
}
_LEAN: Ranges = {"carbon_frac": between(0.70, 0.80), "ash_film": times(1.0, 2.0)}
_CHOKED: Ranges = {"plugged_frac": between(0.5, 0.75), "ash_clog_per_kg": times(1.5, 3.0)}
_LEAKY: Ranges = {"leak_low_m2": times(2.0, 3.0), "leak_rim_m2": times(2.5, 4.5)}
_TIGHT: Ranges = {"leak_low_m2": times(0.12, 0.4), "leak_rim_m2": times(0.1, 0.3)}
_STICKY: Ranges = {"backlash_frac": between(0.03, 0.03), "stiction_frac": between(0.002, 0.006)}
_MUCH: Mapping[str, Range] = {"charcoal_kg": (2.8, 3.6), "lit_frac": (0.08, 0.14)}

SCENARIOS: Mapping[str, Row] = MappingProxyType(
    {
        "calm": Row("calm", weather={"wind_m_per_s": (0.2, 1.0)}),
        "gusty": Row("gusty, 6 m/s", weather=_STRONG),
        "rain": Row("cold rain", weather=_RAIN),
        "sun": Row("hot day in the sun", weather=_SUN),
        "lid": Row("lid lifted six times", people=_six_lifts),
        "fish": Row("fish loaded cold at 20 min", people=_fish_cold, food_from_start=False),
        "wood": Row("wood every 20 min", people=_wood_often),
        "lean": Row("lean fuel", kettle=_LEAN, fuel={"charcoal_kg": (1.5, 2.0)}),
        "damp": Row("damp fuel", fuel={"charcoal_moisture": (0.14, 0.22)}),
        "ash": Row("ash-choked lower vent", kettle=_CHOKED, fuel={"charcoal_kg": (1.4, 1.8)}),
        "leaky": Row("leaky kettle", kettle=_LEAKY),
        "tight": Row("tight kettle", kettle=_TIGHT),
        "noisy": Row("noisy probe", kettle={"pit_noise_c": between(1.0, 2.5)}),
        "dome": Row("slow dome probe", kettle={"dome_probe_s": between(120.0, 240.0)}, dome_probe=True),
        "sticky": Row("sticky servo, 3 % backlash", kettle=_STICKY),
        "two_steps": Row("set point changed twice", people=_set_point_twice),
        "keep_warm": Row("step down to keep warm", people=_keep_warm),
        "big_fire": Row("fire lit too big", fuel={"lit_frac": (0.6, 0.9)}),
        "hand_upper": Row("upper vent fixed by hand", kettle={"upper_fixed": between(0.35, 0.7)}),
        "long": Row("10 h cook", hours=10.0, people=_long, fuel=_MUCH),
    }
)


@dataclass(frozen=True, slots=True)
class Cook:
    """One cook to run: the scenario of one seed. dome_probe: the controller sees the dome's probe."""

    name: str
    seed: int
    scenario: Scenario
    dome_probe: bool


def cook(name: str, seed: int) -> Cook:
    """The cook of scenario `name` and `seed`, the same every time. KeyError for an unknown name."""
    row = SCENARIOS[name]
    rng = random.Random(f"bench {name} {seed}")
    draw = rng.uniform
    kettle, fittings = ranges.draw(rng, {**ranges.USUAL, **SERVO, **row.kettle})
    sky: dict[str, Any] = {key: draw(*span) for key, span in {**WEATHER, **row.weather}.items()}
    fuel = {key: draw(*span) for key, span in {**FUEL, **row.fuel}.items()}
    food = {key: draw(*span) for key, span in FOOD.items()}
    people: tuple[Disturbance, ...] = (Food(0.0, **food),) if row.food_from_start else ()
    if row.people is not None:
        people += row.people(draw)
    made = Scenario(
        name=name,
        hours=row.hours,
        disturbances=people,
        weather=Weather(**sky),
        parameters=kettle,
        fittings=fittings,
        **fuel,
    )
    return Cook(name, seed, made, row.dome_probe)
