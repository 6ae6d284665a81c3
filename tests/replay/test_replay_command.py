"""The command line: what it prints, what it writes, what it refuses."""

from __future__ import annotations

import itertools
import json
import math
import re
import shutil
import subprocess
import sys
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import NoReturn, cast

import numpy as np
import pytest
from matplotlib.figure import Figure

from coalminder.build import build
from coalminder.cli import main
from coalminder.core import Config, State, initial, step
from coalminder.core.config import LoopConfig
from coalminder.core.loop import scaled
from coalminder.events import Light
from coalminder.grill import Kettle
from coalminder.journal import Journal, Start, resume
from coalminder.rehearse.fast import run_fast
from coalminder.replay import command, learned, svg
from coalminder.replay import report as reports
from coalminder.replay.again import Again, Difference
from coalminder.replay.facts import Belief, facts
from coalminder.replay.food_story import Batch, FoodStory, Told
from coalminder.replay.fopdt import Fopdt, response
from coalminder.replay.identify import TooStillError
from coalminder.replay.load import Loaded, load
from coalminder.replay.request import Request
from coalminder.replay.series import log_draught
from coalminder.replay.table import write_table
from coalminder.service.command import plain_settings
from coalminder.settings import load_settings
from coalminder.settings.calibration import NOTHING, Calibration, ProbeCorrection, VentCorrection
from coalminder.values import Inputs, Machine, ProbeFault, ProbeFaultKind, Reading

NO_ANSWER = ProbeFault(ProbeFaultKind.NOT_READY, "no answer")


