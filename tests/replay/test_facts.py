"""Figures of a cook are of what was measured."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coalminder.core import Config
from coalminder.grill import kettle
from coalminder.journal import read
from coalminder.rehearse.fast import run_fast
from coalminder.replay.facts import FoodFacts, facts, finish_belief, fuel_belief
from coalminder.replay.load import load
from coalminder.replay.series import Series, burning, usable
from coalminder.replay.table import read_table, write_table
from coalminder.replay.whatif import Cook, scored_rows, shows_work


def logged(tmp_path: Path, core: list[str], step_s: int = 10) -> Series:
    path = tmp_path / "log.csv"
    rows = [f"{i * step_s},93,0.1,{core_c}" for i, core_c in enumerate(core)]
    path.write_text("time_s,pit_c,lower,food_c\n" + "\n".join(rows) + "\n")
    return read_table(path)


def food_of(tmp_path: Path, core: list[str], step_s: int = 10) -> FoodFacts:
    found = facts(logged(tmp_path, core, step_s), Config()).food
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


@pytest.mark.parametrize("step_s", [5, 60])
def test_the_finish_believed_is_newtons_law_of_heating(tmp_path: Path, step_s: int) -> None:
    """Exact for a body of one lag in a steady pit (Newton's law, textbooks; from memory)."""
    lag_s, cold_c, pit_c = 5400.0, 5.0, 93.0
    core = [f"{pit_c - (pit_c - cold_c) * math.exp(-i * step_s / lag_s):.3f}" for i in range(9000 // step_s)]
    belief = finish_belief(logged(tmp_path, core, step_s))
    assert belief is not None
    assert belief.happened_min is not None
    assert belief.hours[0] == pytest.approx(1 / 3, abs=0.1)
    assert belief.middle_min == pytest.approx(belief.happened_min, abs=1.5)
    done_s = lag_s * math.log((pit_c - cold_c) / (pit_c - 63.0))
    assert belief.middle_min[0] == pytest.approx(done_s / 60.0 - 60.0 * belief.hours[0], abs=2.0)


def test_a_food_probe_that_never_warms_makes_no_belief(tmp_path: Path) -> None:
    core = [f"{9.0 + 0.0001 * i + 0.3 * math.sin(i):.2f}" for i in range(900)]
    assert finish_belief(logged(tmp_path, core)) is None


def test_a_core_that_is_over_the_goal_from_the_first_row_on_makes_no_belief(tmp_path: Path) -> None:
    """It was believed to be done within minus so many minutes."""
    assert finish_belief(logged(tmp_path, [f"{65 + 0.01 * i:.2f}" for i in range(900)])) is None


def test_a_core_that_warms_while_nobody_measures_the_pit_makes_no_belief(tmp_path: Path) -> None:
    series = logged(tmp_path, [f"{5 + 0.05 * i:.2f}" for i in range(900)])
    assert finish_belief(replace(series, pit_c=np.full(len(series), math.nan))) is None


def test_a_row_counts_for_the_time_that_it_stands_for(tmp_path: Path) -> None:
    """A logger that writes once a minute, and once a second while the pit is off; and one that stopped."""
    rows = [(60.0 * i, 93.0) for i in range(61)]
    rows += [(3600.0 + i, 83.0) for i in range(1, 61)]
    rows += [(20_000.0 + i, 103.0) for i in range(60)]
    path = tmp_path / "log.csv"
    path.write_text("time_s,pit_c,lower\n" + "".join(f"{t},{pit_c},0.1\n" for t, pit_c in rows))
    found = facts(read_table(path), replace(Config(), low_c=90.0, high_c=100.0))
    # 30 min right, a minute 10 K too cold, a minute 10 K too hot
    assert found.mean_abs_c == pytest.approx(20.0 / 32.0, rel=0.02)
    assert found.in_band_frac == pytest.approx(30.0 / 32.0, rel=0.01)


def test_a_power_cut_is_no_time_in_a_phase_nor_with_the_lid_off(tmp_path: Path) -> None:
    """Cut off for 20 min with the lid off, which is seen off for 5 s more; and a lift of 30 s later on."""
    rows = [(i, "tending", 0) for i in range(600)] + [(600 + i, "lid_off", 1) for i in range(10)]
    rows += [(1810 + i, "lid_off", 1) for i in range(5)] + [(1815 + i, "tending", 0) for i in range(300)]
    rows += [(2115 + i, "lid_off", 1) for i in range(30)] + [(2145 + i, "tending", 0) for i in range(60)]
    path = tmp_path / "log.csv"
    path.write_text("time_s,pit_c,lower,phase,lid\n" + "".join(f"{t},93,0.1,{p},{x}\n" for t, p, x in rows))
    found = facts(read_table(path), Config())
    assert [(s.from_s, s.until_s - s.from_s) for s in found.lid_lifts] == [(600.0, 9.0), (2115.0, 30.0)]
    assert [(s.label, s.until_s - s.from_s) for s in found.phases] == [
        ("tending", 600.0),
        ("lid_off", 9.0),
        ("no record", 1201.0),
        ("lid_off", 5.0),
        ("tending", 300.0),
        ("lid_off", 30.0),
        ("tending", 59.0),
    ]


def test_a_cook_settles_from_its_lighting_on(cook: Cook) -> None:
    """The daemon may wait for an hour until the coals are lit."""
    usual_s = facts(cook.series, Config()).settled_after_s
    cold_s = 1800
    rows = np.concatenate([np.zeros(cold_s, dtype=int), np.arange(len(cook.series))])
    later = cook.series.part(rows)
    phase = np.where(np.arange(len(rows)) < cold_s, "cold", later.phase)
    later = replace(later, time_s=np.arange(len(rows), dtype=float), phase=phase)
    assert facts(later, Config()).settled_after_s == usual_s


def test_a_fire_that_was_put_out_soon_shows_no_work_of_the_loop(cook: Cook) -> None:
    time_s = cook.series.time_s
    soon = np.where(time_s < 1000.0, "lighting", np.where(time_s < 1300.0, "settling", "out"))
    out = replace(cook, series=replace(cook.series, phase=soon))
    assert np.flatnonzero(scored_rows(out)).max() < 1300
    never = replace(cook, series=replace(cook.series, phase=np.full(len(time_s), "cold")))
    assert not shows_work(never)


@pytest.mark.parametrize("phases", [True, False])
def test_a_fire_that_burnt_out_teaches_nothing_from_then_on(cook: Cook, tmp_path: Path, phases: bool) -> None:
    """Nobody said that the fish is eaten: the daemon tends on over cold ash, with its vents open."""
    rows = np.concatenate([np.arange(len(cook.series)), np.full(7200, len(cook.series) - 1)])
    series = cook.series.part(rows)
    after_s = np.maximum(np.arange(len(rows)) - len(cook.series) + 1.0, 0.0)
    ambient_c = 9.0
    pit_c = ambient_c + (series.pit_c - ambient_c) * np.exp(-after_s / 1200.0)  # Newton's law of cooling
    lower = np.where(after_s > 0.0, 1.0, series.lower)
    known = series.phase if phases else np.full(len(rows), "")
    series = replace(series, time_s=np.arange(len(rows), dtype=float), pit_c=pit_c, lower=lower, phase=known)
    tail = replace(cook, series=series)
    left_s = np.flatnonzero(scored_rows(tail) | usable(series)).max() - len(cook.series)
    assert left_s < 1200.0 * math.log(84.0 / 74.0)  # the pit fell from 93 to 83 °C
    write_table(series, tmp_path / "tail.csv")
    assert any("the fire was going out from 1:3" in text for text in load(tmp_path / "tail.csv").remarks)
    write_table(cook.series, tmp_path / "whole.csv")
    assert not any("going out" in text for text in load(tmp_path / "whole.csv").remarks)
    whole = replace(cook.series, phase=known[: len(cook.series)])
    before = scored_rows(replace(cook, series=whole))
    assert np.array_equal(scored_rows(tail)[: len(before)], before)


COOLS = np.linspace(93.0, 20.0, 360)  # an hour
HOURS = {
    "a set point that it did not reach": (
        [np.full(720, 93.0), np.full(720, 98.0), COOLS],
        [np.full(720, 93.0), np.full(1080, 105.0)],
        1440,
    ),
    "held low, after a lid lift in frost": (
        [np.full(720, 93.0), np.linspace(93.0, 40.0, 6), np.linspace(40.0, 86.0, 60), np.full(720, 86.0)],
        [np.full(1506, 93.0)],
        1506,
    ),
    "a logger that is off writes 0": ([np.full(720, 93.0), COOLS], [np.full(720, 93.0), np.zeros(360)], 720),
    "lowered at the end": (
        [np.full(720, 93.0), np.linspace(93.0, 65.0, 180), np.full(720, 65.0), COOLS[180:]],
        [np.full(720, 93.0), np.full(1080, 65.0)],
        1620,
    ),
}


@pytest.mark.parametrize("name", HOURS)
def test_no_part_of_a_cook_with_a_fire_is_left_out(cook: Cook, name: str) -> None:
    """Rows every 10 s; a pit that falls by less than 10 K may still count."""
    pit, aim, fire = HOURS[name]
    rows = np.zeros(sum(map(len, pit)), dtype=int)
    series = replace(cook.series.part(rows), pit_c=np.concatenate(pit), set_point_c=np.concatenate(aim))
    kept = burning(series)
    assert kept[:fire].all()
    assert not kept[fire + 50 :].any()


def test_what_happened_to_the_fuel_is_told_of_a_cook_that_burnt_out(tmp_path: Path) -> None:
    """The interval is meant to hold nine times in ten; here the fire is short of charcoal from the start."""
    run_fast(kettle(charcoal_kg="0.35"), Config(), (), 4 * 3600.0, record=tmp_path)
    (path,) = tmp_path.glob("*.cook")
    with read(path) as record:
        belief = fuel_belief(tuple(record.steps()))
    assert belief is not None
    assert belief.happened_min is not None
    assert belief.happened_min[0] == pytest.approx(np.nanmax(belief.happened_min))
    assert np.nanmin(belief.happened_min) >= 0.0
    assert belief.coverage_frac is not None
