"""What must hold between two readings of one cook, whatever the cook was."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from coalminder.cli import main
from coalminder.core import Config
from coalminder.errors import UserError
from coalminder.events import Light
from coalminder.replay.fopdt import Floats, Fopdt
from coalminder.replay.greybox import UNKNOWNS, simulate
from coalminder.replay.learned import USUAL_KETTLE, fit_cook, learn, pool
from coalminder.replay.load import load
from coalminder.replay.series import Series, even, log_draught
from coalminder.replay.table import read_table, write_table
from coalminder.replay.whatif import (
    Cook,
    aimed,
    check_not_cut_off,
    from_series,
    hold_vent,
    recorded,
    run_again,
    score,
    scored_rows,
)

LEAK = Config().split.leak_opening


def by_hand(
    seed: int, n: int = 9000, openings: tuple[float, ...] = (0.09, 0.12, 0.16), dead_s: int = 9
) -> Series:
    """A hand moves the vents of a kettle (gain 60, lag 1000 s; scipy's) in wind."""
    rng, moves = np.random.default_rng(seed), n // 150
    lower = np.repeat(rng.choice(openings, size=moves), rng.integers(150, 600, size=moves))[:n]
    v, none = log_draught(lower, LEAK), np.full(n, np.nan)

    def lagged(x: Floats, tau_s: float) -> Floats:
        keep = math.exp(-1.0 / tau_s)
        return np.asarray(lfilter([1.0 - keep], [1.0, -keep], x))

    moved = np.concatenate([np.zeros(1 + dead_s), 60.0 * (v - v[0])])[:n]
    wind = 2.0 * lagged(rng.normal(size=n) * math.sqrt(2 * 150.0), 150.0)
    pit_c = 93.0 + lagged(moved + wind, 1000.0) + 0.12 * rng.normal(size=n)
    words, lid = np.full(n, ""), np.zeros(n, dtype=bool)
    return Series(np.arange(float(n)), pit_c, lower, np.ones(n), none, words, lid, none, none, none)


TEMPS_C = ("pit_c", "set_point_c", "ambient_c", "food_c", "dome_c")
NAMES = {
    "time_s": ("Time", "elapsed_s", "SECONDS", " timestamp"),
    "pit_c": ("Pit", "pit temp", "Pit-Temp"),
    "lower": ("Vent", "vent opening", "lower-vent"),
    "upper": ("upper vent",),
    "set_point_c": ("Set point",),
    "lid_off": ("lid", "Lid open"),
    "ambient_c": ("Ambient ",),
    "food_c": ("core", "FOOD"),
    "dome_c": ("Dome",),
}
AS_UNIT: dict[str, Callable[[Floats], Floats]] = {
    "°C": lambda c: c,
    "°F": lambda c: 1.8 * c + 32.0,
    "K": lambda c: c + 273.15,
}
PER_UNIT_S = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0, "d": 86_400.0}


@st.composite
def dialects(draw: st.DrawFn) -> Callable[[dict[str, Floats]], bytes]:
    """How some logger may write the documented columns."""
    comma = draw(st.booleans())
    separator = draw(st.sampled_from(";\t" if comma else ",;\t"))
    temps, unit_s = draw(st.sampled_from(tuple(AS_UNIT))), draw(st.sampled_from(tuple(PER_UNIT_S)))
    percent, began_s = draw(st.booleans()), draw(st.sampled_from([0.0, 1.8e9, 4.6e9]))
    names = {name: draw(st.sampled_from(words)) for name, words in NAMES.items()}
    order, quote = draw(st.permutations(tuple(NAMES))), draw(st.sampled_from(["", '"']))
    end, mark = draw(st.sampled_from(["\n", "\r\n"])), draw(st.sampled_from(["", "\ufeff"]))
    before = draw(st.sampled_from(["", "# some logger, 1.0" + end, f"sep={separator}{end}"]))
    empty, last = draw(st.sampled_from(["", "NaN", "--", "n/a"])), draw(st.sampled_from(["", end]))

    def cell(value: float) -> str:
        text = empty if math.isnan(value) else repr(float(value))
        return f"{quote}{text.replace('.', ',') if comma else text}{quote}"

    def write(columns: dict[str, Floats]) -> bytes:
        heads, cells = [], []
        for name in order:
            column, unit = columns[name], ""
            if name in TEMPS_C:
                column, unit = AS_UNIT[temps](column), f" ({temps})"
            elif name == "time_s":
                column, unit = (column + began_s) / PER_UNIT_S[unit_s], f" [{unit_s}]"
            elif name in ("lower", "upper") and percent:
                column, unit = 100.0 * column, " (%)"
            heads.append(f"{quote}{names[name]}{unit}{quote}")
            cells.append([cell(value) for value in column.tolist()])
        lines = [separator.join(row) for row in (heads, *zip(*cells, strict=True))]
        return (mark + before + end.join(lines) + last).encode()

    return write


