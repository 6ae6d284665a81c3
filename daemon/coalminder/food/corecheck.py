"""Whether what a core probe shows is the core of the food: of several the one that counts, and doubts.

Pure. Knows the slabs' mean and how wrong it may be, not the slabs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from coalminder.food.exposure import WARM_C
from coalminder.food.foodstate import CORE_FRESH_S, FoodState
from coalminder.frozen import replace
from coalminder.values import ProbeFault, Reading, Sample

ON_TABLE_C = 30.0
"""What is no warmer, or fell below this, may as well be a probe that lies on the table [estimate]."""
NEAR_AIR_C = 20.0
"""What shows more than the pit less this may be the pit's air beside the food [estimate]."""
BEYOND_C = 15.0
"""Such a reading is believed no further than this from the model, however unsure that is [estimate]."""
NEAR_C = 5.0
"""Nor is a probe that was refused as hopeless, further than this: the slabs' spread grows while it is."""
HOPELESS = 1.6
"""This many times what the model may be wrong by (20 °C as food is laid on: fish from a warm kitchen) is the
air's share in a probe that is half out [estimate]."""
PUT_RIGHT_C = 10.0
"""A refused probe that falls by so much was moved, and is judged afresh."""
THAWED_C = 0.5
JUST_LOADED_C = 12.0
"""Ice is looked for only in food that is still so cold: later the probe is held in frosty air [estimate]."""
LAID_ON_S = 600.0
"""By then the probe is where it belongs, and the food not far from what it was [estimate]."""
LEAST_LEFT = 0.5
"""Of a thinner piece there is no telling how warm it was."""
WARMEST_RAW_C = 45.0
"""No raw food is warmer from a car or a kitchen; the pit's air is [estimate]."""
SHOWN_MEAN_S = 300.0
JUMP_C = 10.0
"""Food gains less on the mean of its last minutes; what stood there before 'loaded' was reported late."""
OVER_PIT_C = 3.0
"""A core in drying food stays under the air around it; so far the probes may differ [estimate]."""


def trusted(samples: Sequence[tuple[str, Sample]]) -> dict[str, float]:
    """The cores that can be believed, by the names of their probes."""
    return {
        name: s.temp_c
        for name, s in samples
        if isinstance(s, Reading) and s.age_s <= CORE_FRESH_S and -30 < s.temp_c < 130
    }


def slowest(
    samples: Sequence[tuple[str, Sample]],
    cores: Mapping[str, float],
    read_s: Mapping[str, float],
    now_s: float,
    cooling: bool,
) -> tuple[float | None, str]:
    """The trusted core that is behind the others, the warmest when it cools; without one, why.

    read_s: when each probe was last read. One that has fallen silent may sit in the slowest piece: then what
    the others show is no measurement of it.
    """
    silent = [name for name, _ in samples if now_s - read_s.get(name, now_s) > CORE_FRESH_S]
    if cores and silent:
        which, left = ("warmest", "that is left") if cooling else ("coldest", "on the grill")
        remedy = f"plug it in again, its tip in the middle of the {which} piece {left}"
        return None, f"{', '.join(silent)}: silent, and perhaps in the {which} piece: {remedy}"
    if cores:
        return (max if cooling else min)(cores.values()), ""
    faults = [f"{name}: {s.kind.value.replace('_', ' ')}" for name, s in samples if isinstance(s, ProbeFault)]
    return None, f"{', '.join(faults)}: look at plug and cable" if faults else ""


def shown(state: FoodState, cores: Mapping[str, float], dt_s: float) -> FoodState:
    """With the mean of what the coldest core probe showed lately, also before the food was reported."""
    if not cores:
        return state
    coldest = min(cores.values())
    before = coldest if state.shown_c is None else state.shown_c
    return replace(state, shown_c=before + min(1.0, dt_s / SHOWN_MEAN_S) * (coldest - before))


def as_food(state: FoodState, cores: Mapping[str, float]) -> bool:
    """Whether a probe warms as in food, over a fire that has settled, though none was reported: too warm for
    the table, too cool for the pit's air, and not all at once.
    """
    if not (cores and state.settled and state.pit_c is not None and state.shown_c is not None):
        return False
    coldest = min(cores.values())
    return ON_TABLE_C < coldest < min(state.pit_c - NEAR_AIR_C, state.shown_c + JUMP_C)