class Page(HTMLParser):
    """Collects what a report refers to, and checks that its tags close."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.headings: list[str] = []
        self.outside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "link", "img", "br"):
            self.open.append(tag)
        for name, value in attrs:
            if name in ("src", "href") or (value or "").startswith(("http:", "https:")):
                self.outside.append(f"{tag} {name}={value}")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        return None

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in ("h1", "h2"):
            self.headings.append(data)


def test_replay_says_that_every_decision_is_the_same(
    cook_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", str(cook_file)]) == 0
    assert "all 5400 decisions are the recorded ones, bit for bit" in capsys.readouterr().out


def test_what_replay_shows_is_in_the_units_of_the_kitchen(
    cook_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """32 °F and 1.8 of them for each K of a temperature, 1.8 alone for an error. Files stay in °C."""
    drawn: list[Figure] = []
    monkeypatch.setattr(Figure, "savefig", lambda figure, *_args, **_options: drawn.append(figure))
    report, figures, table = (tmp_path / name for name in ("a.html", "a.json", "a.csv"))
    written = ["--report", str(report), "--json", str(figures), "--csv", str(table)]
    assert main(["replay", str(cook_file), "--units", "us", "--set-point", "210", *written]) == 0
    told, page = capsys.readouterr().out, report.read_text()
    found = json.loads(figures.read_text())["records"][0]["facts"]
    highest, error = f"{found['peak_c'] * 1.8 + 32.0:.1f} °F", f"{found['mean_abs_c'] * 1.8:.2f} °F"
    assert f"mean error {error}, highest {highest}, " in told
    assert "what if set point 210 °F: mean error" in told
    assert f"Highest of the whole cook|{highest}|" in text_of(page)
    assert f"lid on|{error}|" in text_of(page)
    assert "In the band 176–221 °F after settling" in page
    assert "Time between 41 and 135 °F" in page
    assert "°C" not in told + page
    (figure,) = drawn
    above = figure.axes[0]
    assert above.get_ylabel() == "temperature, °F"
    pit = next(line for line in above.lines if line.get_label() == "pit")
    assert np.nanmax(pit.get_ydata()) == pytest.approx(found["peak_c"] * 1.8 + 32.0)
    assert load(table).series.pit_c.max() == pytest.approx(found["peak_c"])
    assert main(["replay", str(cook_file), "--units", "us", "--set-point", "93"]) == 2
    assert "93 is outside 131 to 230 °F" in capsys.readouterr().err


def test_a_record_is_shown_in_the_units_of_the_cook_who_made_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "metric.toml"
    config.write_text('[page]\nunits = "metric"\n', "utf-8")
    record = str(recorded_with(tmp_path, 1, NOTHING, page='[page]\nunits = "us"\n'))
    for words, unit in ((), "°F"), (("--config", str(config)), "°C"), (("--units", "metric"), "°C"):
        main(["replay", record, *words])
        assert f"highest {'68.0' if unit == '°F' else '20.0'} {unit}" in capsys.readouterr().out


def test_report_is_one_file_without_outside_parts(cook_file: Path, tmp_path: Path) -> None:
    target = tmp_path / "cook.html"
    assert (
        main(
            [
                "replay",
                str(cook_file),
                "--report",
                str(target),
                "--kp",
                "0.05",
                "--json",
                str(tmp_path / "f.json"),
            ]
        )
        == 0
    )
    text = target.read_text()
    page = Page()
    page.feed(text)
    assert page.open == []
    assert page.outside == []
    assert "url(" not in text
    assert 'name="viewport"' in text
    assert "@media print" in text
    for heading in (
        "Temperatures",
        "Vents",
        "Phases",
        "Lid lifts",
        "Food",
        "This kettle",
        "Replay",
        "What if: kp 0.05",
    ):
        assert heading in page.headings
    assert (tmp_path / "cook.png").read_bytes().startswith(b"\x89PNG")
    figures = json.loads((tmp_path / "f.json").read_text())
    assert figures["records"][0]["facts"]["hours"] == pytest.approx(1.5, abs=0.01)
    assert figures["what_if"][0]["what"] == "kp 0.05"


def test_a_reader_that_goes_ends_it_as_it_ends_every_command(cook_file: Path) -> None:
    line = f"{sys.executable} -m coalminder.cli replay {cook_file} | true"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", line], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (141, "")


def test_differences_are_short_enough_for_a_phone() -> None:
    found = (
        Difference(1, 0.0, "lower", 0.12345678901234567, 0.22345678901234567),
        Difference(1, 0.0, "pit_c", 93.123456789012345, 93.12345678901236),
        Difference(1, 0.0, "phase", "tending", "lid_off"),
    )
    again = Again(5, 1, found, 0, 0, (), "")
    shown = reports._checked(cast(reports.Report, SimpleNamespace(again=again, why_parted="why")))
    for cell in ("0.123457", "0.223457", ">93.1235<", "93.1235 (+1.4e-14)", "tending", "lid_off"):
        assert cell in shown
    assert re.search(r"\d\.\d{7}", shown) is None


def story_of(*batches: Batch, told: tuple[Told, ...] = ()) -> FoodStory:
    return FoodStory(told, (), None, batches, "not done", (), 1.0)


def text_of(page: str) -> str:
    """Cells and headings with bars between."""
    return re.sub(r"\|+", "|", re.sub(r"<[^>]*>", "|", page))


def test_a_report_names_the_gains_that_were_in_force(item: Loaded) -> None:
    """After a restart with others, both; of a table none, for what held that pit is not known."""
    (first,) = item.begun.values()
    tuned = replace(first, config=replace(first.config, loop=LoopConfig(kp=0.5, ki=0.004, kd=2.0)))
    again = replace(item, begun={1: first, 9: first, 60: tuned})
    for shown, cook in (("1, 0.0125, 4|", item), ("1, 0.0125, 4; then 0.5, 0.004, 2|", again)):
        page = text_of(reports.html(command._report(cook, None, None, ())))
        assert f"Gains kp, ki, kd|{shown}" in page
    table = replace(item, steps=(), begun={})
    assert "Gains" not in text_of(reports.html(command._report(table, None, None, ())))


def test_what_the_core_did_counts_from_the_loading_where_it_was_reported(item: Loaded) -> None:
    time_s = item.series.time_s
    core_c = np.where(time_s < 1800.0, 80.0, 20.0)  # the probe hangs in the grill's air at first
    series = replace(item.series, food_c=core_c)
    report = reports.Report("a", series, item.config, facts(series, item.config))
    assert "Highest core|80.0 °C" in text_of(reports._food(report))
    assert "5 and 57 °C in this record|60 min" in text_of(reports._food(report))
    assert "stands nowhere in this record" in reports._food(report)
    loaded = replace(report, story=story_of(Batch(50 / 60)))
    assert "Highest core|20.0 °C" in text_of(reports._food(loaded))
    assert "5 and 57 °C since it was loaded|40 min" in text_of(reports._food(loaded))
    assert "stands nowhere" not in reports._food(loaded)
    begun = replace(report, story=story_of(Batch(-1.0)))
    assert "5 and 57 °C in this record|60 min" in text_of(reports._food(begun))


def test_each_batch_and_each_probe_has_its_own_figures(item: Loaded) -> None:
    """Heat in the thin piece is none in the thick one, nor is that of the batch before."""
    late = item.series.time_s >= 3600.0
    cores = (("thick", np.where(late, 30.0, 64.0)), ("thin", np.where(late, 50.0, 75.0)))
    story = story_of(Batch(0.0, 0.9), Batch(1.0))
    found = facts(item.series, item.config)
    report = reports.Report("a", item.series, item.config, found, story=story, cores=cores)
    shown = text_of(reports._food(report))
    before, after = shown.split("The batch, loaded at 1:00")
    assert "|thick|thin|" in before
    assert "Highest core|64.0 °C|75.0 °C|" in before
    assert "63 °C or more (rule: 30 min)|60 min|60 min|" in before
    assert "71 °C or more (home rule: 30 min)|0 min|60 min|" in before
    assert "Highest core|30.0 °C|50.0 °C|" in after
    assert "63 °C or more (rule: 30 min)|0 min|0 min|" in after
    assert "met by measurement, loaded at 0:00|at 0:54|" in shown
    assert "met by measurement, loaded at 1:00|never in this record|" in shown


def test_a_probe_pulled_out_of_the_food_heats_none(item: Loaded) -> None:
    """Off the grill half raw at 40 min, the probe in the hot air from then on, put back at 60 min."""
    time_s = item.series.time_s
    away = (time_s >= 2400.0) & (time_s < 3600.0)
    core_c = np.where(away, 93.0, 50.0)
    series = replace(item.series, food_c=core_c)
    story = story_of(Batch(0.0, None, ((2400 / 3600, 1.0),)))
    report = reports.Report("a", series, item.config, facts(series, item.config), story=story)
    shown = text_of(reports._food(report))
    assert "Highest core|50.0 °C" in shown
    assert "63 °C or more (rule: 30 min)|0 min" in shown
    assert "z 7.5 K (Listeria 6D: 2.0 min)|0.2 min" in shown  # 70 min at 50 °C: 70 / 10^(20 / 7.5)
    assert "5 and 57 °C since it was loaded|70 min" in shown
    gone = replace(report, story=story_of(Batch(-1.0, None, ((-0.5, np.inf),))))
    assert "Highest core|–" in text_of(reports._food(gone))
    assert "63 °C or more (rule: 30 min)|0 min" in text_of(reports._food(gone))


def test_of_two_food_probes_the_coldest_is_the_core(tmp_path: Path) -> None:
    state = initial(Config())
    journal = Journal(tmp_path, Start(build(), {}, 1.8e9, state))
    for second in range(60):
        foods = (("thin", Reading(70.0)), ("thick", Reading(40.0)), ("spare", NO_ANSWER))
        inputs = Inputs(pit=Reading(93.0), foods=foods)
        state, decision = step(state, inputs, float(second))
        journal.record(float(second), 1.8e9 + second, inputs, decision, state)
    journal.close(30.0)
    item = load(next(tmp_path.glob("*.cook")))
    assert set(item.series.food_c) == {40.0}
    assert main(["replay", str(item.path), "--report", str(tmp_path / "r.html")]) == 0
    shown = text_of((tmp_path / "r.html").read_text())
    assert "|thin|thick|" in shown
    assert "Highest core|70.0 °C|40.0 °C|" in shown
    assert "core thick" in shown


def tended(folder: Path, state: State, utc_s: float, first: int, last: int, **jumps_s: float) -> State:
    """Steps of a cold grill from `first` to `last`; jumps_s: of the wall clock, by `at_N`."""
    found = resume(folder, State, utc_s + first)
    journal = Journal(folder, Start(build(), {}, utc_s + first, state), found)
    for second in range(first, last):
        jump_s = jumps_s.get(f"at_{second}", 0.0)
        utc_s += jump_s
        events = (Light(),) if second == 0 else ()
        inputs = Inputs(pit=Reading(20.0), machine=Machine(clock_jump_s=jump_s), events=events)
        state, decision = step(state, inputs, float(second))
        journal.record(float(second), utc_s + second, inputs, decision, state)
    journal.close(30.0)
    return state


def test_a_cook_of_a_board_without_a_clock_began_when_it_began(tmp_path: Path) -> None:
    tended(tmp_path, initial(Config()), 40.0, 0, 60, at_30=1.8e9 - 40.0)
    started = load(next(tmp_path.glob("*.cook"))).started
    assert started == datetime.fromtimestamp(1.8e9, UTC)


def test_a_cook_with_a_restart_says_what_is_learned_from(tmp_path: Path) -> None:
    state = tended(tmp_path, initial(Config()), 1.8e9, 0, 60)
    # the clock that is put right in the second run does not move the first one's start
    tended(tmp_path, state, 1.8e9, 660, 960, at_700=7200.0)
    item = load(next(tmp_path.glob("*.cook")))
    assert item.started == datetime.fromtimestamp(1.8e9, UTC)
    (told,) = [text for text in item.remarks if "started 2 times" in text]
    assert told.endswith("the longest part, 0:05 h from 0:11 on")


def recorded_with(folder: Path, day: int, *calibrations: Calibration, page: str = "") -> Path:
    """A cook with a run under each of `calibrations`, as the service records it."""
    config = folder / "c.toml"
    config.write_text(f"[vents.lower]\ndriver = 'simulated'\n{page}", "utf-8")
    own, utc_s, state = folder / str(day), 1_775_900_000.0 + 86400.0 * day, initial(Config())
    for run, calibration in enumerate(calibrations):
        settings = plain_settings(load_settings(config), calibration)
        start = Start(build(), settings, utc_s + 60 * run, state)
        journal = Journal(own, start, resume(own, State, utc_s + 60 * run))
        for second in range(60 * run, 60 * run + 30):
            inputs = Inputs(pit=Reading(20.0), events=(Light(),) if second == 0 else ())
            state, decision = step(state, inputs, float(second))
            journal.record(float(second), utc_s + second, inputs, decision, state)
        journal.close(30.0)
    (record,) = own.glob("*.cook")
    return record


def test_cooks_of_vents_that_were_calibrated_between_them_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same opening then lets another amount of air through: what is pooled of both is of no kettle."""
    lower = VentCorrection(stop_shut=0.1, curve=((0.0, 0.0), (0.5, 0.2), (1.0, 1.0)))
    anew = Calibration(vents={"lower": lower}, probes={"pit": ProbeCorrection(offset_c=1.0)})
    same = Calibration(vents={"lower": lower})
    first = recorded_with(tmp_path, 1, NOTHING)
    second, third = (recorded_with(tmp_path, day, with_) for day, with_ in ((2, anew), (3, same)))
    both = recorded_with(tmp_path, 4, NOTHING, same)
    assert main(["replay", str(first), str(second), str(third)]) == 0
    told = [line for line in capsys.readouterr().out.splitlines() if "calibrated" in line]
    assert len(told) == 1, "a probe's correction changes no opening"
    assert told[0].startswith(
        f"{first.stem}: note: its vents were calibrated, or set, otherwise than those of"
    )
    assert third.stem in told[0]
    assert main(["replay", str(second), str(third)]) == 0
    assert "calibrated" not in capsys.readouterr().out
    assert main(["replay", str(both)]) == 0
    assert "between its runs" in capsys.readouterr().out


