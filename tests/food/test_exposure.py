"""Warm-time clocks and the cooling rule."""

from __future__ import annotations

import pytest

from coalminder.food import exposure as ex

HOUR = 3600.0


@pytest.mark.parametrize(
    ("temp_c", "above_4", "growth", "warm"),
    [
        (3.0, 0, 0, False),
        (4.5, 60, 0, False),
        (10.1, 60, 60, False),
        (21.0, 60, 60, False),
        (21.2, 60, 60, True),
        (56.9, 60, 60, True),
        (57.0, 0, 0, False),
        (71.0, 0, 0, False),
    ],
)
def test_warm_time_counts_only_in_its_band(temp_c: float, above_4: float, growth: float, warm: bool) -> None:
    result = ex.add_time(ex.NO_EXPOSURE, temp_c, 60.0)
    assert (result.above_4_s, result.growth_s, result.ever_warm) == (above_4, growth, warm)


def test_once_above_21_the_raw_limit_is_two_hours_and_not_interpolated() -> None:
    # FDA Hazards Guide, Appendix 4, Table A-2 (2 h read; 5 h from memory); "do not interpolate".
    cool = ex.add_time(ex.NO_EXPOSURE, 15.0, 1.9 * HOUR)
    assert ex.raw_clock(cool).limit_s == 5 * HOUR
    assert ex.raw_clock(cool).state == "ok"
    warm = ex.add_time(cool, 22.0, 60.0)
    assert ex.raw_clock(warm).limit_s == 2 * HOUR
    assert ex.raw_clock(warm).state == "soon"
    assert ex.raw_clock(ex.add_time(warm, 15.0, 0.1 * HOUR)).state == "over"


@pytest.mark.parametrize(
    ("frozen", "temp_c", "hours"),
    [(False, 22.0, 4), (False, 15.0, 8), (True, 22.0, 12), (True, 15.0, 24)],
)
def test_histamine_limits(frozen: bool, temp_c: float, hours: float) -> None:
    # FDA Hazards Guide, ch. 7 (from memory): 4/8 h never frozen, 12/24 h once frozen.
    clock = ex.scombroid_clock(ex.add_time(ex.NO_EXPOSURE, temp_c, 60.0), frozen)
    assert clock.limit_s == hours * HOUR


def test_clocks_warn_before_they_run_out() -> None:
    clock = ex.come_up_clock(4.6 * HOUR)
    assert clock.state == "soon"
    assert clock.left_s == pytest.approx(1.4 * HOUR)
    assert ex.come_up_clock(6.1 * HOUR).state == "over"


@pytest.mark.parametrize(
    ("minutes", "core_c", "code", "state"),
    [
        (119, 22.0, "cool_21", "soon"),
        (121, 22.0, "cool_21", "over"),
        (359, 6.0, "cool_5", "soon"),
        (361, 6.0, "cool_5", "over"),
        (121, 20.9, "cool_5", "ok"),
        (361, 5.1, "cool_5", "over"),  # 41 °F
    ],
)
def test_cooling_rule(minutes: float, core_c: float, code: str, state: str) -> None:
    # FDA Food Code 3-501.14: 57 to 21 °C within 2 h, to 5 °C within 6 h in all.
    states = {clock.code: clock.state for clock in ex.cooling_clocks(60.0 * minutes, core_c)}
    assert states[code] == state
    assert ("cool_21" in states) is (core_c > 21.0)


def test_cooling_clocks_leave_out_the_stages_that_are_met() -> None:
    assert [c.code for c in ex.cooling_clocks(60.0, 50.0)] == ["cool_21", "cool_5"]
    assert [c.code for c in ex.cooling_clocks(60.0, 20.0)] == ["cool_5"]
    assert ex.cooling_clocks(60.0, 4.0) == ()


@pytest.mark.parametrize(
    ("clock", "hours"),
    [
        (ex.come_up_clock(0.0), 6.0),  # FSIS Cooking Guideline: 50 to 130 °F within 6 h
        (ex.reach_clock(0.0, 71.0), 6.0),  # the home rule: within 6 h of loading
        (ex.standing_clock(ex.NO_EXPOSURE), 1.0),  # FDA Hazards Guide, Table A-2, cooked food, from memory
        (ex.kept_clock(0.0), 2.0),  # Food Code 3-501.14: the first stage of cooling
        (ex.batch_out_clock(0.0), 2.0),  # USDA: two hours out of the refrigerator,
        (ex.batch_out_clock(0.0, hot_day=True), 1.0),  # and one in air over 90 °F
    ],
    ids=lambda value: value.code if isinstance(value, ex.Clock) else "",
)
def test_limits_are_those_published(clock: ex.Clock, hours: float) -> None:
    assert clock.limit_s == hours * HOUR


def test_only_an_hour_on_the_table_is_no_alarm_when_it_is_over() -> None:
    """It asks to eat or to chill; the cooling rule is what throws away."""
    codes = ("raw_warm", "histamine", "come_up", "cool_21", "cool_5", "kept", "batch_before", "standing")
    levels = {code: ex.Clock(code, 61.0, 60.0, "", "").level for code in codes}
    assert {code for code, level in levels.items() if level != "alarm"} == {"standing"}
    assert levels["standing"] == "warn"
    assert [ex.Clock("cool_5", used_s, 60.0, "", "").level for used_s in (44.0, 46.0)] == ["", "warn"]
    assert ex.Clock("cool_5", 61.0, 60.0, "", "", measured=False).level == "warn", "estimated"