@given(write=dialects(), seed=st.integers(0, 99))
@settings(max_examples=60, deadline=None)
def test_a_table_is_the_same_cook_however_it_is_written(
    write: Callable[[dict[str, Floats]], bytes], seed: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    rng, n = np.random.default_rng(seed), 40
    columns = {name: rng.uniform(20.0, 59.0, n).round(2) for name in TEMPS_C}
    columns |= {name: rng.uniform(0.02, 1.0, n).round(3) for name in ("lower", "upper")}
    columns["time_s"] = np.cumsum(rng.integers(1, 30, n)).astype(float)
    columns["lid_off"] = (rng.random(n) < 0.1).astype(float)
    for name in ("pit_c", "food_c", "ambient_c"):
        columns[name][rng.integers(1, n - 1)] = math.nan
    path = tmp_path_factory.getbasetemp() / "dialect.csv"
    path.write_bytes(write(columns))
    read = read_table(path)
    columns["time_s"] -= columns["time_s"][0]
    second = np.searchsorted(columns["time_s"], np.arange(columns["time_s"][-1] + 1.0), side="right") - 1
    assert even(read).lower == pytest.approx(columns["lower"][second])
    for name, column in columns.items():
        # a day of 1.8e9 s is told to a microsecond or two in the digits of a double
        assert getattr(read, name).astype(float) == pytest.approx(column, abs=1e-5, rel=0.0, nan_ok=True), (
            name
        )


def test_lines_that_end_with_a_carriage_return_alone_are_refused_as_such(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"time_s,pit_c,lower\r0,93,0.1\r1,93,0.12\r")
    with pytest.raises(UserError, match="carriage return alone; save it again as CSV with line feeds"):
        read_table(tmp_path / "a.csv")


def with_ash(seed: int, cold_s: int, lit_s: int, after_s: int) -> Series:
    """The same kettle from cold ash over a fire lit under an open vent to ash again, its vent shut at last.

    Heat goes with the bed's glow, which comes with 400 s and goes with 300 s; no phase is told.
    """
    rng, core = np.random.default_rng(seed), by_hand(seed)
    parts = (np.zeros(cold_s), np.full(lit_s, 0.9), core.lower, np.zeros(after_s))
    lower, n = np.concatenate(parts), sum(map(len, parts))
    v = log_draught(lower, LEAK)
    push_k = 60.0 * np.clip(v - log_draught(np.array([0.12]), LEAK), -1.5, 0.9)
    glow, pit_c, shown_c = 0.0, 12.0, np.empty(n)
    for i in range(n):
        lit = cold_s <= i < n - after_s
        glow += (1.0 - glow) / 400.0 if lit else -glow / 300.0
        pit_c += (12.0 + glow * (81.0 + push_k[max(i - 9, 0)]) - pit_c) / 1000.0
        shown_c[i] = pit_c + 0.12 * rng.normal()
    none, words, lid = np.full(n, np.nan), np.full(n, ""), np.zeros(n, dtype=bool)
    return Series(np.arange(float(n)), shown_c, lower, np.ones(n), none, words, lid, none, none, none)


def cook_of(series: Series, name: str = "a") -> Cook:
    return from_series(series, name, Config())


def test_intervals_of_pooled_cooks_are_those_of_the_pooled_kettle() -> None:
    """Two records of like information: by the square root of two narrower, around what both say."""
    wide = replace(USUAL_KETTLE, slope_sd=3.0, tau_sd=3.0, theta_sd=3.0)
    fits = [fit_cook(cook_of(by_hand(seed)), wide) for seed in (0, 1)]
    both = pool(fits, wide)
    for name, value in (("slope", both.model.slope_per_s), ("k", both.model.k)):
        together = getattr(both, name)
        assert math.sqrt(together.low * together.high) == pytest.approx(value)
        alone = np.mean([math.log(getattr(one, name).high / getattr(one, name).low) ** -2 for one in fits])
        narrower = math.log(together.high / together.low) * math.sqrt(alone)
        assert narrower == pytest.approx(math.sqrt(0.5), rel=0.15)


def test_a_cook_that_taught_nothing_does_not_deny_what_another_taught() -> None:
    moved, still = cook_of(by_hand(0)), cook_of(by_hand(0, openings=(0.12,)), "still")
    alone = learn([moved])
    assert alone.still == ""
    for cooks in ([moved, still], [still, moved]):
        both = learn(cooks)
        assert (both.fit.model, both.still, both.doubt) == (alone.fit.model, "", alone.doubt)


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize(
    ("cold_s", "after_s"), [(0, 0), (21_600, 0), (0, 1200), (0, 10_800), (21_600, 10_800)]
)
def test_ash_before_and_after_a_cook_teaches_nothing(cold_s: int, after_s: int, told: bool) -> None:
    """Neither lighting nor a fire put out under a shut vent is what a vent does to a fire."""
    lit_s = 1500
    whole = with_ash(1, cold_s, lit_s, after_s)
    whole = replace(whole, set_point_c=np.full(len(whole), 93.0)) if told else whole
    cook = cook_of(whole)
    found = learn([cook])
    assert found.still == ""
    assert found.fit.slope.low <= 0.06 <= found.fit.slope.high
    assert found.fit.model.slope_per_s == pytest.approx(0.06, rel=0.1)
    rows = np.flatnonzero(scored_rows(cook))
    assert cold_s < rows[0] < cold_s + lit_s + 600
    assert rows[-1] <= len(whole) - after_s


@pytest.mark.parametrize("cold_s", [0, 21_600])
def test_a_vent_left_by_hand_is_left_so_once_the_fire_burns(cold_s: int) -> None:
    """This kettle has 93 °C at 0.12, however it was lit; ash and lighting are as they were."""
    cook = cook_of(with_ash(1, cold_s, 1500, 0))
    left = hold_vent(cook, Fopdt(60.0, 1000.0, 9.0), 0.12)
    began = int(np.flatnonzero(scored_rows(cook))[0])
    assert np.abs(left.pit_c[began + 3000 :] - 93.0).max() < 4.0
    if cold_s:
        assert np.array_equal(left.pit_c[:cold_s], cook.series.pit_c[:cold_s])
        assert not left.lower[:cold_s].any()


def test_a_record_of_ours_that_begins_cold_or_in_the_middle_is_held_alike(cook: Cook) -> None:
    kettle, whole = Fopdt(50.0, 1100.0, 20.0), cook.series
    alone = hold_vent(cook, kettle, 0.3)
    rows = np.concatenate([np.zeros(3600, dtype=int), np.arange(len(whole))])
    ash = np.arange(len(rows)) < 3600
    before = replace(
        whole.part(rows),
        time_s=np.arange(len(rows), dtype=float),
        lower=np.where(ash, 0.0, whole.lower[rows]),
        phase=np.where(ash, "cold", whole.phase[rows]),
    )
    assert hold_vent(replace(cook, series=before), kettle, 0.3).pit_c[3600:] == pytest.approx(alone.pit_c)
    late = whole.part(slice(4000, None))
    assert set(late.phase) == {"tending"}
    warmer_c = hold_vent(replace(cook, series=late), kettle, 0.3).pit_c - late.pit_c
    assert warmer_c[0] == 0.0
    assert warmer_c[-1] > 20.0


def test_a_cold_kettle_before_a_table_s_fire_is_no_fire_that_fails(tmp_path: Path) -> None:
    """Our loop begins when the fire was lit, not six hours before, after which it would give it up."""
    cook = cook_of(with_ash(1, 21_600, 1500, 0))
    check_not_cut_off(cook, run_again(cook, Fopdt(60.0, 1000.0, 9.0)))
    assert [i for i, seen in enumerate(cook.inputs) if Light() in seen.events] == [
        pytest.approx(21_600, abs=120)
    ]
    write_table(cook.series, tmp_path / "cold.csv")
    assert any("came to its set point at 6:2" in text for text in load(tmp_path / "cold.csv").remarks)


def test_ash_after_a_cook_changes_no_figure_of_it(cook: Cook) -> None:
    """A day of it is neither calm of the vents nor a reason to average the fit over longer pieces."""
    ash, last = 86_400, len(cook.series) - 1
    rows = np.concatenate([np.arange(last + 1), np.full(ash, last)])
    series = cook.series.part(rows)
    after_s = np.maximum(np.arange(len(rows)) - last, 0)
    series = replace(
        series,
        time_s=np.arange(len(rows), dtype=float),
        pit_c=9.0 + (series.pit_c - 9.0) * np.exp(-after_s / 1200.0),
        lower=np.where(after_s, 0.0, series.lower),
        phase=np.where(after_s, "out", series.phase),
    )
    begun_s = cook.now_s[0]
    longer = replace(
        cook,
        series=series,
        inputs=tuple(cook.inputs[row] for row in rows),
        now_s=tuple(begun_s + i for i in range(len(rows))),
    )
    config = cook.state.config
    assert fit_cook(longer, USUAL_KETTLE) == fit_cook(cook, USUAL_KETTLE)
    assert score(longer, recorded(longer), config) == score(cook, recorded(cook), config)


@pytest.mark.parametrize("shown", ["whole degrees", "every 12 s"])
def test_a_coarse_or_slow_probe_is_as_noisy_in_a_table_as_in_our_record(shown: str) -> None:
    """Most rows repeat the one before; the core, which smooths by what it hears, hears the leaps."""
    fine = by_hand(3)
    held = np.round(fine.pit_c) if shown == "whole degrees" else fine.pit_c[np.arange(len(fine)) // 12 * 12]
    table = cook_of(replace(fine, pit_c=held))
    found = learn([table]).noise_c
    assert found == pytest.approx(learn([replace(table, own=True)]).noise_c, rel=0.05)
    if shown == "every 12 s":  # what stands for 12 s has, at slow frequencies, 12 times the power
        assert found == pytest.approx(0.12 * math.sqrt(12.0), rel=0.3)


def test_a_set_point_asked_for_holds_though_another_was_set_in_the_cook(tmp_path: Path) -> None:
    series = by_hand(3, 4000)
    aims_c = {"never": np.full(4000, 93.0), "changed": np.where(series.time_s < 2000.0, 93.0, 96.0)}
    now = []
    for name, aim_c in aims_c.items():
        table, said = tmp_path / f"{name}.csv", tmp_path / f"{name}.json"
        write_table(replace(series, set_point_c=aim_c), table)
        assert main(["replay", str(table), "--set-point", "88", "--quiet", "--json", str(said)]) == 0
        now.append(json.loads(said.read_text())["what_if"][0]["now"])
    assert now[0] == now[1]
    cook, kettle = cook_of(series), Fopdt(60.0, 1000.0, 9.0)
    assert np.array_equal(run_again(aimed(cook, 93.0), kettle).pit_c, run_again(cook, kettle).pit_c)


@pytest.mark.parametrize("dead_s", [3, 9])
def test_a_day_of_cook_teaches_no_less_than_a_part_of_it(dead_s: int) -> None:
    day = by_hand(1, 86_400, dead_s=dead_s)
    found, part = learn([cook_of(day)]), learn([cook_of(day.part(slice(0, 21_600)))])
    assert (found.still, part.still) == ("", "")
    assert found.fit.theta_s.low <= dead_s <= found.fit.theta_s.high
    for name in ("slope", "theta_s"):
        whole, less = getattr(found.fit, name), getattr(part.fit, name)
        assert whole.high / whole.low <= less.high / less.low


def test_the_physical_model_is_lit_when_the_kettle_was(cook: Cook) -> None:
    """Two cold hours before a table's fire are none in which coals burn."""
    cold_s, whole = 7200, cook.series
    rows = np.concatenate([np.zeros(cold_s, dtype=int), np.arange(len(whole))])
    time_s, words = np.arange(len(rows), dtype=float), np.full(len(rows), "")
    later = replace(whole.part(rows), time_s=time_s, phase=words)
    later.lower[:cold_s] = 0.0
    at_once = cook_of(replace(whole, phase=words[: len(whole)]))
    logs = np.zeros(len(UNKNOWNS))
    off_k = simulate(cook_of(later), logs)[cold_s:] - simulate(at_once, logs)
    assert np.abs(off_k[1800:]).max() < 5.0
