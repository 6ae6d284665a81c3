"""What the cut-offs may look at in one step: the inputs, and what the loop has in force.

Owns no rule. Openings are 0 (shut) .. 1 (open), linear in flow.
"""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.values import HEALTHY, Machine, Phase, Sample

FIRE_PHASES = frozenset({Phase.LIGHTING, Phase.SETTLING, Phase.TENDING, Phase.LID_OFF, Phase.EASING})
"""Phases with a fire that the vents feed."""

SHUT_PHASES = frozenset({Phase.COLD, Phase.SNUFFING, Phase.OUT, Phase.CUT_OFF})
"""Phases in which the vents are, or are going, shut; a falling pit is what is wanted."""


@dataclass(frozen=True, slots=True)
class View:
    """One step as the cut-offs see it.

    lower: the lower vent's opening in force (decided in the step before). lower_floor: its air
    floor now, the least opening that keeps the fire alive; at or below it the lower vent counts as
    'shut as far as tending allows'. lower_wide: from this opening on it counts as wide open.
    lid_off: recognised, told or by switch; lid_doubt: a fall as of a lid that neither came back nor was
    explained. food_on: whether food is on the grill, None while nobody reported
    any; food_loaded_s: when this batch was laid on (control time). food_near, food_over: clocks of the food
    (exposure, come-up, cooling, histamine) that are near their limit, or over it, in words.
    """

    phase: Phase
    pit: Sample
    set_point_c: float
    lower: float
    lower_floor: float = 0.0
    lid_off: bool = False
    lid_doubt: bool = False
    pit_2: Sample | None = None
    dome: Sample | None = None
    ambient: Sample | None = None
    foods: tuple[tuple[str, Sample], ...] = ()
    food_on: bool | None = None
    food_loaded_s: float | None = None
    food_near: tuple[str, ...] = ()
    food_over: tuple[str, ...] = ()
    machine: Machine = HEALTHY
    lower_wide: float = 0.5
