"""What `coalminder plan` prints and writes: terminal, page, calendar, JSON, mistakes."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from coalminder.cli import main
from coalminder.errors import UserError
from coalminder.food import command, ensemble
from coalminder.food.foodplan import FoodPlan
from coalminder.food.kitchen import Kitchen, read_quantity, salt_from_spoons_kg, spoon_warning
from coalminder.food.render_html import html_page
from coalminder.food.render_ics import calendar, escape_text, fold
from coalminder.food.render_text import cook_line, duration, figure_text, heading, row_cells, text_lines
from coalminder.food.request import PlanRequest
from coalminder.food.sources import Figure
from coalminder.food.timeline import Timeline, build_plan

SEVEN = datetime(2026, 4, 18, 19, 0, tzinfo=UTC)
PLAN = build_plan(PlanRequest(serve_at=SEVEN, ambient_c=9.0, wind_m_s=4.0, food="mackerel"))
METRIC, US = Kitchen("metric"), Kitchen("us")


def test_calendar_is_read_back_by_a_library_with_the_same_times_and_texts() -> None:
    # icalendar, an independent reader of RFC 5545.
    icalendar = pytest.importorskip("icalendar")
    text = calendar(PLAN, METRIC, datetime(2026, 4, 1, tzinfo=UTC))
    read = icalendar.Calendar.from_ical(text.encode())
    events = read.walk("VEVENT")
    assert len(events) == len(PLAN.rows)
    for event, row in zip(events, PLAN.rows, strict=True):
        assert event.decoded("dtstart") == row.at
        assert event.decoded("dtend") - event.decoded("dtstart") == timedelta(seconds=max(300, row.lasts_s))
        assert str(event["description"]) == f"{row.step.title}: {row.step.text}"
        assert len(event.walk("VALARM")) == 1
    assert len({str(event["uid"]) for event in events}) == len(events)


@pytest.mark.parametrize(
    "serve", [datetime(2026, 3, 29, 12), datetime(2026, 10, 25, 12), datetime(2026, 10, 25, 7)]
)
def test_calendar_entries_last_as_long_as_their_steps_on_the_day_of_the_clock_change(serve: datetime) -> None:
    """RFC 5545, 3.8.2.2: an event's end is later than its start."""
    icalendar = pytest.importorskip("icalendar")
    plan = build_plan(PlanRequest(serve_at=serve.replace(tzinfo=ZoneInfo("EET"))))
    text = calendar(plan, METRIC, datetime(2026, 3, 1, tzinfo=UTC))
    for row, event in zip(plan.rows, icalendar.Calendar.from_ical(text.encode()).walk("VEVENT"), strict=True):
        lasts = event["DTEND"].dt - event["DTSTART"].dt
        assert lasts.total_seconds() == pytest.approx(max(300.0, row.lasts_s), abs=1)


def test_calendar_lines_keep_to_75_octets_and_crlf() -> None:
    # RFC 5545, 3.1
    raw = calendar(PLAN, METRIC, SEVEN).encode()
    lines = raw.split(b"\r\n")
    assert lines[-1] == b""
    assert b"\n" not in b"".join(lines)
    assert max(len(line) for line in lines) <= 75
    for line in lines:
        line.decode()  # no character is cut in two


@pytest.mark.parametrize(
    ("plain", "written"),
    [("a;b,c", "a\\;b\\,c"), ("back\\slash", "back\\\\slash"), ("two\nlines", "two\\nlines"), ("é°", "é°")],
)
def test_calendar_text_is_escaped(plain: str, written: str) -> None:
    # RFC 5545, 3.3.11
    assert escape_text(plain) == written


@pytest.mark.parametrize("length", [0, 74, 75, 76, 149, 150, 400])
def test_folding_is_undone_by_unfolding(length: int) -> None:
    line = ("X" * 20 + "°é水" * 200)[:length]
    assert fold(line).replace("\r\n ", "") == line


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.outside: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "br", "link", "img"):
            self.open.append(tag)
        self.outside += [v for k, v in attrs if k in ("src", "href") and v]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.mark.parametrize("sources", [False, True])
