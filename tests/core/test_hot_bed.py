"""Kettles lit with all their coals aglow, of another making: they overshoot under shut vents, and come back.

A chimney of glowing coals overshoots whatever the vents do, and coals under shut vents live for tens of
minutes (common practice).
"""

from __future__ import annotations

from statistics import mean

import pytest
from hot_bed_figures import tend
from lump_kettle import KETTLES

from coalminder.core import Config

SECONDS, COME_BACK_S = 6600, 4500


@pytest.mark.parametrize("name", KETTLES)
def test_a_bed_lit_hot_is_neither_cut_off_nor_starved(name: str) -> None:
    course = tend(KETTLES[name], Config(), SECONDS)
    assert max(course.pit_c) > Config().set_point_c + 12.0, "this bed does not overshoot"
    assert course.cut_off_s is None, f"the pit was at {course.pit_c[course.cut_off_s]:.0f} °C"
    assert course.alive
    assert mean(80.0 <= temp_c <= 105.0 for temp_c in course.pit_c[COME_BACK_S:]) > 0.95