def misplaced(
    state: FoodState, core: float, mean_c: float, beyond_c: float, before_c: float | None, around_c: float
) -> tuple[str, float | None]:
    """Why `core` cannot be the middle of this food, "" when it can; and `refused_c` from now on.

    beyond_c: how wrong the model may be; it grows while nothing is believed, so that without `refused_c` any
    probe would be believed in the end. before_c: the mean that was shown lately. around_c: the air that cools
    the food.
    """
    if state.off_s is None:
        return _misplaced_on_grill(state, core, mean_c, beyond_c, before_c)
    return _misplaced_off_grill(state, core, mean_c, beyond_c, around_c)


def _misplaced_on_grill(
    state: FoodState, core: float, mean_c: float, beyond_c: float, before_c: float | None
) -> tuple[str, float | None]:
    """`misplaced`, of food on the grill."""
    if core < THAWED_C and mean_c >= JUST_LOADED_C:
        return (
            f"core probe shows {core:.0f} °C, which no food over a fire has: is it in the middle of it? "
            "Are a thermocouple's two wires swapped?"
        ), state.refused_c
    air_c = math.inf if state.pit_c is None else state.pit_c
    near_air = core > air_c - NEAR_AIR_C
    jumped = before_c is None or core > before_c + JUMP_C
    hopeless_c = BEYOND_C if near_air else HOPELESS * beyond_c
    beyond_c = min(beyond_c, BEYOND_C) if near_air else beyond_c
    refused_c = state.refused_c
    refused = refused_c is not None and core > refused_c - PUT_RIGHT_C
    beyond_c = NEAR_C if refused else beyond_c
    is_air = core > air_c - OVER_PIT_C and (refused or jumped)
    over = core > max(air_c + OVER_PIT_C, mean_c + NEAR_C)
    if not (over or core > mean_c + beyond_c or (is_air and refused)):
        return "", None if refused else refused_c
    hopeless = is_air or (core > mean_c + hopeless_c and (jumped or near_air))
    if hopeless or refused_c is not None:
        refused_c = core if refused_c is None else max(core, refused_c)
    why = f"core probe shows {core:.0f} °C, more than this food can be: is it in the middle of it?"
    low = " If it is, the pit probe reads too low: compare it with another thermometer."
    return why + (low if core > air_c + OVER_PIT_C else ""), refused_c


def _misplaced_off_grill(
    state: FoodState, core: float, mean_c: float, beyond_c: float, around_c: float
) -> tuple[str, float | None]:
    """`misplaced`, of food that is off the grill: its probe was pulled out, or left in the grill."""
    refused_c = state.refused_c
    near_air = core > (math.inf if state.pit_c is None else state.pit_c) - NEAR_AIR_C
    hot = refused_c is not None and refused_c > mean_c and near_air  # it was refused on the grill
    pulled = core < mean_c - (2.0 * beyond_c if refused_c is None or hot else NEAR_C)
    # in the refrigerator a pile may well be warmer than its model
    left = state.chilled_s is None and core > mean_c + (NEAR_C if hot else 2.0 * beyond_c)
    if not (pulled or left):
        return "", None
    air = pulled and core - around_c < mean_c - core
    why = f"core probe shows {core:.0f} °C, and this food must be near {mean_c:.0f} °C: "
    return why + "is it still in it?", core if air else refused_c


def laid_on_c(state: FoodState, start_c: float, core: float, mean_c: float, now_s: float) -> float | None:
    """How warm this food was when it was laid on, by a core probe, where raw food has two hours; else None.

    Judged until a reading is believed, which the model then follows; a probe that falls was not in it yet.
    start_c: how warm the model had it, which shows mean_c now. Warmer food warms by less: what is left of its
    distance to the pit is the same share as of the model's.
    """
    if state.loaded_s is None or now_s - state.loaded_s > LAID_ON_S:
        return state.warm_c
    if state.core_s is not None:
        return state.warm_c if core > WARM_C else None
    was_c = start_c + core - mean_c
    if state.pit_c is not None and state.pit_c > max(core, start_c):
        left = max((state.pit_c - mean_c) / (state.pit_c - start_c), LEAST_LEFT)
        was_c = state.pit_c - (state.pit_c - core) / left
    return was_c if WARM_C < was_c < WARMEST_RAW_C else None


def icy(state: FoodState, core: float, mean_c: float) -> bool:
    """Whether there is ice in the core, or was just now: the slabs know none, and begin when it is gone."""
    was_icy = state.core_c is not None and state.core_c < THAWED_C
    return state.off_s is None and mean_c < JUST_LOADED_C and (core < THAWED_C or was_icy)