def test_page_is_well_formed_and_needs_nothing_from_outside(sources: bool) -> None:
    reader = _Reader()
    reader.feed(html_page(PLAN, METRIC, sources))
    assert reader.open == []
    assert reader.outside == []
    text = " ".join(reader.words)
    for row in PLAN.rows:
        assert row.step.title in text
        assert f"{row.at:%H:%M}" in text
    for line in (*PLAN.warnings, *PLAN.cautions):
        assert line in text


def test_sources_mark_what_is_from_memory() -> None:
    plain = "\n".join(text_lines(PLAN, METRIC))
    full = "\n".join(text_lines(PLAN, METRIC, sources=True))
    assert "* from memory" in plain
    assert "[home-71" in full
    assert re.search(r"\[fda-7\] from memory\*, official guidance", full)
    for name, figures in PLAN.figures:
        assert name in full
        for figure in figures:
            assert f"[{figure.source}: " in full


def test_us_units_are_written_all_through() -> None:
    text = "\n".join(text_lines(PLAN, US))
    assert "°C" not in text
    assert "199 °F" in text
    assert "oz" in text
    for metric in (" kg", " cm", " m ", "kg/m3", "g/m2", "MJ/kg"):
        assert metric not in text
        assert metric not in html_page(PLAN, US)
    assert "°C" not in html_page(PLAN, US)
    assert "within 4 in of the coals" in " ".join(text.split())
    assert "At least 10 ft from" in text


def test_a_plan_that_says_plan_again_agrees_with_itself_in_both_units() -> None:
    slow = build_plan(PlanRequest(serve_at=SEVEN, set_point_c=85.0))
    said = "finish at 105 °C: plan again with --set-point 105C"
    assert any(said in METRIC.words(line) for line in slow.warnings)
    assert any(
        "finish at 221 °F: plan again with --set-point 221F" in US.words(line) for line in slow.warnings
    )


def test_units_of_engineers_are_the_same_amount() -> None:
    # NIST SP 811 (2008), B.8: 1 lb/ft3 = 16.01846 kg/m3, 1 Btu/lb = 2326 J/kg; 1 ft2 = 0.09290304 m2
    def us(value: float, unit: str) -> str:
        return figure_text(Figure("x", value, unit, "estimate"), US)

    assert us(16.01846, "kg/m3") == "1.0 lb/ft3"
    assert us(2.326, "MJ/kg") == "1000 Btu/lb"
    assert us(28.349523 / 0.09290304, "g/m2 h") == "1.00 oz/ft2 h"
    assert us(0.45359237, "kg/h") == "1.00 lb/h"


def test_the_year_is_told_when_it_is_not_this_one() -> None:
    assert "served Sat 18 Apr 19:00" in heading(PLAN, Kitchen(year=2026))
    assert "served Sat 18 Apr 2026 19:00" in heading(PLAN, Kitchen(year=2025))


def test_figures_of_air_are_named_so_when_it_dries_in_the_refrigerator() -> None:
    damp = build_plan(PlanRequest(serve_at=SEVEN, humidity_frac=0.97, ambient_c=8.0))
    dry = build_plan(PlanRequest(serve_at=SEVEN, humidity_frac=0.4, ambient_c=8.0))

    def title(plan: Timeline) -> str:
        return next(name for name, _ in plan.figures if name.startswith("Drying"))

    assert "refrigerator" in next(row.step.text for row in damp.rows if row.step.code == "dry")
    assert title(damp) == "Drying, if it is done in air"
    assert "in moving air" in next(row.step.text for row in dry.rows if row.step.code == "dry")
    assert title(dry) == "Drying"


def test_what_is_weighed_in_a_us_kitchen_has_its_grams_beside_decimals_of_a_pound() -> None:
    """1 lb is 16 oz, and 0.45359237 kg (agreement of 1959): 1.22 lb of salt are no 1 lb 22 oz."""
    assert [US.mass(kg) for kg in (0.1, 0.553, 2.7)] == ["3.5 oz (100 g)", "1.22 lb (553 g)", "5.95 lb"]


