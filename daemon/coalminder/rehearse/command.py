"""`coalminder rehearse`: tend a simulated grill and see how it went."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

from coalminder.core import Config
from coalminder.errors import UserError
from coalminder.grill.scenario import Charcoal, Disturbance, demo
from coalminder.journal.folder import ready
from coalminder.messages.options import LinkOptions
from coalminder.rehearse.fast import Run, run_fast
from coalminder.rehearse.grills import load_grill
from coalminder.rehearse.guest import Guest
from coalminder.rehearse.script import parse_script
from coalminder.rehearse.summary import Trace, summarise
from coalminder.rehearse.view import LiveView, clock
from coalminder.seams import Grill
from coalminder.units import METRIC, US, Units, in_its_unit, units
from coalminder.vents.alone import untended

DEFAULT_SPEED = 240.0
NAME = "rehearsal"  # not the name of a real grill: both may be on one broker
PICTURE = Path("cook.png")  # where none is named
PICTURES = (".png", ".svg", ".pdf")
Disturbances = tuple[Disturbance, ...]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `rehearse`."""
    add = parser.add_argument
    add("--hours", type=float, default=4.0, metavar="H", help="length of the cook in hours (default 4)")
    add(
        "--speed",
        type=float,
        metavar="N",
        help=f"times real time, with broker and sockets (default {DEFAULT_SPEED:g})",
    )
    add("--fast", action="store_true", help="no sockets, as fast as the machine can")
    add("--seed", type=int, default=1, metavar="N", help="seed of weather and noise (default 1)")
    add("--set-point", metavar="T", help='pit set point, in the units of the output or its own: "200 F"')
    add("--units", choices=["metric", "us"], help="of the output (default: those of --config, [page] units)")
    add("--lid-lift", action="append", metavar="AT_S:FOR_S", help="lift the lid; repeatable")
    add("--wood", action="append", metavar="AT_S:KG", help="lay wood on the coals; repeatable")
    add(
        "--grill",
        metavar="M:F",
        help="package.module:factory of the grill to tend (default: the demo's kettle)",
    )
    add(
        "--grill-arg", action="append", default=[], metavar="K=V", help="argument of that factory; repeatable"
    )
    add("--config", type=Path, metavar="FILE", help="configuration file for band and loop")
    add("--broker", metavar="URL", help="mqtt://host:port instead of the embedded broker")
    add("--json", type=Path, metavar="FILE", help="write the summary's figures")
    add(
        "--plot",
        type=Path,
        metavar="FILE",
        help=f"picture of the cook (default {PICTURE}; not with --fast unless named)",
    )
    add("--record", type=Path, metavar="DIR", help="keep the record of the cook in this folder")


def run(args: argparse.Namespace) -> int:
    """Rehearse, print the summary, write what was asked for."""
    config, unit = _config(args)
    duration_s = _duration(args)
    script = parse_script(args.lid_lift or (), args.wood or ())
    plot = args.plot if args.plot is not None or args.fast else PICTURE
    _check_outputs(args, plot)
    bare, script = _grill(args, script)
    grill = Guest(bare, f"--grill {args.grill or 'demo'}")
    before_kg = grill.fuel_left_kg()
    if args.fast:
        if args.broker:
            raise UserError("--broker does not go with --fast (no sockets); leave one of them out")
        done = run_fast(grill, config, script, duration_s, record=args.record)
    else:
        done = _live(grill, config, script, duration_s, args, unit)
    summary = summarise(
        done.trace,
        low_c=config.low_c,
        high_c=config.high_c,
        seed=args.seed,
        wall_s=done.wall_s,
        fuel_used_kg=_fuel_used(grill, before_kg, script, duration_s),
        fire_alive=grill.fire_lives(),
    )
    print(_text(summary, duration_s, unit))
    if args.json is not None:
        _write(args.json, json.dumps(summary, indent=1, allow_nan=False) + "\n")
    if plot is not None:
        _draw(done.trace, plot, config, unit)
        print(f"picture: {plot}")
    return 0


def _check_outputs(args: argparse.Namespace, plot: Path | None) -> None:
    """What cannot be written is said before the cook, not after it."""
    for path, option in ((args.json, "--json"), (plot, "--plot")):
        if path is None:
            continue
        folder = path.absolute().parent
        if not folder.is_dir():
            raise UserError(f"{option} {path}: the folder '{folder}' does not exist; make it first")
        if path.is_dir() or not os.access(path if path.exists() else folder, os.W_OK):
            raise UserError(f"{option} {path}: cannot be written there; name a file in a folder of yours")
    if plot is not None and plot.suffix.lower() not in PICTURES:
        raise UserError(f"--plot {plot}: the name must end in one of {', '.join(PICTURES)}")
    if args.record is not None:
        ready(args.record, "--record")
        untended(args.record, "--record")


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, "utf-8")
    except OSError as error:
        raise UserError(f"--json {path}: cannot be written: {error.strerror}") from error


