"""The `[food]` section: a plan from a file, or plain food."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import ValidationError

from coalminder.errors import UserError
from coalminder.food.foodplan import FoodPlan
from coalminder.settings.food import FoodSettings


def test_without_a_file_the_section_itself_is_the_plan() -> None:
    plan = FoodSettings(species="mackerel", thickness_mm=18.0).plan(set_point_c=95.0)
    assert (plan.thickness_m, plan.scombroid, plan.rule, plan.set_point_c) == (0.018, True, "home-71", 95.0)
    assert FoodSettings(species="chicken_thigh").plan().rule == "poultry-74"


def test_the_file_of_the_plan_command_is_read(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    plan = replace(FoodPlan(), name="char", thickness_m=0.025)
    path.write_text(plan.to_json(), encoding="utf-8")
    assert FoodSettings(plan_file=str(path)).plan() == plan


def test_a_missing_or_broken_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="cannot be read"):
        FoodSettings(plan_file=str(tmp_path / "none.json")).plan()
    broken = tmp_path / "broken.json"
    broken.write_bytes(b"\xff\xfe")
    with pytest.raises(UserError, match="cannot be read"):
        FoodSettings(plan_file=str(broken)).plan()


@pytest.mark.parametrize(
    "values",
    [{"thickness_mm": 0.0}, {"mass_kg": -1.0}, {"fridge_c": 15.0}, {"done_rule": "by-smell"}, {"fish": "x"},
     {"thickness_mm": float("nan")}],
)  # fmt: skip
def test_nonsense_is_refused(values: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        FoodSettings(**values)  # type: ignore[arg-type]