@pytest.mark.parametrize(
    ("text", "kind", "units", "expected"),
    [
        ("1.6", "weight", "metric", 1.6),
        ("3.5", "weight", "us", 1.5875733),
        ("3.5 lb", "weight", "metric", 1.5875733),
        ("500g", "weight", "us", 0.5),
        ("22", "length", "metric", 0.022),
        ("1", "length", "us", 0.0254),
        ("57", "width", "metric", 0.57),
        ("22", "width", "us", 0.5588),
        ("200F", "temperature", "metric", 93.3333333),
        ("200", "temperature", "us", 93.3333333),
        ("93 °C", "temperature", "us", 93.0),
        ("10 mph", "speed", "metric", 4.4704),
        ("1,5 kg", "weight", "metric", 1.5),
    ],
)
def test_quantities_carry_their_unit(text: str, kind: str, units: str, expected: float) -> None:
    # NIST SP 811 conversion factors (exact by definition).
    assert read_quantity(text, kind, "x", units) == pytest.approx(expected)


@pytest.mark.parametrize("text", ["much", "", "3 stone", "--", "1e9e9"])
def test_unreadable_quantities_are_refused(text: str) -> None:
    with pytest.raises(UserError):
        read_quantity(text, "weight", "weight")


def test_a_spoon_of_salt_is_not_a_weight() -> None:
    # common practice: a level tablespoon of table salt is about 18 g, of flakes about half
    table, flake = salt_from_spoons_kg(10, "table"), salt_from_spoons_kg(10, "flake")
    assert table[0] <= 0.180 <= table[1]
    assert flake[1] < 0.65 * table[1]
    assert "Weigh the salt" in spoon_warning(0.5)


