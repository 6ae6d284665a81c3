"""`coalminder replay`: run a recorded cook again, ask what if, fit, tune, report, compare."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack, nullcontext
from dataclasses import asdict, replace
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from coalminder.core import Config
from coalminder.errors import UserError
from coalminder.replay import report as reports
from coalminder.replay.facts import alarm_spans, facts, finish_belief, fuel_belief
from coalminder.replay.food_story import food_story
from coalminder.replay.fopdt import Floats, Fopdt, response
from coalminder.replay.greybox import GreyBox, fit_kettle, weather_shift
from coalminder.replay.identify import TooStillError
from coalminder.replay.learned import Learned, learn
from coalminder.replay.load import Loaded, load
from coalminder.replay.request import Request, check_targets, target_for
from coalminder.replay.series import core_columns, usable
from coalminder.replay.table import write_table
from coalminder.replay.tell import (
    tell_doubt,
    tell_kettle,
    tell_physical,
    tell_record,
    tell_records,
    tell_replay,
    tell_tuning,
    tell_what_if,
)
from coalminder.replay.terminal import Terminal
from coalminder.replay.tune import STOPPING, Tuning, toml_fragment, tune
from coalminder.replay.vents import note
from coalminder.replay.whatif import (
    Cook,
    Outcome,
    aimed,
    check_not_cut_off,
    hold_vent,
    outside,
    recorded,
    run_again,
    score,
    shows_work,
)
from coalminder.units import METRIC, Units

_EPILOG = """examples:
  coalminder replay COOK.cook                          every decision again, bit for bit
  coalminder replay COOK.cook --kp 0.2 --report a.html what other gains would have done
  coalminder replay COOK.cook --tune --toml new.toml   better gains for this kettle
  coalminder replay A.cook B.cook C.csv --tune         several cooks of one kettle, pooled
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `replay`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EPILOG
    add = parser.add_argument
    add("records", nargs="+", type=Path, metavar="RECORD", help="a .cook, .csv or .parquet file, or a folder")
    add("--config", type=Path, metavar="FILE", help="settings to replay with, in place of the recorded ones")
    add("--csv", type=Path, metavar="FILE", help="write the record as a table")
    add("--parquet", type=Path, metavar="FILE", help="the same as Parquet")
    add("--report", type=Path, metavar="FILE", help="write a report, one HTML file (and FILE.png)")
    what = parser.add_argument_group("what if", "the same cook, the same wind, with something else")
    for name, unit in (("kp", "1/K"), ("ki", "1/(K s)"), ("kd", "s/K")):
        what.add_argument(f"--{name}", type=float, metavar="G", help=f"gain {name}, {unit}")
    what.add_argument("--set-point", metavar="T", help='set point, °C (with --units us °F), or "200 F"')
    what.add_argument(
        "--lower", type=float, metavar="X", help="lower vent left by hand at this opening, 0..1"
    )
    what.add_argument("--outside", type=float, metavar="K", help="air outside warmer (+) or colder (-) by K")
    what.add_argument(
        "--wind", type=float, metavar="M_S", help="other wind, m/s at 10 m (fits the physical model; usual 3)"
    )
    better = parser.add_argument_group("this kettle")
    better.add_argument("--fit", action="store_true", help="fit the kettle and say how sure it is")
    better.add_argument("--physical", action="store_true", help="fit the physical model too (some 10 s)")
    better.add_argument("--tune", action="store_true", help="search better gains")
    better.add_argument(
        "--toml", type=Path, metavar="FILE", help="write tuned gains (default tuned.toml with --tune)"
    )
    better.add_argument("--seed", type=int, default=1, metavar="N", help="same seed, same answer (default 1)")
    better.add_argument("--effort", type=int, default=8, metavar="N", help="gains to try in full, 2 to 100")
    add("--json", type=Path, metavar="FILE", help="write the figures")
    add("--units", choices=["metric", "us"], help="of what is shown (default: of --config, or of the record)")
    add("--quiet", action="store_true", help="no progress bar")


