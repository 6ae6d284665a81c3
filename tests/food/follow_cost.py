"""What following a cook costs: mean time of a call at 1 Hz over three hours, in microseconds.

python tests/food/follow_cost.py
"""

from __future__ import annotations

import math
import time

from coalminder.events import FoodStep
from coalminder.food.follow import FoodState, follow
from coalminder.food.foodplan import FoodPlan, PlanStep
from coalminder.values import Reading


def mean_call_us(hours: float = 3.0) -> float:
    """Mean of all calls, a core probe in, a plan of fourteen steps."""
    plan = FoodPlan(scombroid=True, steps=tuple(PlanStep(f"s{i}", "t", "x", i * 600.0) for i in range(14)))
    state, events = FoodState(), list[object]([FoodStep(step="loaded")])
    calls = int(hours * 3600)
    begin = time.process_time()
    for now_s in range(calls):
        core = Reading(5.0 + 66.0 * (1.0 - math.exp(-now_s / 4000.0)))
        state, _ = follow(state, plan, 93.0, (("core", core),), events, float(now_s))
        events = []
    return (time.process_time() - begin) / calls * 1e6


if __name__ == "__main__":
    print(f"{min(mean_call_us() for _ in range(3)):.1f} us a call")