def test_command_writes_the_daemons_plan_the_page_and_the_calendar(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = {name: tmp_path / f"plan.{name}" for name in ("json", "html", "ics")}
    words = ["plan", "char", "--serve", "2030-04-18 19:00", "--outside", "9 C", "--thickness", "22 mm"]
    for name, path in files.items():
        words += [f"--{name}", str(path)]
    assert main(words) == 0
    out = capsys.readouterr().out
    assert "Off the grill" in out
    plan = FoodPlan.from_json(files["json"].read_text(encoding="utf-8"))
    assert plan.thickness_m == pytest.approx(0.022)
    assert [s.code for s in plan.steps if s.reported] != []
    assert files["html"].read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert files["ics"].read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--weight", "-1"], "0.02 to 50 kg"),
        (["--weight", "-1kg"], "0.02 to 50 kg"),
        (["--set-point", "400"], "60 to 121 °C"),
        (["--thickness", "0"], "3 to 150 mm"),
        (["--weight", "much"], "not a number"),
        (["--weight", "2 stone"], "accepted kg, lb"),
        (["--serve", "soon"], "HH:MM"),
        (["--serve", "25:00"], "HH:MM"),
        (["--serve", "0001-01-01"], "1990 to 2200"),
        (["--serve", "2020-04-18 19:00"], "is past"),
        (["--serve", "2030-04-18"], "has no hour"),  # not dinner at midnight
        (["--serve", "9999-12-31"], "1990 to 2200"),
        (["--units", "imperial"], "metric, us"),
        (["--rule", "by-smell"], "home-71"),
        (["--json", "/no/such/folder/plan.json"], "cannot write"),
        (["--humidity", "nan"], "10 to 98 %"),
        (["unicorn"], "choose from"),
        (["--pieces", "x"], "not a number"),
        (["--pieces", "2.5"], "whole number"),
        (["--pieces", "nan"], "whole number"),
        (["--smoke", "inf"], "0 to 240 min"),
        (["--brine", "strong"], "not a number"),
        (["--salt-spoons", "-3"], "0.1 to 1000"),
        (["--salt-spoons", "3", "--grain", "gravel"], "accepted table"),
    ],
)
def test_nonsense_on_the_command_line_is_one_line_and_exit_2(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", *words]) == 2
    error = capsys.readouterr().err.strip()
    assert said in error
    assert "\n" not in error


@pytest.mark.parametrize("food", ["char", "shrimp", "cod", "mackerel"])
def test_the_line_of_the_cook_tells_how_long_the_steps_allow_and_how_many_are_done_by_then(food: str) -> None:
    """It said 'about 3 h 33' over steps that were 4 h 10 apart, and not why."""
    plan = build_plan(PlanRequest(serve_at=datetime(2026, 4, 18, 19, 0, tzinfo=UTC), food=food))
    at_s = {row.step.code: row.at.timestamp() for row in plan.rows}
    line = cook_line(plan, Kitchen())
    assert f"the steps allow {duration(at_s['off'] - at_s['load'])}, by when two of three" in line
    family = ensemble.start(plan.daemon.food(), ensemble.THICKNESS_SD)
    air = ensemble.Air(plan.daemon.set_point_c)
    times_s = ensemble.heating_times_s(family, plan.daemon.food(), air, plan.daemon.done_rule.core_c)
    done = [t + 60.0 * plan.daemon.done_rule.hold_min <= at_s["off"] - at_s["load"] for t in times_s]
    assert 0.55 <= sum(done) / len(done) <= 0.8


def test_of_food_that_may_never_be_done_no_share_is_promised() -> None:
    serve = datetime(2026, 4, 18, 19, 0, tzinfo=UTC)
    line = cook_line(build_plan(PlanRequest(serve_at=serve, food="tuna", thickness_m=0.06)), Kitchen())
    assert "more than 8 h; the steps allow 8 h" in line
    assert "two of three" not in line


@pytest.mark.parametrize(
    ("words", "said"),
    [
        # 121 °C is 249.8 °F, 50 kg 110.2 lb, 150 mm 5.906 in, 20 m/s 44.74 mph (NIST SP 811): none is passed
        (["--set-point", "400"], "set point 400 °F is out of range: accepted 140 to 249 °F; 176 to 221 °F"),
        (["--set-point", "142"], "142 °F: the core of pieces 0.866 in thick would not reach 160 °F"),
        (["--weight", "200"], "weight 200 lb is out of range: accepted 0.0441 to 110 lb"),
        (["--weight", "0.00002"], "e-05 lb is out of range"),
        (["--thickness", "9"], "accepted 0.119 to 5.9 in"),
        (["--wind", "80"], "wind 80 mph is out of range: accepted 0 to 44.7 mph"),
        (["--kettle", "60"], "kettle 60 in is out of range: accepted 11.9 to 35.4 in"),
        (["--fridge", "60"], "60 °F is out of range: accepted 28.4 to 50 °F"),
        (["--humidity", "200"], "200 % is out of range: accepted 10 to 98 %"),
    ],
)
def test_a_refusal_is_in_the_units_of_the_kitchen(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", "--units", "us", *words]) == 2
    error = capsys.readouterr().err.strip()
    assert said in error
    assert "\n" not in error


def test_a_kettles_width_is_in_the_unit_that_the_help_names() -> None:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    serve = datetime(2026, 4, 17, 19, 0, tzinfo=UTC)
    for words in (["--kettle", "57"], ["--kettle", "57 cm"], ["--kettle", "570 mm"], []):
        assert command.request_of(parser.parse_args(words), serve).kettle_cm == pytest.approx(57.0)


@pytest.mark.parametrize("frost", [["--outside", "-5C"], ["--outside", "-5,0"], ["--outside=-5 C"]])
def test_frost_may_carry_its_unit(frost: list[str], tmp_path: Path) -> None:
    file = tmp_path / "plan.json"
    assert main(["plan", *frost, "--serve", "2030-01-18 19:00", "--json", str(file)]) == 0
    assert FoodPlan.from_json(file.read_text(encoding="utf-8")).ambient_c == -5.0


def test_an_hour_alone_is_the_next_day_on_which_all_steps_are_ahead() -> None:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    now = datetime(2026, 4, 17, 12, 0, tzinfo=UTC)
    plan = command._planned(parser.parse_args(["char", "--serve", "19:00"]), now)
    assert plan.rows[0].at >= now
    assert plan.request.serve_at.hour == 19
    assert plan.request.serve_at - now < timedelta(days=3)


def test_the_daemons_part_needs_no_scientific_library() -> None:
    code = (
        "import sys; import coalminder.food.follow, coalminder.food.timeline, coalminder.settings.food;"
        "heavy = {'numpy', 'scipy', 'CoolProp', 'psychrolib', 'rich', 'icalendar', 'ht', 'matplotlib'};"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("zone", ["Europe/Berlin", ":Europe/Berlin", ":/rules", "/rules"])
@pytest.mark.parametrize(
    ("now", "serve"),
    [("2026-10-24T20:00", "19:00"), ("2026-10-24T08:00", "2026-10-25 19:00"), ("2026-03-28T20:00", "19:00")],
)
def test_dinner_is_at_the_hour_asked_for_on_the_day_of_the_clock_change(
    now: str, serve: str, zone: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The EU's summer time ends on the last Sunday of October and begins on that of March (2000/84/EC).

    TZ may name a file of rules, with or without a colon before it (tzset(3)).
    """
    rules = Path("/usr/share/zoneinfo/Europe/Berlin")
    if "rules" in zone and not rules.is_file():
        pytest.skip("needs Debian's tzdata")
    monkeypatch.setenv("TZ", zone.replace("/rules", str(rules)))
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    here = command._here()
    plan = command._planned(
        parser.parse_args(["char", "--serve", serve]), datetime.fromisoformat(now).replace(tzinfo=here)
    )
    assert (plan.request.serve_at.hour, plan.request.serve_at.minute) == (19, 0)
    winter = plan.request.serve_at.month == 10
    assert plan.request.serve_at.utcoffset() == timedelta(hours=1 if winter else 2)
    for row in plan.rows:
        shown = row.at.astimezone(ZoneInfo("Europe/Berlin"))
        assert (shown.hour, shown.minute) == (row.at.hour, row.at.minute)


@pytest.mark.parametrize(
    ("now", "serve"), [("2026-03-27T12:00", "2026-03-29 03:30"), ("2026-03-27T20:00", "03:30")]
)
def test_a_dinner_in_the_hour_that_is_missing_is_shown_when_it_is(
    now: str, serve: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """EET goes from 3:00 on to 4:00 on the last Sunday of March (2000/84/EC)."""
    monkeypatch.setenv("TZ", "EET")
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    today = datetime.fromisoformat(now).replace(tzinfo=command._here())
    plan = command._planned(parser.parse_args(["char", "--serve", serve]), today)
    shown = [(row.step.code, f"{row.at:%a %H:%M}") for row in plan.rows]
    assert ("off", "Sun 04:20") in shown
    assert ("serve", "Sun 04:30") in shown


def test_a_step_in_the_hour_that_comes_twice_tells_which_of_them() -> None:
    """EET goes from 4:00 back to 3:00 at 1:00 UTC on the last Sunday of October (2000/84/EC)."""
    plan = build_plan(PlanRequest(serve_at=datetime(2026, 10, 25, 7, 40, tzinfo=ZoneInfo("EET"))))
    back = datetime(2026, 10, 25, 1, tzinfo=UTC)
    told = []
    for row in plan.rows:
        twice = (row.at.day, row.at.hour) == (25, 3)
        zone = "" if not twice else " EEST" if row.at.astimezone(UTC) < back else " EET"
        told.append(f"{row.at:%a %H:%M}{zone}")
    assert {when[-4:] for when in told} >= {"EEST", " EET"}
    assert [row_cells(row, METRIC)[0] for row in plan.rows] == told


def test_ranges_of_temperature_are_written_in_us_units_at_both_ends() -> None:
    # 57, 21 and 105 °C are 134.6, 69.8 and 221 °F (by definition of the scale)
    us = Kitchen("us")
    assert us.words("57 to 21 °C, up to 105 °C") == "135 to 70 °F, up to 221 °F"
    assert us.words("keep it at -18 °C") == "keep it at 0 °F"
    assert us.words("between 10 and 57 °C") == "between 50 and 135 °F"
    assert Kitchen().words("57 to 21 °C") == "57 to 21 °C"


def test_a_frozen_block_that_thaws_for_a_week_is_planned_from_now_on() -> None:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    words = ["--frozen", "--weight", "14", "--pieces", "1", "--thickness", "60", "--set-point", "105C"]
    now = datetime(2026, 11, 26, 18, 0, tzinfo=UTC)
    plan = command._planned(parser.parse_args(["char", *words, "--serve", "19:00"]), now)
    assert plan.rows[0].at >= now