def run(args: argparse.Namespace) -> int:
    """Do it; 0 when all is well, 1 when a replay of the same version and settings parts from its record.

    A damaged record is no defect: it is told, and what can be read of it is used.
    """
    request = Request.of(args)
    console = Terminal()
    change = request.setting if request.sets else None
    with _at_work(request, "reading what was recorded, and deciding it again"):  # a day takes half a minute
        loaded = _compared(_distinct([load(path, request.config, change) for path in request.records]))
    request = request.in_units_of(item.units for item in loaded)
    if len(loaded) > 1:  # the names of their files are known now
        targets = request.targets([item.name for item in loaded])
        check_targets([request.config_file, *(item.path for item in loaded)], targets)
    figures: dict[str, Any] = {"records": [_figures(item) for item in loaded]}
    if len(loaded) == 1:
        tell_record(console, loaded[0], request.shown)
    else:
        tell_records(console, loaded, request.shown)
    for item in loaded:
        tell_replay(console, item, changed=request.sets)
    kettle, tuning = _learn(request, console, loaded, figures)
    boxes = _physical(request, console, loaded, figures)
    outcomes = _what_if(request, console, loaded, kettle, boxes, figures)
    _write(request, console, loaded, kettle, tuning, outcomes)
    if request.json is not None:
        _save(request.json, json.dumps(_sayable(figures), indent=2, default=str, allow_nan=False) + "\n")
    return 1 if any(x.again and not x.again.same and not x.why_parted for x in loaded) else 0


def _at_work(request: Request, what: str) -> AbstractContextManager[object]:
    """Says so on a terminal until it is done."""
    if request.quiet or not sys.stderr.isatty():
        return nullcontext()
    return Console(stderr=True).status(what)


def _sayable(figure: Any) -> Any:
    """`figure` with null for what is no number: JSON has neither NaN nor an infinite Ms (RFC 8259)."""
    if isinstance(figure, float):
        return figure if math.isfinite(figure) else None
    if isinstance(figure, dict):
        return {name: _sayable(value) for name, value in figure.items()}
    return [_sayable(value) for value in figure] if isinstance(figure, list | tuple) else figure


def _figures(item: Loaded) -> dict[str, Any]:
    found = facts(item.series, item.config)
    return {
        "name": item.name,
        "facts": asdict(found),
        "replay": None if item.again is None else asdict(item.again),
    }


def _learn(
    request: Request, console: Console, loaded: Sequence[Loaded], figures: dict[str, Any]
) -> tuple[Learned | None, Tuning | None]:
    needed = request.fit or request.tune or request.otherwise  # for a report alone it may be left out
    if not (needed or request.report):
        return None, None
    cooks = _of_use(console, loaded)
    if not cooks and needed:
        raise UserError(
            "none of the records can be run again (see the notes above); give one that was finished in order"
        )
    if not cooks:
        return None, None
    try:
        tuning = _tune(request, cooks, _in_force(request, loaded, cooks)) if request.tune else None
        kettle = learn(cooks, seed=request.seed) if tuning is None else tuning.kettle
    except TooStillError as error:
        if not needed:
            return None, None
        raise UserError(f"nothing to learn from this record: {error}") from None
    _tell_learned(request, console, kettle, tuning)
    figures["kettle"] = asdict(kettle.fit)
    if tuning is not None:
        figures["tuning"] = {
            "why": tuning.why,
            "changed": tuning.changed,
            "before": asdict(tuning.before),
            "after": asdict(tuning.after),
            "others": [asdict(c) for c in tuning.others],
        }
    return kettle, tuning


def _of_use(console: Console, loaded: Sequence[Loaded]) -> list[Cook]:
    """The cooks that something can be learned from; UserError for one that is given twice."""
    _check_once(loaded)
    cooks = [item.cook for item in loaded if item.cook is not None]
    for cook in cooks:
        if not shows_work(cook):
            console.print(f"{cook.name}: never came to tending; nothing is learned from it")
    return [cook for cook in cooks if shows_work(cook)]


def _tell_learned(request: Request, console: Console, kettle: Learned, tuning: Tuning | None) -> None:
    """What was asked for; of what is only reckoned with, the doubts."""
    if request.fit or tuning is not None:
        tell_kettle(console, kettle)
    elif request.otherwise:
        tell_doubt(console, kettle)
    if tuning is not None:
        tell_tuning(console, tuning, request.shown)