def test_nothing_is_drawn_where_nothing_was_recorded(item: Loaded) -> None:
    """In a power cut the vents are shut and nobody measures: a line across it would tell otherwise."""
    time_s = item.series.time_s
    series = item.series.part((time_s < 3000.0) | (time_s >= 4500.0))
    report = reports.Report("a", series, item.config, facts(series, item.config))
    wide = svg.WIDTH - svg.LEFT - svg.RIGHT
    gap = [svg.LEFT + wide * at_s / float(time_s[-1]) for at_s in (3000.0, 4500.0)]
    for look in ("l1", "l5", "l2"):
        paths = re.findall(
            f'<path class="{look}" d="(M[^"]*)"/>', reports._curves(report).split("<figcap")[0]
        )
        assert paths
        for path in paths:
            ends = [piece for piece in path.split("M") if piece]
            assert len(ends) >= 2
            for piece in ends:
                across = [float(x) for x in re.findall(r"(?:^|[LH])([0-9.]+)", piece)]
                assert max(across) <= gap[0] + 1.0 or min(across) >= gap[1] - 1.0
    hours, column = reports._broken(series.time_s / 3600.0, series.pit_c, series.longest_gap_s / 3600.0)
    assert np.isnan(column).sum() == np.isnan(series.pit_c).sum() + 1
    assert np.isnan(column[np.flatnonzero(np.diff(hours) > 0.1)]).all()


