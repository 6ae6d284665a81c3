"""Commands count from the tap: what comes late is refused, and nothing opens a vent after a snuff."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coalminder.page.order import Order, read_asked

TIMES = st.floats(-1e300, 1e300)


@pytest.mark.parametrize(
    ("ago_s", "says"),
    [(0.0, ""), (29.9, ""), (-4.0, ""), (31.0, "31 s ago"), (1e300, "s ago"), (-6.0, "load it again")],
)
def test_a_command_is_refused_when_its_tap_is_long_ago(ago_s: float, says: str) -> None:
    trouble = Order().trouble("light", 1000.0 - ago_s, 1000.0)
    assert bool(trouble) == bool(says)
    assert says in trouble


def test_what_was_asked_before_a_snuff_is_refused_after_it() -> None:
    order = Order()
    assert order.trouble("snuff", 1005.0, 1009.0) == ""
    assert "snuffed" in order.trouble("light", 1000.0, 1010.0)
    assert order.trouble("light", 1012.0, 1012.0) == "", "lit anew"


@given(TIMES, TIMES)
def test_a_snuff_always_goes_and_never_locks_the_grill_for_later(asked_s: float, now_s: float) -> None:
    order = Order()
    assert order.trouble("snuff", asked_s, now_s) == ""
    assert order.trouble("light", now_s, now_s) == ""


@pytest.mark.parametrize(
    ("text", "asked_s"),
    [("12.5", 12.5), ("", None), ("x", None), ("nan", None), ("inf", None), ("1e999", None)],
)
def test_only_a_number_is_a_time(text: str, asked_s: float | None) -> None:
    assert read_asked(text) == asked_s