def _physical(
    request: Request, console: Console, loaded: Sequence[Loaded], figures: dict[str, Any]
) -> dict[str, GreyBox]:
    boxes: dict[str, GreyBox] = {}
    if not (request.physical or request.wind_m_per_s is not None):
        return boxes
    for item in loaded:
        if item.cook is None:
            continue
        try:
            with _at_work(request, "fitting the physical model"):
                box = boxes[item.name] = fit_kettle(item.cook)
        except ValueError as error:
            if request.wind_m_per_s is not None:
                raise UserError(f"--wind: {error}") from None
            console.print(f"{item.name}: {error}")
            continue
        tell_physical(console, item.name, box, request.shown)
        figures.setdefault("physical", {})[item.name] = {
            "times": box.times,
            "intervals": {k: asdict(v) for k, v in box.intervals.items()},
            "rms_c": box.rms_c,
        }
    return boxes


def _added(request: Request, cook: Cook, model: Fopdt, box: GreyBox | None) -> Floats | None:
    """What other weather adds: by the physical model where it was fitted, else by the plain one."""
    if box is not None and (request.wind_m_per_s is not None or request.warmer_k is not None):
        return weather_shift(cook, box, wind_m_per_s=request.wind_m_per_s, warmer_k=request.warmer_k or 0.0)
    return None if request.warmer_k is None else outside(cook, model, request.warmer_k)


def _say_stopping(_frac: float, text: str) -> None:
    """All that is said of the progress where there is no bar."""
    if text == STOPPING:
        sys.stderr.write(f"{text}\n")


def _in_force(request: Request, loaded: Sequence[Loaded], cooks: Sequence[Cook]) -> Config:
    """The settings whose gains shall be bettered: those asked for, else the last of our newest record. A
    table tells none.
    """
    if request.config is not None:
        return request.config
    ours = [item for item in loaded if item.steps and any(item.cook is cook for cook in cooks)]
    return max(ours, key=lambda item: item.steps[-1].utc_s).in_force if ours else cooks[0].state.config


def _tune(request: Request, cooks: list[Cook], config: Config) -> Tuning:
    with ExitStack() as stack:
        say: Callable[[float, str], None] = _say_stopping
        if not request.quiet and sys.stderr.isatty():
            columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
            bar = stack.enter_context(Progress(*columns, console=Console(stderr=True), transient=True))
            task = bar.add_task("", total=1.0)
            say = lambda frac, text: bar.update(task, completed=frac, description=text)  # noqa: E731
        return tune(cooks, config, seed=request.seed, effort=request.effort, progress=say)


def _what_if(
    request: Request,
    console: Console,
    loaded: Sequence[Loaded],
    kettle: Learned | None,
    boxes: dict[str, GreyBox],
    figures: dict[str, Any],
) -> dict[str, list[tuple[str, Outcome]]]:
    outcomes: dict[str, list[tuple[str, Outcome]]] = {}
    name = request.otherwise
    if kettle is None or not name:
        return outcomes
    model = kettle.models[0]
    for item in loaded:
        cook = item.cook
        if cook is None or not shows_work(cook):
            continue
        added = _added(request, cook, model, boxes.get(item.name))
        new = request.setting(cook.state.config)
        if request.lower is not None:
            outcome = hold_vent(cook, model, request.lower, added)
        else:
            other = cook if request.set_point_c is None else aimed(cook, request.set_point_c)
            outcome = run_again(other, model, new, added)
        before = recorded(cook) if cook.own else run_again(cook, model)
        check_not_cut_off(cook, before)
        was, now = score(cook, before, item.config), score(cook, outcome, new)
        tell_what_if(console, item.name, name, was, now, request.shown)
        figures.setdefault("what_if", []).append(
            {"name": item.name, "what": name, "was": asdict(was), "now": asdict(now)}
        )
        outcomes[item.name] = [(name, outcome)]
    return outcomes


