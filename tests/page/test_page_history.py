"""The plot's memory: bounded, true to what came in, whole over the cook."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coalminder.page.history import History

T0 = 1_800_000_000.0


def test_bucket_means_agree_with_the_statistics_module() -> None:
    history = History(points=50)
    values = [90 + 5 * math.sin(i / 7) for i in range(5)]
    for i, value in enumerate(values):
        history.add(T0 + i, {"pit": value})
    assert history.columns()["pit"] == [round(statistics.fmean(values), 3)]


@given(st.lists(st.floats(0, 200), min_size=1, max_size=400), st.integers(10, 60))
def test_thinning_keeps_the_mean_and_the_extremes_of_the_whole_cook(pits: list[float], points: int) -> None:
    history = History(points=points)
    for i, pit in enumerate(pits):
        history.add(T0 + 5.0 * i, {"pit": pit})
    columns = history.columns()
    assert len(history) <= points
    assert min(v for v in columns["pit_low"] if v is not None) == min(pits)
    assert max(v for v in columns["pit_high"] if v is not None) == max(pits)
    assert columns["at_s"] == sorted(t for t in columns["at_s"] if t is not None)
    if history.width_s == 5.0:
        assert [v for v in columns["pit"] if v is not None] == pytest.approx(pits, abs=1e-3)


def test_a_week_at_one_hertz_stays_within_its_points() -> None:
    history = History(points=720)
    for i in range(0, 7 * 86_400, 20):
        history.add(T0 + i, {"pit": 93.0, "lower": 0.05})
    assert len(history) <= 720
    assert history.width_s < 7 * 86_400 / 300, "thinned more than needed"
    at = [t for t in history.columns()["at_s"] if t is not None]
    assert at[0] - T0 < 2 * history.width_s
    assert T0 + 7 * 86_400 - at[-1] < 2 * history.width_s


def test_names_are_bounded_so_that_no_sender_can_fill_the_memory() -> None:
    history = History()
    for i in range(1000):
        history.add(T0 + i, {f"food:{i}": 20.0})
    assert len(history.names) <= 16


def test_no_line_is_drawn_across_a_hole() -> None:
    history = History()
    history.add(T0, {"pit": 90.0})
    history.add(T0 + 300.0, {"pit": 95.0})
    assert history.columns()["pit"] == [90.0, None, 95.0]


def test_late_states_go_where_they_belong_and_are_told_again() -> None:
    history = History()
    for at_s in (0.0, 100.0):
        history.add(T0 + at_s, {"pit": at_s})
    before = history.generation
    for at_s in (10.0, 20.0, 30.0):
        history.add(T0 + at_s, {"pit": at_s})
    assert [v for v in history.columns()["pit"] if v is not None] == [0.0, 10.0, 20.0, 30.0, 100.0]
    assert history.generation > before


def test_the_newest_rows_go_on_where_the_last_ones_ended() -> None:
    history, told = History(), -math.inf
    parts: list[float] = []
    for i in range(0, 400, 3):
        history.add(T0 + i + (500 if i > 200 else 0), {"pit": float(i)})
        if i % 21 == 0:
            rows = history.columns(told)["at_s"]
            parts = [*parts, *(t for t in rows if t is not None and t not in parts)]
            told = history.last_start_s()
    parts += [t for t in history.columns(told)["at_s"] if t is not None and t not in parts]
    assert parts == history.columns()["at_s"]


@pytest.mark.parametrize("step_s", [6 * 86_400.0, -95.0, 333.0])
def test_what_is_kept_goes_with_a_clock_that_is_put_right(step_s: float) -> None:
    history = History()
    for i in range(40):
        history.add(T0 + 5.0 * i, {"pit": 80.0 + i})
    before, generation = history.columns(), history.generation
    history.shift(step_s)
    history.add(T0 + step_s + 205.0, {"pit": 120.0})
    after = history.columns()
    assert after["pit"] == [*before["pit"], 120.0]
    moved = [new - old for new, old in zip(after["at_s"], before["at_s"], strict=False) if new and old]
    assert moved == pytest.approx([step_s] * 40, abs=history.width_s / 2)
    assert history.generation > generation, "the phones are told again"


def test_unknown_values_leave_no_number_behind() -> None:
    history = History()
    history.add(T0, {"pit": 93.0})
    history.add(T0 + 5.0, {"pit": None})
    assert history.columns()["pit"] == [93.0, None]