def drawn(chart: str, look: str) -> list[tuple[float, float]]:
    """The corners of a line of steps, or the points of another, in the chart's own units."""
    path = chart.split(f'<path class="{look}" d="')[1].split('"')[0]
    points, x, y = [], 0.0, 0.0
    for kind, numbers in re.findall(r"([MLHV])([0-9. -]+)", path):
        at = [float(number) for number in numbers.split()]
        x = x if kind == "V" else at[0]
        y = y if kind == "H" else at[-1]
        points.append((x, y))
    return points


def test_a_short_move_of_a_vent_is_drawn_in_a_long_cook() -> None:
    """20 s in each 4 min of 24 h: fewer points than seconds must not lose them."""
    time_s = np.arange(86400.0)
    lower = np.where(time_s % 240.0 < 20.0, 0.5, 0.0)
    chart = svg.chart(
        time_s / 3600.0, [svg.Line("lower", "l1", 100.0 * lower, steps=True)], unit="%", title="v", high=100.0
    )
    heights = [y for _, y in drawn(chart, "l1")]
    assert sum(a > b for a, b in itertools.pairwise(heights)) >= 359  # 360 moves up but the first


def test_a_chart_draws_no_value_that_was_not_there() -> None:
    """Frost is no 0 °C, and what lies over the top no straight line along it."""
    hours = np.arange(0.0, 4.0, 0.01)
    frost = np.full(400, -10.0)
    high = np.where(hours < 2.0, 300.0, 50.0)
    chart = svg.chart(
        hours, [svg.Line("a", "l1", frost), svg.Line("b", "l2", high)], unit="", title="", low=0.0, high=100.0
    )
    tick = re.search(
        r'y1="([0-9.]+)" y2="\1"/><text class="n" x="41" y="[0-9.]+" text-anchor="end">0<', chart
    )
    assert tick is not None
    assert all(y > float(tick[1]) + 5.0 for _, y in drawn(chart, "l1"))
    middle = svg.LEFT + (svg.WIDTH - svg.LEFT - svg.RIGHT) / 2.0
    assert min(x for x, _ in drawn(chart, "l2")) > middle - 2.0


