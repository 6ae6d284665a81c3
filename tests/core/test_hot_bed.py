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
from coalminder.values import Phase

SECONDS, LIT_S, COME_BACK_S = 6600, 300, 4500


@pytest.mark.parametrize("name", KETTLES)
def test_a_bed_lit_hot_is_neither_cut_off_nor_starved(name: str) -> None:
    grill, trace = tend(KETTLES[name], Config(), SECONDS)
    assert max(trace.pit_c) > Config().set_point_c + 12.0, "this bed does not overshoot"
    assert Phase.CUT_OFF not in dict(trace.phases)
    assert grill.alive
    assert mean(80.0 <= temp_c <= 105.0 for temp_c in trace.pit_c[COME_BACK_S:]) > 0.95


def test_no_breath_over_the_ceiling() -> None:
    _, trace = tend(KETTLES["slots, coals that die early"], Config(), SECONDS)
    over = Config().limits.ceiling_c + 5.0
    vents = [lower for lower, pit_c in zip(trace.lower, trace.pit_c, strict=True) if pit_c > over][LIT_S:]
    assert len(vents) > 300, "this bed does not overshoot so far"
    assert set(vents) == {0.0}
