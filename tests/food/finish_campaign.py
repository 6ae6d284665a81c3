"""How well the finish time is foretold on the simulated kettle. Run it for the figures of docs/food.md:

    python tests/food/finish_campaign.py --cooks 200 [--no-probe] [--seed 0] [--json FILE]

Each cook: the plan's thickness is wrong by 30 % and its moisture by 20 %, either way at random; film, drying,
weather, set point and starting temperature vary; the lid comes off twice. The truth is the kettle's own slab.
"""

from __future__ import annotations

import argparse
import json
import random
from dataclasses import asdict, dataclass

from coalminder.events import FoodStep
from coalminder.food.composition import Composition, thermal
from coalminder.food.doneness import DONE_RULES
from coalminder.food.follow import FoodState, FoodView, follow
from coalminder.food.foodplan import FoodPlan
from coalminder.grill.kettle import Kettle
from coalminder.grill.parameters import KettleParameters
from coalminder.grill.weather import Weather
from coalminder.values import Reading

STEP_S = 10.0
LONGEST_S = 8 * 3600.0
THICKNESS_WRONG = 0.30
MOISTURE_WRONG = 0.20


@dataclass(frozen=True, slots=True)
class Result:
    """One cook, at half of its time: minutes left, truly and as foretold, with the 90 % interval."""

    seed: int
    cook_min: float
    left_min: float
    middle_min: float
    low_min: float
    high_min: float
    thickness_ratio: float
    moisture_ratio: float

    @property
    def error_min(self) -> float:
        return self.middle_min - self.left_min

    @property
    def covered(self) -> bool:
        return self.low_min <= self.left_min <= self.high_min


def cook(seed: int, probe: bool = True) -> Result | None:
    """One cook; None when it is not done in 8 h, or foretold not to be."""
    rng = random.Random(f"finish {seed}")
    thickness_ratio = 1.0 + rng.choice((-1, 1)) * THICKNESS_WRONG
    moisture_ratio = 1.0 + rng.choice((-1, 1)) * MOISTURE_WRONG
    plan = FoodPlan(
        thickness_m=rng.uniform(0.016, 0.026),
        mass_kg=rng.uniform(1.0, 2.0),
        set_point_c=rng.uniform(92.0, 104.0),
        rule="home-71",
    )
    water = plan.water_frac * moisture_ratio
    dry_ratio = (1.0 - water) / (1.0 - plan.water_frac)
    flesh = thermal(
        Composition(water, plan.protein_frac * dry_ratio, plan.fat_frac * dry_ratio, 0.012 * dry_ratio), 50.0
    )
    usual = KettleParameters()
    parameters = KettleParameters(
        food_thickness_m=plan.thickness_m * thickness_ratio,
        food_conductivity_w_per_mk=flesh.conductivity_w_mk,
        food_capacity_j_per_kgk=flesh.cp_j_kgk,
        food_density_kg_per_m3=flesh.density_kg_m3,
        food_inside_w_per_m2k=usual.food_inside_w_per_m2k * rng.lognormvariate(0.0, 0.12),
        food_convection_w_per_m2k=usual.food_convection_w_per_m2k * rng.lognormvariate(0.0, 0.15),
        food_dry_frac=usual.food_dry_frac * rng.lognormvariate(0.0, 0.3),
    )
    weather = Weather(
        wind_m_per_s=rng.uniform(0.5, 6.0), ambient_c=rng.uniform(2.0, 22.0), seed=seed, sun_w_per_m2=200.0
    )
    kettle = Kettle(
        parameters, weather=weather, pit_c=plan.set_point_c, charcoal_kg=2.4, lit_frac=0.15, seed=seed
    )
    kettle.add_food(plan.mass_kg, rng.uniform(3.0, 8.0))
    lifts = [(at, at + rng.uniform(60.0, 150.0)) for at in (rng.uniform(1200, 2400), rng.uniform(3600, 5400))]

    state, views = FoodState(), list[FoodView]()
    events: list[object] = [FoodStep(step="loaded")]
    opening, held_s, now_s = 0.1, 0.0, 0.0
    rule = DONE_RULES[plan.rule]
    while now_s < LONGEST_S:
        pit_c = kettle.pit_c()
        open_lid = any(a <= now_s < b for a, b in lifts)
        miss = 0.0 if open_lid else plan.set_point_c - pit_c
        opening = min(0.6, max(0.02, opening + 2e-4 * miss))
        kettle.advance(STEP_S, min(1.0, max(0.02, opening + 0.01 * miss)), 0.5, open_lid)
        samples = (("core", Reading(kettle.core_c())),) if probe else ()
        state, view = follow(state, plan, pit_c, samples, events, now_s)
        events = []
        views.append(view)
        held_s = held_s + STEP_S if kettle.true_core_c >= rule.core_c else 0.0
        now_s += STEP_S
        if held_s >= 60.0 * rule.hold_min:
            break
    else:
        return None
    half = views[len(views) // 2]
    if half.finish_min is None or half.finish_low_min is None or half.finish_high_min is None:
        return None
    return Result(
        seed=seed,
        cook_min=now_s / 60.0,
        left_min=(now_s - half.at_s) / 60.0,
        middle_min=half.finish_min,
        low_min=half.finish_low_min,
        high_min=half.finish_high_min,
        thickness_ratio=thickness_ratio,
        moisture_ratio=moisture_ratio,
    )


@dataclass(frozen=True, slots=True)
class Summary:
    """The figures of a campaign; errors in minutes at half of the cook."""

    cooks: int
    unfinished: int
    mean_cook_min: float
    bias_min: float
    median_error_min: float
    p90_error_min: float
    within_12_frac: float
    coverage_frac: float
    mean_width_min: float


def campaign(seeds: range, probe: bool = True) -> Summary:
    """Run the cooks of `seeds` and sum them up."""
    results = [cook(seed, probe) for seed in seeds]
    good = [r for r in results if r is not None]
    errors = sorted(abs(r.error_min) for r in good)
    n = len(good)
    return Summary(
        cooks=n,
        unfinished=len(results) - n,
        mean_cook_min=sum(r.cook_min for r in good) / n,
        bias_min=sum(r.error_min for r in good) / n,
        median_error_min=errors[n // 2],
        p90_error_min=errors[min(n - 1, int(0.9 * n))],
        within_12_frac=sum(e <= 12.0 for e in errors) / n,
        coverage_frac=sum(r.covered for r in good) / n,
        mean_width_min=sum(r.high_min - r.low_min for r in good) / n,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--cooks", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--no-probe", action="store_true")
    parser.add_argument("--json", metavar="FILE")
    args = parser.parse_args()
    summary = campaign(range(args.seed, args.seed + args.cooks), probe=not args.no_probe)
    for name, value in asdict(summary).items():
        print(f"{name:18} {value:.3g}" if isinstance(value, float) else f"{name:18} {value}")
    if args.json:
        with open(args.json, "w", encoding="utf-8") as file:
            json.dump(asdict(summary), file, indent=2)


if __name__ == "__main__":
    main()
