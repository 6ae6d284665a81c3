"""Figures of a cook are of what was measured."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from coalminder.core import Config
from coalminder.replay.facts import FoodFacts, facts
from coalminder.replay.table import read_table


def food_of(tmp_path: Path, core: list[str], step_s: int = 10) -> FoodFacts:
    path = tmp_path / "log.csv"
    rows = [f"{i * step_s},93,0.1,{core_c}" for i, core_c in enumerate(core)]
    path.write_text("time_s,pit_c,lower,food_c\n" + "\n".join(rows) + "\n")
    found = facts(read_table(path), Config()).food
    assert found is not None
    return found


def test_time_without_a_reading_is_no_time_at_heat(tmp_path: Path) -> None:
    food = food_of(tmp_path, ["64"] * 61 + [""] * 360 + ["64"] * 31)
    assert food.over_63_min == pytest.approx(10.0)
    assert food.lethality_min == pytest.approx(15.0 * 10 ** ((64.0 - 70.0) / 7.5))
    assert not math.isnan(food.danger_min)


def test_time_without_a_reading_is_time_in_danger_when_it_began_there(tmp_path: Path) -> None:
    food = food_of(tmp_path, ["30"] * 61 + [""] * 359 + ["64"] * 31)
    assert food.danger_min == pytest.approx(70.0)


def test_a_short_silence_or_a_slow_logger_breaks_nothing(tmp_path: Path) -> None:
    assert food_of(tmp_path, ["64"] * 30 + [""] * 5 + ["64"] * 31).over_63_min == pytest.approx(
        10.0 + 50 / 60
    )
    assert food_of(tmp_path, ["64"] * 31, step_s=60).over_63_min == pytest.approx(30.0)