def test_the_legend_of_the_picture_covers_no_curve(
    item: Loaded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from matplotlib.figure import Figure

    figures: list[Figure] = []
    save = Figure.savefig
    monkeypatch.setattr(Figure, "savefig", lambda self, *a, **k: (figures.append(self), save(self, *a, **k)))
    reports.png(
        reports.Report("a", item.series, item.config, facts(item.series, item.config)), tmp_path / "a.png"
    )
    (figure,) = figures
    legends = [*figure.legends, *(axes.get_legend() for axes in figure.axes if axes.get_legend())]
    assert legends
    for legend in legends:
        for axes in figure.axes:
            assert not legend.get_window_extent().overlaps(axes.get_window_extent())


def test_what_was_said_of_the_food_stands_in_its_order_beyond_ten_hours(item: Loaded) -> None:
    told = (Told(0.8, "loaded"), Told(9.5, "rotated"), Told(11.2, "off"))
    story = story_of(Batch(0.8), told=told)
    report = reports.Report("a", item.series, item.config, facts(item.series, item.config), story=story)
    shown = text_of(reports._story(report))
    assert shown.index("loaded") < shown.index("rotated") < shown.index("|off|")


def test_a_fire_that_went_out_is_not_said_to_have_lasted(item: Loaded) -> None:
    hours, nothing = np.array([1.0, 1.1]), np.array([np.nan, np.nan])
    out = Belief(hours, np.array([90.0, 80.0]), np.array([50.0, 50.0]), np.array([99.0, 99.0]), nothing)
    report = reports.Report("a", item.series, item.config, facts(item.series, item.config), fuel=out)
    assert "did not run out" not in reports._beliefs(report)
    lasted = replace(report, fuel=replace(out, happened_min=None))
    assert "did not run out" in reports._beliefs(lasted)
    assert "is not drawn" not in reports._beliefs(lasted)
    beyond = replace(out, high_min=np.array([99.0, 9999.0]))
    assert "is not drawn" in reports._beliefs(replace(report, fuel=beyond))


def test_the_summary_says_of_which_time_its_extremes_are(item: Loaded) -> None:
    """'In the band 80–105 °C after settling 100 %' stood above 'Highest, lowest after settling 109.3 / 74.7',
    and 109 °C was the flare of lighting, or of a lid, which the share leaves out.
    """
    found = facts(item.series, item.config)
    found = replace(found, in_band_frac=0.99666, peak_c=109.3, lowest_c=74.7)
    report = reports.Report(name="a", series=item.series, config=item.config, facts=found, story=None)
    rows = dict(re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]><td[^>]*>([^<]*)<", reports._summary(report)))
    assert rows["In the band 80–105 °C after settling, lid on"] == "99.7 %"
    assert rows["Highest of the whole cook"] == "109.3 °C"
    assert rows["Lowest after settling, lid on"] == "74.7 °C"


def test_record_becomes_tables_that_replay_reads(
    cook_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    csv, parquet = tmp_path / "a.csv", tmp_path / "b.parquet"
    assert main(["replay", str(cook_file), "--csv", str(csv), "--parquet", str(parquet)]) == 0
    assert main(["replay", str(csv), str(parquet)]) == 0
    out = capsys.readouterr().out
    rows = [line for line in out.splitlines() if re.match(r"│ [ab] ", line)]
    assert len(rows) == 2
    assert rows[0][5:] == rows[1][5:]


def test_tune_writes_a_fragment_and_never_the_configuration(
    cook_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["replay", str(cook_file), "--tune", "--effort", "2", "--quiet"]) == 0
    out = capsys.readouterr().out
    assert "in force" in out
    assert "SIMC PI" in out
    assert set(tomllib.loads((tmp_path / "tuned.toml").read_text())["loop"]) == {
        "kp",
        "ki",
        "kd",
    }
    assert [p.name for p in tmp_path.iterdir()] == ["tuned.toml"]


def test_gains_in_force_are_those_asked_for_or_of_the_newest_record_in_whatever_order(
    cook_file: Path, item: Loaded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    newer = replace(Config(), loop=replace(Config().loop, kp=0.5))
    (tmp_path / "newer").mkdir()
    run_fast(
        Kettle(seed=2), newer, (), 5700, record=tmp_path / "newer"
    )  # it begins with the other, ends later
    (newest,) = (tmp_path / "newer").glob("*.cook")
    write_table(item.series, tmp_path / "a.csv")
    (tmp_path / "own.toml").write_text("[loop]\nkp = 0.7\n")
    begun: list[float] = []

    def tune(_cooks: object, config: Config, **_: object) -> NoReturn:
        begun.append(config.loop.kp)
        raise TooStillError("enough")

    monkeypatch.setattr(command, "tune", tune)
    for records in itertools.permutations([str(cook_file), str(newest)]):
        assert main(["replay", *records, "--tune", "--quiet"]) == 2
    assert main(["replay", str(tmp_path / "a.csv"), str(newest), "--tune", "--quiet"]) == 2
    assert main(["replay", str(newest), "--tune", "--quiet", "--config", str(tmp_path / "own.toml")]) == 2
    assert begun == [0.5, 0.5, 0.5, 0.7]


def test_gains_that_a_restart_brought_late_in_the_cook_are_those_in_force(tmp_path: Path) -> None:
    """The cook that is run again is the longest part, which had the gains before."""
    state = tended(tmp_path, initial(Config()), 1.8e9, 0, 600)
    livelier = replace(Config(), loop=replace(Config().loop, kp=0.9))
    tended(tmp_path, replace(state, config=livelier), 1.8e9, 660, 720)
    item = load(next(tmp_path.glob("*.cook")))
    assert item.cook is not None
    assert (item.config, item.cook.state.config) == (Config(), Config())
    request = cast(Request, SimpleNamespace(config=None))
    assert command._in_force(request, [item], [item.cook]) == livelier


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["no-such.cook"], "there is no file"),
        (["no-such.csv"], "no such file"),
        (["COOK", "--kp", "-1"], "--kp -1 is outside 0.05 to 4"),
        (["COOK", "--kp", "nan"], "--kp nan is outside 0.05 to 4"),
        (["COOK", "--ki", "0.2"], "--ki 0.2 is outside 1e-05 to 0.1"),
        (["COOK", "--set-point", "300 F"], "--set-point 148.889 is outside 55 to 110"),
        (["COOK", "--set-point", "warm"], "200 F"),
        (["COOK", "--set-point", "200"], "--set-point 200 is outside 55 to 110"),
        (["COOK", "--lower", "0.2", "--kp", "0.1"], "give one or the other"),
        (["COOK", "--effort", "1"], "--effort 1 is outside 2 to 100"),
        (["COOK", "--report", "/no/such/folder/x.html"], "cannot be written"),
        (["COOK", "--csv", "/no/such/folder/x.csv"], "cannot be written"),
        (["no-such.cook", "--tune", "--report", "/no/such/folder/x.html"], "cannot be written"),
        (["COOK", "--toml", "new.toml"], "without --tune"),
        (["no-such.cook", "--tune", "--toml", "/no/such/folder/x.toml"], "cannot be written"),
        (["no-such.cook", "--json", "/"], "it is a folder"),
        (["COOK", "--config", "/no/such.toml"], "no/such.toml"),
        (["EMPTY"], "holds no .cook file"),
    ],
    ids=lambda value: "_".join(value)[:30] if isinstance(value, list) else None,
)
def test_mistake_is_one_line_and_exit_code_2(
    cook_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], told: str
) -> None:
    names = {"COOK": str(cook_file), "EMPTY": str(tmp_path)}
    assert main(["replay", *(names.get(word, word) for word in words)]) == 2
    error = capsys.readouterr().err
    assert told in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    "words", [["--size", "3"], ["--set-point", "20"], ["--config", "a", "--grill", "b:c"]]
)
def test_step_test_refuses_what_makes_no_sense(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["step-test", *words]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize(("least_p", "taught"), [(0.0, True), (1.1, False)], ids=["it taught", "it did not"])
def test_step_test_ends_with_what_it_taught_and_what_to_do_next(
    least_p: float,
    taught: bool,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Where the record's own tests refuse it, the figures are the usual kettle's, and it says so."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(learned, "LEAST_P", least_p)
    assert main(["step-test"]) == 0
    out = capsys.readouterr().out
    assert "this kettle: k" in out
    assert ("SIMC PI" in out) is taught
    assert ("the usual kettle's figures" in out) is not taught
    assert ("repeat the test" in out) is not taught
    assert "'coalminder step-test' makes" not in out
    assert re.search(r"coalminder replay \S+\.cook --tune", out)


def test_the_rules_of_a_step_test_hold_after_the_core_has_slowed_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever copies them gets SIMC's kp = lag / (2 k dead time) (Skogestad 2003), not a third of it."""
    monkeypatch.chdir(tmp_path)
    words = ["--grill", "foreign_grill:ForeignGrill", "--grill-arg", "dead_s=12"]
    assert main(["step-test", *words]) == 0
    out = capsys.readouterr().out
    kp, ki = (float(x) for x in re.findall(r"SIMC PI, as settings: kp (\S+), ki (\S+),", out)[0])
    (record,) = tmp_path.glob("*.cook")
    found = load(record).cook
    assert found is not None
    kettle = learned.learn([found])
    k, lag_s, dead_s = (getattr(kettle.models[0], name) for name in ("k", "tau_s", "theta_s"))
    assert kettle.gain < 0.6  # it answers late, and the core slows its gains
    in_force = scaled(replace(LoopConfig(), kp=kp, ki=ki), kettle.gain)
    assert in_force.kp == pytest.approx(lag_s / (2.0 * k * dead_s), rel=0.01)
    assert in_force.kp / in_force.ki == pytest.approx(min(lag_s, 8.0 * dead_s), rel=0.02)


def test_a_cook_broken_off_while_lighting_is_left_out(
    cook_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run_fast(Kettle(seed=4), Config(), (), 300.0, record=tmp_path)
    short = next(tmp_path.glob("*.cook"))
    assert main(["replay", str(cook_file), str(short), "--kp", "0.2"]) == 0
    assert "never came to tending" in capsys.readouterr().out
    assert main(["replay", str(short), "--kp", "0.2"]) == 2


def test_a_what_if_says_when_the_kettle_is_only_the_usual_one(
    cook_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A table in which the pit goes against the vents, as where gusts warm it and the loop throttles them."""
    times = range(0, 7200, 10)
    vent = [0.1 if t // 900 % 2 else 0.2 for t in times]
    pit = [93.0 + (4.0 if t // 900 % 2 else 0.0) * (1.0 - math.exp(-(t % 900) / 300.0)) for t in times]
    table = tmp_path / "gusts.csv"
    rows = [f"{t},{c:.2f},{v},93" for t, c, v in zip(times, pit, vent, strict=True)]
    table.write_text("\n".join(["time,pit,vent,set_point", *rows]) + "\n")
    assert main(["replay", str(table), "--kp", "0.2"]) == 0
    out = capsys.readouterr().out
    assert "what if kp 0.2" in out
    assert "the usual kettle's figures are taken: " in out


def test_the_report_of_a_table_not_at_1_hz_has_its_what_if(cook_file: Path, tmp_path: Path) -> None:
    assert main(["replay", str(cook_file), "--csv", str(tmp_path / "all.csv")]) == 0
    lines = (tmp_path / "all.csv").read_text("utf-8").splitlines()
    (tmp_path / "fifth.csv").write_text("\n".join([lines[0], *lines[1::5]]) + "\n", "utf-8")
    page = tmp_path / "r.html"
    assert main(["replay", str(tmp_path / "fifth.csv"), "--kp", "0.5", "--report", str(page)]) == 0
    assert "What if: kp 0.5" in page.read_text("utf-8")


def test_a_table_that_spans_years_is_refused(
    cook_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "ntp.csv").write_text("time_s,pit_c,lower\n0,20,1\n60,25,1\n1.7e9,90,0.1\n", "utf-8")
    assert main(["replay", str(tmp_path / "ntp.csv"), "--fit"]) == 2
    assert "at most 7" in capsys.readouterr().err


def test_records_of_one_name_are_written_side_by_side(cook_file: Path, tmp_path: Path) -> None:
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "x.cook").write_bytes(cook_file.read_bytes())
    records = [str(tmp_path / folder / "x.cook") for folder in ("a", "b")]
    assert main(["replay", *records, "--csv", str(tmp_path / "out.csv")]) == 0
    assert len(list(tmp_path.glob("out-x-*.csv"))) == 2


def test_a_what_if_is_of_the_record_beside_it_though_two_bear_one_name(
    cook_file: Path, tmp_path: Path
) -> None:
    """A record and the table that was made of it, as anybody has them in one folder."""
    record, figures = tmp_path / "x.cook", tmp_path / "j"
    record.write_bytes(cook_file.read_bytes())
    assert main(["replay", str(record), "--csv", str(tmp_path / "x.csv")]) == 0
    lines = (tmp_path / "x.csv").read_text().splitlines()
    (tmp_path / "x.csv").write_text("\n".join(lines[:4000]) + "\n")
    words = ["--lower", "0.1", "--report", str(tmp_path / "r.html"), "--json", str(figures)]
    assert main(["replay", str(record), str(tmp_path / "x.csv"), *words]) == 0
    names = [entry["name"] for entry in json.loads(figures.read_text())["what_if"]]
    assert len(set(names)) == 2
    for name in names:
        page = (tmp_path / f"r-{name}.html").read_text()
        curve = page.split("<h2>What if")[1].split('<path class="l6" d="')[1].split('"')[0]
        # the curve goes over the whole width of its chart, that is to the end of its own record
        ends = float(re.findall(r"[ML]([0-9.]+) ", curve)[-1])
        assert ends == pytest.approx(svg.WIDTH - svg.RIGHT, abs=2.0), name


@pytest.mark.parametrize("other", ["the same.cook", "copy.cook", "table.csv"])
def test_one_cook_is_no_two_however_it_is_given(
    cook_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], other: str
) -> None:
    """Pooled with itself it would narrow the intervals of the fit by a factor of 1.4."""
    twin = tmp_path / other if other != "the same.cook" else cook_file
    if twin.suffix == ".csv":
        assert main(["replay", str(cook_file), "--csv", str(twin)]) == 0
    elif twin != cook_file:
        shutil.copy(cook_file, twin)
    capsys.readouterr()
    assert main(["replay", str(cook_file), str(twin)]) == 0
    assert main(["replay", str(cook_file), str(twin), "--fit"]) == 2
    assert "are the same cook; give it once" in capsys.readouterr().err


def test_of_several_records_names_and_notes_are_told_as_of_one(
    cook_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A table in °F is told to be one also beside another record."""
    table = tmp_path / "the-logger-of-the-neighbour.csv"
    rows = [f"{t},200,0.1" for t in range(0, 7200, 10)]
    table.write_text("\n".join(["time,pit,vent", *rows]) + "\n")
    assert main(["replay", str(cook_file), str(table)]) == 0
    out = capsys.readouterr().out
    assert f"│ {table.stem} │" in out
    assert f"│ {cook_file.stem}" in out
    assert f"{table.stem}: note: the pit is 200 °C in the middle" in out


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--csv", "COOK"], "read here"),
        (["--json", "LINK"], "read here"),
        (["--tune", "--config", "TOML", "--toml", "TOML"], "read here"),
        (["--csv", "other.cook"], "the ending of a record"),
        (["--report", "a.png"], "two things"),
        (["--csv", "a", "--json", "a"], "two things"),
    ],
)
def test_nothing_that_is_read_is_written_over_and_no_two_things_share_a_file(
    cook_file: Path, tmp_path: Path, words: list[str], why: str, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    record, toml, link = tmp_path / "a.cook", tmp_path / "a.toml", tmp_path / "link"
    shutil.copyfile(cook_file, record)
    toml.write_text("[band]\n")
    link.symlink_to(record)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    place = {"COOK": str(record), "TOML": str(toml), "LINK": str(link)}
    assert main(["replay", str(record), *(place.get(word, word) for word in words)]) == 2
    said = capsys.readouterr()
    assert why in said.err
    assert said.err.count("\n") == 1
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize(("more", "why"), [((), "read here"), (("--json", "cook-b.csv"), "two things")])
def test_with_several_records_the_names_made_of_theirs_are_looked_at_too(
    more: tuple[str, ...],
    why: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    other = "b" if more else "cook-a"
    for start_c, name in enumerate(("a", other)):
        rows = [f"{10 * i},{start_c + min(20 + 0.5 * i, 93):.2f},0.1" for i in range(200)]
        Path(f"{name}.csv").write_text("\n".join(["time_s,pit_c,lower", *rows]))
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    assert main(["replay", "a.csv", f"{other}.csv", "--csv", "cook.csv", *more]) == 2
    assert why in capsys.readouterr().err
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_gains_and_set_point_are_taken_as_the_configuration_takes_them(
    cook_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", str(cook_file), "--kp", "2", "--ki", "0.05", "--set-point", "200 F"]) == 0
    assert "set point 93.3333 °C" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("asked", "told"), [("112", "there is no such file"), ("58", "58 is outside 60 to 113")]
)
def test_set_points_are_those_of_the_configuration_named(
    asked: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "mine.toml"
    config.write_text("[band]\nleast_set_point = 60\nhighest_set_point = 113\n")
    assert main(["replay", "none.csv", "--config", str(config), "--set-point", asked]) == 2
    assert told in capsys.readouterr().err


def test_the_same_record_twice_makes_two_tables(cook_file: Path, tmp_path: Path) -> None:
    assert main(["replay", str(cook_file), str(cook_file), "--csv", str(tmp_path / "c.csv")]) == 0
    made = sorted(path.name for path in tmp_path.iterdir())
    assert made == [f"c-{cook_file.stem}-1.csv", f"c-{cook_file.stem}-2.csv"]


@pytest.mark.parametrize("asked", [["--tune"], ["--kp", "0.5"]])
def test_a_table_in_which_the_rules_would_have_cut_off_is_not_scored(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], asked: list[str]
) -> None:
    rows = ["time_s,pit_c,lower,set_point_c"]
    for t in range(0, 9000, 5):
        pit_c = 20.0 + 0.4 * t if t < 700 else 100.0 + 200.0 * math.exp(-(t - 700) / 600.0)
        opening = 0.6 if t < 700 else 0.03 + 0.03 * (t // 600 % 3)
        rows.append(f"{t},{pit_c + 0.1 * (t * 7 % 11):.2f},{opening},100")
    (tmp_path / "by-hand.csv").write_text("\n".join(rows) + "\n", "utf-8")
    toml = tmp_path / "t.toml"
    words = [*asked, "--toml", str(toml)] if "--tune" in asked else asked
    assert main(["replay", str(tmp_path / "by-hand.csv"), *words, "--quiet"]) == 2
    said = capsys.readouterr().err
    assert "would have put this fire out at" in said
    assert "cut off the rows" in said
    assert not toml.exists()


@pytest.mark.parametrize(("seconds", "shown"), [(1, "highest 9.0 °C"), (90, "highest –")])
def test_a_record_of_one_step_or_without_a_reading_has_dashes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], seconds: int, shown: str
) -> None:
    state = initial(Config())
    journal = Journal(tmp_path, Start(build(), {}, 1.8e9, state))
    for second in range(seconds):
        inputs = Inputs(pit=Reading(9.0) if seconds == 1 else NO_ANSWER)
        state, decision = step(state, inputs, float(second))
        journal.record(float(second), 1.8e9 + second, inputs, decision, state)
    journal.close(30.0)
    record = str(next(tmp_path.glob("*.cook")))
    assert main(["replay", record, "--report", str(tmp_path / "r.html"), "--json", str(tmp_path / "j")]) == 0
    assert shown in capsys.readouterr().out
    assert main(["replay", record, record]) == 0
    assert "NaN" not in (tmp_path / "j").read_text("utf-8")


@pytest.mark.parametrize(
    ("heading", "pit", "told"),
    [
        ("time_s,pit_c,lower", 105.0, ["no column set_point_c: 93 °C of the settings is taken"]),
        (
            "time_s,pit_c,lower,set_point_c",
            203.0,
            ["the pit is 203 °C in the middle", "the set point is 203 °C", "in °F or K, convert it first"],
        ),
    ],
)
def test_what_is_taken_for_granted_in_a_table_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], heading: str, pit: float, told: list[str]
) -> None:
    rows = [
        f"{t},{pit},0.1" + (f",{pit}" if heading.endswith("set_point_c") else "") for t in range(0, 4000, 10)
    ]
    (tmp_path / "t.csv").write_text("\n".join([heading, *rows]) + "\n", "utf-8")
    assert main(["replay", str(tmp_path / "t.csv")]) == 0
    said = capsys.readouterr().out
    for words in told:
        assert words in said
    assert said.count("in °F") == (2 if pit > 121.0 else 0)


def test_figures_are_json_where_one_of_them_is_no_number(tmp_path: Path) -> None:
    """JSON has no NaN (RFC 8259); 90 readings are too few for the test of what is left over."""
    lower = np.where(np.arange(1901) // 40 % 2, 0.15, 0.1)
    pit_c = 93.0 + response(Fopdt(66.0, 1100.0, 5.0), log_draught(lower, 0.02), 1.0)
    rows = [f"{t},{pit_c[t] if t > 1810 else ''},{lower[t]}" for t in range(1901)]
    (tmp_path / "t.csv").write_text("\n".join(["time_s,pit_c,lower", *rows]) + "\n", "utf-8")
    assert main(["replay", str(tmp_path / "t.csv"), "--fit", "--json", str(tmp_path / "j")]) == 0

    def refused(word: str) -> None:
        raise ValueError(word)

    found = json.loads((tmp_path / "j").read_text("utf-8"), parse_constant=refused)
    assert found["kettle"]["cross_p"] is None
