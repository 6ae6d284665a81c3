"""Rehearsals as fast as they go: the demo, other people's grills."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from foreign_grill import OTHER_MAKING, ForeignGrill

from coalminder.cli import main

KEYS = set(
    "in_band_frac settled_after_s peak_c lowest_c mean_abs_error_c servo_travel fuel_used_kg fire_alive "
    "lid_lifts_seen alarms phases steps wall_s version seed".split()
)
LIFT_AND_WOOD = ("--lid-lift", "5400:120", "--wood", "7200:0.08")


def rehearse(tmp_path: Path, *options: str) -> dict[str, object]:
    path = tmp_path / "cook.json"
    assert main(["rehearse", "--json", str(path), *options]) == 0
    summary: dict[str, object] = json.loads(path.read_text("utf-8"))
    assert set(summary) == KEYS
    return summary


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_demo_stays_in_its_band(seed: int, tmp_path: Path) -> None:
    cook = rehearse(tmp_path, "--fast", "--seed", str(seed))
    assert cook["in_band_frac"] >= 0.90  # type: ignore[operator]
    assert cook["peak_c"] <= 121.0  # type: ignore[operator]
    assert cook["fire_alive"] is True
    assert cook["lid_lifts_seen"] == 2
    assert cook["alarms"] == []
    assert 0.15 * 4 * 0.9 <= cook["fuel_used_kg"] <= 0.25 * 4 * 1.1  # type: ignore[operator]  # common practice: kg/h


def test_same_seed_gives_the_same_cook(tmp_path: Path) -> None:
    cooks = [rehearse(tmp_path, "--fast", "--hours", "1", "--seed", "5") for _ in range(2)]
    for cook in cooks:
        del cook["wall_s"]
    assert cooks[0] == cooks[1]


@pytest.mark.parametrize("arguments", OTHER_MAKING.values(), ids=OTHER_MAKING.keys())
def test_a_grill_of_other_making_is_tended(arguments: dict[str, float], tmp_path: Path) -> None:
    assert isinstance(ForeignGrill(**arguments).pit_c(), float)  # type: ignore[arg-type]
    more = [word for key, value in arguments.items() for word in ("--grill-arg", f"{key}={value}")]
    cook = rehearse(tmp_path, "--fast", "--grill", "foreign_grill:grill", *LIFT_AND_WOOD, *more)
    assert cook["in_band_frac"] >= 0.94  # type: ignore[operator]
    assert cook["peak_c"] <= 121.0  # type: ignore[operator]
    assert cook["fire_alive"] is True
    assert cook["lid_lifts_seen"] == 1


@pytest.mark.parametrize(("room_kg", "dead_s"), [(0.09, 25), (0.14, 5)])
def test_a_room_full_of_fresh_air_flares_and_that_is_no_lid_lift(
    room_kg: float, dead_s: int, tmp_path: Path
) -> None:
    """The air that came in under the open lid burns after it is back: 130 to 165 °C for a minute or two."""
    cook = rehearse(
        tmp_path, "--fast", "--grill", "foreign_grill:grill", "--grill-arg", f"room_kg={room_kg}",
        "--grill-arg", f"dead_s={dead_s}", "--lid-lift", "4500:90", "--lid-lift", "9900:120",
    )  # fmt: skip
    assert cook["in_band_frac"] >= 0.90  # type: ignore[operator]
    assert cook["fire_alive"] is True
    assert cook["lid_lifts_seen"] == 2
    assert {alarm["code"] for alarm in cook["alarms"]} == {"pit_over_ceiling"}  # type: ignore[index, attr-defined]
