"""A kettle with little air and thin walls answers its vents in seconds, and several times as strongly."""

from __future__ import annotations

from collections import deque
from itertools import pairwise

import pytest

from coalminder.core import Config, initial, step
from coalminder.events import Acknowledge, Light
from coalminder.values import Inputs, Reading

SET_POINT_C, AIR_C = Config().set_point_c, 15.0


class LightKettle:
    """Air of a few seconds over walls of minutes; heat goes as draught to the power 0.6.

    holds: opening that holds the set point; quick_frac: share of a change of heat that the air shows at once;
    late_s: dead time.
    """

    def __init__(
        self, holds: float, walls_s: float, quick_frac: float, air_s: float, probe_s: float, late_s: int = 3
    ) -> None:
        self.holds, self.walls_s, self.quick_frac = holds, walls_s, quick_frac
        self.air_s, self.probe_s = air_s, probe_s
        self.walls_c = self.air_c = self.shown_c = AIR_C
        self.late = deque([0.0] * late_s)

    def advance(self, opening: float) -> None:
        self.late.append(opening)
        draught = (self.late.popleft() + 0.012) / (self.holds + 0.012)
        held_c = AIR_C + (SET_POINT_C - AIR_C) * draught**0.6
        self.walls_c += (held_c - self.walls_c) / self.walls_s
        pit_c = self.walls_c + self.quick_frac * (held_c - self.walls_c)
        self.air_c += (pit_c - self.air_c) / self.air_s
        self.shown_c += (self.air_c - self.shown_c) / self.probe_s


def tended(kettle: LightKettle, seconds: int) -> tuple[list[float], list[float]]:
    """The pit and the lower vent, second by second."""
    state = initial(Config())
    pits: list[float] = []
    openings: list[float] = []
    for second in range(seconds):
        events = (Light(),) if second == 0 else (Acknowledge(),) if second % 3600 == 0 else ()
        inputs = Inputs(pit=Reading(round(kettle.shown_c, 2)), events=events)
        state, decision = step(state, inputs, float(second))
        pits.append(kettle.shown_c)
        openings.append(decision.lower)
        kettle.advance(decision.lower)
    return pits, openings


@pytest.mark.parametrize(
    ("holds", "walls_s", "quick_frac", "air_s", "probe_s", "most_c"),
    [
        (0.29, 600, 0.3, 10, 12, 8.0),
        (0.29, 600, 0.5, 15, 12, 10.0),
        (0.36, 300, 0.5, 20, 10, 10.0),
        (0.21, 300, 0.8, 30, 15, 35.0),
    ],
)
def test_a_light_kettle_is_calmed_by_its_first_answer_and_is_calm_within_an_hour(
    holds: float, walls_s: float, quick_frac: float, air_s: float, probe_s: float, most_c: float
) -> None:
    """Gains for its delay alone swing it by 15 K once a minute, for as long as it burns.

    most_c: largest error from two minutes after it first came near the set point.
    """
    pits, openings = tended(LightKettle(holds, walls_s, quick_frac, air_s, probe_s), 7200)
    near = next(second for second, pit_c in enumerate(pits) if pit_c > SET_POINT_C - 8.0)
    assert max(abs(pit_c - SET_POINT_C) for pit_c in pits[near + 120 : near + 1800]) < most_c
    second_hour = slice(3600, None)
    assert max(abs(pit_c - SET_POINT_C) for pit_c in pits[second_hour]) < 1.0
    moved = sum(abs(b - a) for a, b in pairwise(openings[second_hour]))
    assert moved < 2.0, "full strokes"
    assert max(pits) < Config().limits.ceiling_c


@pytest.mark.parametrize(
    ("holds", "walls_s", "quick_frac", "late_s"),
    [(0.3, 600, 0.5, 30), (0.36, 300, 0.4, 30), (0.21, 600, 0.3, 40)],
)
def test_a_light_kettle_that_answers_late_is_calm_within_an_hour_and_a_half(
    holds: float, walls_s: float, quick_frac: float, late_s: int
) -> None:
    """At the usual floor of the gains it swings by 18 to 35 K for as long as it burns."""
    kettle = LightKettle(holds, walls_s, quick_frac, air_s=10, probe_s=8, late_s=late_s)
    pits, _ = tended(kettle, 7200)
    assert max(abs(pit_c - SET_POINT_C) for pit_c in pits[5400:]) < 2.0
    assert max(pits) < Config().limits.ceiling_c