def _write(
    request: Request,
    console: Console,
    loaded: Sequence[Loaded],
    kettle: Learned | None,
    tuning: Tuning | None,
    outcomes: dict[str, list[tuple[str, Outcome]]],
) -> None:
    names = [item.name for item in loaded]
    for item in loaded:
        for path in (request.csv, request.parquet):
            if path is not None:
                target = target_for(path, item.name, names)
                write_table(item.series, target)
                console.print(f"wrote {target}")
        if request.report is not None:
            target = target_for(request.report, item.name, names)
            made = _report(item, kettle, tuning, tuple(outcomes.get(item.name, ())), request.shown)
            _save(target, reports.html(made))
            picture = target.with_suffix(".png")
            try:
                reports.png(made, picture)
            except OSError as error:
                raise UserError(
                    f"'{picture}': cannot be written: {error.strerror}; choose another place"
                ) from None
            console.print(f"wrote {target} and {picture}")
    if tuning is not None and request.toml is not None:
        target = request.toml
        _save(target, toml_fragment(tuning, ", ".join(item.path.name for item in loaded)))
        console.print(f"wrote {target}; copy its lines into your configuration")


def _distinct(loaded: list[Loaded]) -> list[Loaded]:
    """With numbers after names that are not the only ones: what is worked out is kept by name."""
    count = Counter(item.name for item in loaded)
    number: Counter[str] = Counter()
    named = []
    for item in loaded:
        number[item.name] += 1
        name = item.name if count[item.name] == 1 else f"{item.name}-{number[item.name]}"
        cook = None if item.cook is None else replace(item.cook, name=name)
        named.append(replace(item, name=name, cook=cook))
    return named


def _compared(loaded: list[Loaded]) -> list[Loaded]:
    """With a remark where the vents were not calibrated as in the newest record."""
    known = [item for item in loaded if item.steps and item.vents]
    if not known:
        return loaded
    newest = max(known, key=lambda item: item.steps[-1].utc_s)
    told = [note(item.name, item.vents, newest.name, newest.vents) for item in loaded]
    return [
        replace(item, remarks=(*item.remarks, text)) if text else item
        for item, text in zip(loaded, told, strict=True)
    ]


def _check_once(loaded: Sequence[Loaded]) -> None:
    """The same cook twice, be it as a copy or as the table made of it, would count as twice the evidence."""
    for i, item in enumerate(loaded):
        for other in loaded[:i]:
            a, b = item.series, other.series
            if np.array_equal(a.time_s, b.time_s) and np.array_equal(a.pit_c, b.pit_c, equal_nan=True):
                raise UserError(f"records '{other.path}' and '{item.path}' are the same cook; give it once")


def _report(
    item: Loaded,
    kettle: Learned | None,
    tuning: Tuning | None,
    what_if: tuple[tuple[str, Outcome], ...],
    unit: Units = METRIC,
) -> reports.Report:
    steps = tuple(item.steps)  # unpacked once
    start_s = steps[0].now_s if steps else 0.0
    end_s = start_s + float(item.series.time_s[-1])
    story = food_story(steps, item.config, item.begun) if steps else None
    return reports.Report(
        name=item.name,
        series=item.series,
        config=item.config,
        facts=facts(item.series, item.config),
        alarms=alarm_spans(item.alarms, start_s, end_s),
        again=item.again,
        why_parted=item.why_parted,
        kettle=kettle,
        tuning=tuning,
        residual=None if kettle is None or item.cook is None else residual(item.cook, kettle),
        what_if=what_if,
        fuel=fuel_belief(steps) if steps else None,
        finish=finish_belief(item.series) if story is None else None,
        story=story,
        started=item.started,
        remarks=item.remarks,
        cores=tuple(core_columns(steps).items()),
        loops=tuple(loop for loop, _ in groupby(state.config.loop for state in item.begun.values())),
        units=unit,
    )


def residual(cook: Cook, kettle: Learned) -> tuple[Floats, Floats]:
    """(time_s on the clock of the record, pit less what the model says less the mean of usable rows)."""
    simulated = response(kettle.models[0], cook.u, cook.series.step_s)
    rest = np.where(usable(cook.series), cook.series.pit_c - simulated, np.nan)
    if np.isfinite(rest).any():
        rest = rest - np.nanmean(rest)
    return cook.from_s + cook.series.time_s, np.asarray(rest)


def _save(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UserError(f"'{path}': cannot be written: {error.strerror}; choose another place") from None
