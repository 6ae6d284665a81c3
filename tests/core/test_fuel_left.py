"""How long the charcoal lasts, held against grills that lose less than the usual kettle, and against rain."""

from __future__ import annotations

import pytest
from fuel_interval import other_ratio, ratio


@pytest.mark.parametrize("name", ["as it is", "round holes, light lid", "slots, shut over the first tenth"])
def test_the_interval_holds_the_truth_on_a_grill_of_other_making(name: str) -> None:
    """The first two burn a quarter of what the usual kettle burns; no probe shows that."""
    low, _, high = other_ratio(name, for_s=2700)
    assert low <= 1.0 <= high


def test_the_interval_holds_the_truth_in_rain() -> None:
    """It boils off on the lid, and no probe sees the heat that it takes: less is left than is told."""
    low, told, high = ratio("rain", 0)
    assert low <= 1.0 < told < high
