"""Kettles at random, from stated ranges, so that nothing is tuned to one kettle.

Each table names fields of KettleParameters or Fittings and where they may lie: `times` multiplies the
default, `between` replaces it. Draws are log-uniform for `times`, uniform for `between`. All ranges are
estimates of how far kettles, coals and cooks differ; docs/grill.md prints them.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from coalminder.grill.parameters import Fittings, KettleParameters


@dataclass(frozen=True, slots=True)
class Range:
    """From `low` to `high`; `relative`: as multiples of the default."""

    low: float
    high: float
    relative: bool

    def draw(self, rng: random.Random, default: float) -> float:
        """One value."""
        if self.relative:
            return default * math.exp(rng.uniform(math.log(self.low), math.log(self.high)))
        return rng.uniform(self.low, self.high)


Ranges = Mapping[str, Range]


def times(low: float, high: float) -> Range:
    """A multiple of the default."""
    return Range(low, high, True)


def between(low: float, high: float) -> Range:
    """A value of its own."""
    return Range(low, high, False)


# One kettle of this kind against another.
USUAL: Ranges = {
    "stack_height_m": times(0.85, 1.15),
    "discharge_coefficient": between(0.55, 0.68),
    "leak_low_m2": times(0.5, 1.6),
    "leak_rim_m2": times(0.5, 2.0),
    "plugged_frac": between(0.0, 0.15),
    "ash_clog_per_kg": times(0.4, 2.5),
    "wind_shelter_frac": between(0.35, 0.65),
    "wind_pressure_coefficient": between(0.0, 0.3),
    "gas_capacity_j_per_k": times(0.8, 1.6),
    "lid_capacity_j_per_k": times(0.8, 1.25),
    "bowl_capacity_j_per_k": times(0.8, 1.25),
    "inside_lid_w_per_m2k": times(0.75, 1.3),
    "inside_bowl_w_per_m2k": times(0.75, 1.3),
    "outside_still_w_per_m2k": times(0.85, 1.2),
    "outside_wind_w_per_m2k": times(0.8, 1.25),
    "pit_frac": between(0.5, 0.7),
    "pit_2_frac": between(0.6, 0.85),
    "dome_excess_frac": between(-0.15, 0.15),
    "lid_exchange_kg_per_s": times(0.6, 1.6),
    "carbon_frac": between(0.84, 0.95),
    "reacting_area_m2_per_kg": times(0.7, 1.4),
    "transfer_kg_per_m2s": times(0.8, 1.25),
    "ash_film": times(0.5, 2.0),
    "kinetic_even_k": times(0.97, 1.03),
    "bed_contact_frac": between(0.75, 1.0),
    "spread_per_s": times(0.65, 1.5),
    "spread_at_k": times(0.98, 1.02),
    "die_per_s": times(0.7, 1.4),
    "glow_frac": times(0.8, 1.25),
    "wood_pyrolysis_per_s": times(0.7, 1.4),
    "food_thickness_m": between(0.018, 0.030),
    "pit_probe_s": times(0.5, 2.0),
    "dome_probe_s": times(0.5, 2.0),
    # Fittings
    "lower_m2": times(0.7, 1.5),
    "lower_dead_frac": between(0.0, 0.02),
    "lower_shape": between(0.9, 1.5),
    "lower_ease": between(0.0, 0.6),
    "upper_m2": times(0.7, 1.4),
    "upper_shape": between(0.9, 1.6),
    "upper_ease": between(0.0, 0.6),
    "pit_noise_c": times(0.5, 2.0),
}


def draw(
    seed: int | random.Random,
    ranges: Ranges = USUAL,
    parameters: KettleParameters | None = None,
    fittings: Fittings | None = None,
) -> tuple[KettleParameters, Fittings]:
    """A kettle and its fittings at random; the same seed and ranges give the same pair.

    Each field has its own stream, so that a range more or less does not move the other fields (with an
    int seed). Fields without a range keep the value of `parameters` or `fittings`. Raises KeyError for
    a name that is neither.
    """
    parameters = parameters if parameters is not None else KettleParameters()
    fittings = fittings if fittings is not None else Fittings()
    drawn: dict[type, dict[str, Any]] = {KettleParameters: {}, Fittings: {}}
    for name, span in ranges.items():
        rng = seed if isinstance(seed, random.Random) else random.Random(f"draw {seed} {name}")
        for owner in (parameters, fittings):
            if hasattr(owner, name):
                drawn[type(owner)][name] = span.draw(rng, getattr(owner, name))
                break
        else:
            raise KeyError(name)
    return replace(parameters, **drawn[KettleParameters]), replace(fittings, **drawn[Fittings])
