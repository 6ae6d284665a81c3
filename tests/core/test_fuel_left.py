"""How long the charcoal lasts, held against grills that lose less than the usual kettle."""

from __future__ import annotations

import pytest
from fuel_interval import other_ratio


@pytest.mark.parametrize("name", ["as it is", "round holes, light lid", "slots, shut over the first tenth"])
def test_the_interval_holds_the_truth_on_a_grill_of_other_making(name: str) -> None:
    """The first two burn a quarter of what the usual kettle burns; no probe shows that."""
    low, _, high = other_ratio(name, for_s=2700)
    assert low <= 1.0 <= high