def _config(args: argparse.Namespace) -> tuple[Config, Units]:
    """What the core runs with, and the units of what is shown."""
    from coalminder.settings import load_settings

    settings = load_settings(args.config)
    unit = units(args.units or settings.page.units)
    config = replace(settings.core(), plan=settings.plan())
    if args.set_point is not None:
        from coalminder.settings.quantities import temperature

        wanted_c = temperature(in_its_unit(args.set_point, unit), "--set-point")
        if not config.least_set_point_c <= wanted_c <= config.highest_set_point_c:
            least, most = unit.shown(config.least_set_point_c), unit.shown(config.highest_set_point_c)
            scale, example = ("°C", "93 C") if unit is US else ("°F", "200 F")
            raise UserError(
                f"--set-point {args.set_point}: {unit.shown(wanted_c):g} {unit.temp} is outside "
                f'{least:g} to {most:g} {unit.temp}; one in {scale} needs its unit: --set-point "{example}"'
            )
        config = replace(config, set_point_c=wanted_c)
    return config, unit


def _duration(args: argparse.Namespace) -> float:
    if not 0.01 <= args.hours <= 200.0:
        raise UserError(f"--hours {args.hours:g} is outside 0.01 to 200")
    if args.speed is not None and not 1.0 <= args.speed <= 10_000.0:
        raise UserError(f"--speed {args.speed:g} is outside 1 to 10000; use --fast for more")
    if args.speed is not None and args.fast:
        raise UserError("--speed does not go with --fast; leave one of them out")
    return float(args.hours * 3600.0)


def _grill(args: argparse.Namespace, script: Disturbances) -> tuple[Grill, Disturbances]:
    """The grill to tend and what is done to it: the demo, unless a grill or a script is named."""
    if args.grill is not None:
        return load_grill(args.grill, args.grill_arg, args.seed), script
    if args.grill_arg:
        raise UserError("--grill-arg needs --grill; for the built-in kettle: --grill coalminder.grill:kettle")
    scene = demo(args.hours)
    return scene.kettle(args.seed), script or scene.disturbances


def _live(
    grill: Grill,
    config: Config,
    script: Disturbances,
    duration_s: float,
    args: argparse.Namespace,
    unit: Units,
) -> Run:
    from coalminder.rehearse.live import run_live

    speed = args.speed or DEFAULT_SPEED
    with ExitStack() as stack:
        if args.broker:
            options = LinkOptions.from_url(args.broker, NAME)
        else:
            from coalminder.messages.embedded import EmbeddedBroker

            options = stack.enter_context(EmbeddedBroker()).options(NAME)
        directory = args.record or Path(
            stack.enter_context(tempfile.TemporaryDirectory(prefix="coalminder-"))
        )
        headline = (
            f"Rehearsal: {clock(duration_s)} of a simulated cook at {speed:g} x, "
            f"broker {options.host}:{options.port}, topics coalminder/{options.grill}/#"
        )
        view = stack.enter_context(LiveView(duration_s, headline, unit))
        return asyncio.run(
            run_live(
                grill,
                config,
                script,
                duration_s,
                speed=speed,
                broker=options,
                directory=directory,
                show=view.show,
                must_connect=args.broker is not None,
            )
        )


def _fuel_used(
    grill: Guest, before_kg: float | None, script: Disturbances, duration_s: float
) -> float | None:
    after_kg = grill.fuel_left_kg()
    if before_kg is None or after_kg is None:
        return None
    added_kg = sum(item.kg for item in script if isinstance(item, Charcoal) and item.at_s < duration_s)
    return before_kg - after_kg + added_kg


def _draw(trace: Trace, path: Path, config: Config, unit: Units) -> None:
    try:
        from coalminder.rehearse.picture import draw

        draw(
            trace,
            path,
            low_c=config.low_c,
            high_c=config.high_c,
            ceiling_c=config.limits.ceiling_c,
            title="A rehearsed cook",
            units=unit,
        )
    except OSError as error:
        raise UserError(f"--plot {path}: cannot be written: {error.strerror or error}") from error


def _text(summary: dict[str, Any], duration_s: float, unit: Units = METRIC) -> str:
    """The summary for a person."""

    def number(key: str, form: str, name: str, shown: Callable[[float], float] = float) -> str:
        value = summary[key]
        return "unknown" if value is None else f"{shown(value):{form}} {name}"

    alarms = ", ".join(f"{a['code']} at {clock(a['raised_s'])}" for a in summary["alarms"]) or "none"
    settled = summary["settled_after_s"]
    share = summary["in_band_frac"]
    fire = {None: "unknown", True: "alive", False: "out"}[summary["fire_alive"]]
    lifts = " (the lid off, too)" if summary["lid_lifts_seen"] else ""
    lines = [
        f"cook of {clock(duration_s)}, {summary['steps']} steps in {summary['wall_s']:.1f} s",
        f"  settled after      {'never' if settled is None else clock(settled)}",
        f"  time in the band   {'unknown' if share is None else f'{100 * share:.1f} %'} (after settling)",
        f"  peak of the pit    {number('peak_c', '.1f', unit.temp, unit.shown)}",
        f"  lowest after that  {number('lowest_c', '.1f', unit.temp, unit.shown)}{lifts}",
        f"  mean abs. error    {number('mean_abs_error_c', '.2f', unit.temp, unit.apart)}",
        f"  charcoal used      {number('fuel_used_kg', '.2f', unit.mass, lambda kg: kg / unit.mass_kg)}",
        f"  servo travel       {number('servo_travel', '.1f', 'strokes')}",
        f"  lid lifts seen     {summary['lid_lifts_seen']}",
        f"  fire at the end    {fire}",
        f"  alarms             {alarms}",
    ]
    return "\n".join(lines)
