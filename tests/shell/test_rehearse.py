"""Rehearsals as fast as they go: the demo, other people's grills."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from foreign_grill import OTHER_MAKING, ForeignGrill
from matplotlib.figure import Figure

from coalminder.cli import main
from coalminder.rehearse.view import plain_line
from coalminder.units import US
from coalminder.values import Decision, Phase

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


@pytest.mark.parametrize("asked", ["option", "configuration"])
def test_a_us_kitchen_is_shown_its_own_units(
    asked: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """32 °F and 1.8 of them for each K of a temperature, 1.8 alone for an error; a pound is 0.45359237 kg
    (agreement of 1959). The figures of the file stay as their names say.
    """
    config = tmp_path / "us.toml"
    config.write_text('[page]\nunits = "us"\n', "utf-8")
    words = ["--units", "us"] if asked == "option" else ["--config", str(config)]
    drawn: list[Figure] = []
    monkeypatch.setattr(Figure, "savefig", lambda figure, *_args, **_options: drawn.append(figure))
    plot = ["--plot", str(tmp_path / "cook.png")]
    cook = rehearse(tmp_path, "--fast", "--hours", "1", "--set-point", "200", *plot, *words)
    told = capsys.readouterr().out
    peak_c, error_k, kg = (cook[key] for key in ("peak_c", "mean_abs_error_c", "fuel_used_kg"))
    assert isinstance(peak_c, float)
    assert isinstance(error_k, float)
    assert isinstance(kg, float)
    assert f" {peak_c * 1.8 + 32.0:.1f} °F" in told
    assert f" {error_k * 1.8:.2f} °F" in told
    assert f" {kg / 0.45359237:.2f} lb" in told
    assert "°C" not in told
    (figure,) = drawn
    above = figure.axes[0]
    assert above.get_ylabel() == "temperature, °F"
    pit = next(line for line in above.lines if line.get_label() == "pit")
    assert max(pit.get_ydata()) == pytest.approx(peak_c * 1.8 + 32.0)
    labels = {text.get_text() for text in above.get_legend().texts}
    assert {"band 176–221 °F", "ceiling 250 °F"} <= labels
    with pytest.raises(SystemExit):
        main(["rehearse", "--units", "kelvin"])
    capsys.readouterr()
    assert main(["rehearse", "--fast", "--set-point", "93", *words]) == 2
    assert "93 °F is outside 131 to 230 °F" in capsys.readouterr().err


def test_the_lowest_pit_under_a_lifted_lid_is_told_as_such(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """'Lowest after that 61 °C' stood under 99 % in the band, as if the fire had failed."""
    rehearse(tmp_path, "--fast", "--hours", "1")
    assert "(the lid off, too)" in capsys.readouterr().out
    rehearse(tmp_path, "--fast", "--hours", "0.5")
    assert "lid off" not in capsys.readouterr().out


def test_the_lines_of_a_rehearsal_are_in_the_units_of_the_kitchen() -> None:
    decision = Decision(Phase.TENDING, 93.0, 0.1, 0.3, 100.0)
    assert "pit 212.0 °F  core 140.0 °F" in plain_line(0.0, decision, 60.0, US)
    assert "pit 100.0 °C  core  60.0 °C" in plain_line(0.0, decision, 60.0)


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
