"""What a cook does to the kettle besides turning vents, as data: shared by rehearsals and the bench."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from coalminder.grill.kettle import Kettle
from coalminder.grill.parameters import Fittings, KettleParameters
from coalminder.grill.weather import BREEZE, Weather
from coalminder.seams import Grill


@dataclass(frozen=True, slots=True)
class LidLift:
    """The lid comes off at `at_s` for `for_s`."""

    at_s: float
    for_s: float = 120.0


@dataclass(frozen=True, slots=True)
class Wood:
    """Wood goes on the coals; `moisture` is a wet-basis fraction."""

    at_s: float
    kg: float = 0.08
    moisture: float = 0.2


@dataclass(frozen=True, slots=True)
class Charcoal:
    """Charcoal goes on the bed."""

    at_s: float
    kg: float = 0.4
    lit: bool = False


@dataclass(frozen=True, slots=True)
class Food:
    """Food goes on the grate; a grill without `add_food` does without."""

    at_s: float
    kg: float = 1.6
    temp_c: float = 5.0


@dataclass(frozen=True, slots=True)
class SetPointChange:
    """The cook asks for another set point: for the controller, nothing happens to the grill."""

    at_s: float
    temp_c: float


@dataclass(frozen=True, slots=True)
class Stir:
    """The cook knocks the ash off; a grill without `stir` does without."""

    at_s: float


Disturbance = LidLift | Wood | Charcoal | Food | SetPointChange | Stir


@dataclass(frozen=True, slots=True)
class Scenario:
    """One cook: the kettle, the sky and what people do. `kettle()` makes a fresh one."""

    name: str
    hours: float = 4.0
    disturbances: tuple[Disturbance, ...] = ()
    weather: Weather = BREEZE
    parameters: KettleParameters = field(default_factory=KettleParameters)
    fittings: Fittings = field(default_factory=Fittings)
    charcoal_kg: float = 1.2
    lit_frac: float | None = None
    charcoal_moisture: float = 0.05
    pit_c: float | None = None
    set_point_c: float = 93.0

    def kettle(self, seed: int = 0) -> Kettle:
        """A fresh kettle; `seed` makes its noise and its gusts."""
        return Kettle(
            self.parameters,
            self.fittings,
            replace(self.weather, seed=seed),
            charcoal_kg=self.charcoal_kg,
            lit_frac=self.lit_frac,
            charcoal_moisture=self.charcoal_moisture,
            pit_c=self.pit_c,
            seed=seed,
        )


def lid_open(disturbances: Iterable[Disturbance], time_s: float) -> bool:
    """Whether the lid is off at `time_s`."""
    return any(isinstance(d, LidLift) and d.at_s <= time_s < d.at_s + d.for_s for d in disturbances)


def due(disturbances: Iterable[Disturbance], from_s: float, to_s: float) -> list[Disturbance]:
    """What starts in from_s <= at_s < to_s, in order of time."""
    return sorted((d for d in disturbances if from_s <= d.at_s < to_s), key=lambda d: d.at_s)


def apply(grill: Grill, disturbances: Iterable[Disturbance], from_s: float, to_s: float) -> list[Disturbance]:
    """Do to `grill` all that is due in from_s <= t < to_s; returns it. Lids are left to `lid_open`."""
    done = due(disturbances, from_s, to_s)
    for item in done:
        if isinstance(item, Wood):
            grill.add_wood(item.kg, item.moisture)
        elif isinstance(item, Charcoal):
            grill.add_charcoal(item.kg, item.lit)
        elif isinstance(item, Food):
            add_food = getattr(grill, "add_food", None)
            if add_food is not None:
                add_food(item.kg, item.temp_c)
        elif isinstance(item, Stir):
            stir = getattr(grill, "stir", None)
            if stir is not None:
                stir()
    return done


def set_point_at(disturbances: Iterable[Disturbance], time_s: float, first_c: float) -> float:
    """The set point asked for at `time_s`."""
    latest, value = -math.inf, first_c
    for item in disturbances:
        if isinstance(item, SetPointChange) and latest <= item.at_s <= time_s:
            latest, value = item.at_s, item.temp_c
    return value


def demo(hours: float = 4.0) -> Scenario:
    """The demo: four sides of char on a breezy April day at 9 °C, two lid lifts, wood twice."""
    return Scenario(
        name="demo",
        hours=hours,
        disturbances=(
            Food(at_s=3000.0, kg=1.6),
            LidLift(at_s=3000.0, for_s=90.0),
            Wood(at_s=3060.0, kg=0.08),
            LidLift(at_s=7800.0, for_s=60.0),
            Wood(at_s=7830.0, kg=0.08),
        ),
        charcoal_kg=1.4,
    )
