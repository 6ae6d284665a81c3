"""`coalminder plan`: the job from raw food to the refrigerator, on the terminal, on paper, in the calendar.

A shell: reads the words of the command line, the clock and the local time zone, writes files. All figures
come from timeline.build_plan.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from datetime import UTC, datetime, time, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from coalminder.errors import UserError
from coalminder.food.checks import in_range
from coalminder.food.doneness import DONE_RULES
from coalminder.food.hours import earlier
from coalminder.food.kitchen import SALT_G_PER_TABLESPOON, Kitchen, read_quantity, salt_from_spoons_kg
from coalminder.food.render_html import html_page
from coalminder.food.render_ics import calendar
from coalminder.food.render_text import row_cells, text_lines
from coalminder.food.request import TEXTURES, PlanRequest
from coalminder.food.species import SPECIES, species
from coalminder.food.timeline import Timeline, build_plan
from coalminder.frozen import replace


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `plan`. Quantities may carry a unit: `--weight "3.5 lb"`, `--set-point 200F`."""
    add = parser.add_argument
    add("food", nargs="?", default="char", help="what to smoke (--foods lists them); default char")
    add("--foods", action="store_true", help="list the foods and leave")
    add(
        "--serve",
        metavar="TIME",
        default="19:00",
        help="when to eat: HH:MM (next possible) or YYYY-MM-DD HH:MM",
    )
    add("--weight", default=None, metavar="KG", help="all pieces together; default 1.6 kg")
    add("--pieces", default="4", help="number of pieces; default 4")
    add("--thickness", default=None, metavar="MM", help="thickest piece; default: usual for the food")
    add("--skin", action=argparse.BooleanOptionalAction, default=None, help="skin on one side")
    add("--frozen", action="store_true", help="it is frozen now: plan the thawing")
    add("--once-frozen", action="store_true", help="it was frozen before (for the histamine limits)")
    add("--salt", default=None, metavar="PERCENT", help="water-phase salt wanted after smoking")
    add(
        "--brine",
        default=None,
        metavar="PERCENT",
        help="salt in the brine by weight; default: planned",
    )
    add("--sugar", default="3.0", metavar="PERCENT", help="sugar in the brine by weight; default 3")
    add(
        "--equilibrium",
        action="store_true",
        help="weigh salt for food and water together (slow, never too salty)",
    )
    add("--brine-at", default="3 C", metavar="TEMP", help="temperature of the brine; default 3 °C")
    add("--brine-reused", action="store_true", help="the brine was used before")
    add(
        "--salt-spoons",
        default=None,
        metavar="N",
        help="what N level tablespoons of salt weigh, and leave",
    )
    add("--grain", default="table", metavar="|".join(SALT_G_PER_TABLESPOON), help="grain of that salt")
    add("--texture", default="moist", metavar="|".join(TEXTURES), help="default moist")
    add(
        "--rule",
        default=None,
        metavar="|".join(DONE_RULES),
        help="done rule; default: the stricter of the kind",
    )
    add("--set-point", default="93 C", metavar="TEMP", help="pit; default 93 °C")
    add("--kettle", default="57 cm", metavar="WIDTH", help="kettle width; default 57 cm")
    add("--outside", default="15 C", metavar="TEMP", help="air outside; default 15 °C")
    add("--humidity", default="65.0", metavar="PERCENT", help="relative humidity; default 65")
    add("--wind", default="3 m/s", metavar="SPEED", help="wind; default 3 m/s")
    add("--rain", action="store_true", help="it rains")
    add("--dry-at", default=None, metavar="TEMP", help="air for drying; default: outside, 2 to 12 °C")
    add(
        "--dry-wind",
        default="1 m/s",
        metavar="SPEED",
        help="air speed at drying; default 1 m/s (a small fan)",
    )
    add("--wood-moisture", default="18.0", metavar="PERCENT", help="of the smoking wood; default 18")
    add("--soaked", action="store_true", help="the wood was soaked")
    add("--smoke", default="90.0", metavar="MIN", help="minutes of smoke; default 90")
    add("--fridge", default="3 C", metavar="TEMP", help="your refrigerator; default 3 °C")
    add("--units", default="metric", metavar="metric|us", help="units of bare numbers and of the output")
    add("--sources", action="store_true", help="source and grade of every figure")
    add("--plain", action="store_true", help="no table drawing")
    add("--json", metavar="FILE", help="write the plan for the daemon")
    add("--html", metavar="FILE", help="write a page for printing and the phone")
    add("--ics", metavar="FILE", help="write a calendar file")


def run(args: argparse.Namespace) -> int:
    """Make the plan and write it where asked."""
    now = datetime.now(_here())
    kitchen = Kitchen(args.units, now.year)
    if args.foods:
        for row in SPECIES.values():
            marks = ", histamine" if row.scombroid else ""
            print(f"{row.code:<15} {row.name} ({row.kind.replace('_', ' ')}, {row.form}{marks})")
        return 0
    if args.salt_spoons is not None:
        spoons = in_range("tablespoons", _number(args.salt_spoons, "tablespoons"), 0.1, 1000.0)
        low, high = salt_from_spoons_kg(spoons, args.grain)
        print(
            f"{spoons:g} level tablespoons of {args.grain.replace('_', ' ')} salt weigh "
            f"{1000 * low:.0f} to {1000 * high:.0f} g: weigh it, grains differ by two to one."
        )
        return 0
    try:
        plan = _planned(args, now)
    except UserError as error:
        raise UserError(kitchen.refusal(str(error))) from None
    for path, text in (
        (args.json, plan.daemon.to_json()),
        (args.html, html_page(plan, kitchen, args.sources)),
        (args.ics, calendar(plan, kitchen, datetime.now(UTC))),
    ):
        if path:
            _write(path, text)
    _show(plan, kitchen, args.sources, args.plain)  # last: the reader (head, less) may leave
    return 0


def _number(text: str, what: str, example: str = "3") -> float:
    """A bare number; a per cent or minute sign is allowed. Range and NaN are checked by the request."""
    try:
        return float(text.strip().removesuffix("%").removesuffix("min").strip().replace(",", "."))
    except ValueError:
        raise UserError(f"{what} '{text}' is not a number; write for example {example}") from None


def _whole(text: str, what: str) -> int:
    value = _number(text, what)
    if not math.isfinite(value) or value != int(value):
        raise UserError(f"{what} '{text}' is not a whole number; write for example 4")
    return int(value)


def request_of(args: argparse.Namespace, serve_at: datetime) -> PlanRequest:
    """The request that the words of the command line make."""

    def quantity(text: str | None, kind: str, what: str) -> float | None:
        return None if text is None else read_quantity(text, kind, what, args.units)

    def needed(text: str, kind: str, what: str) -> float:
        return read_quantity(text, kind, what, args.units)

    species(args.food)
    usual = PlanRequest(serve_at=serve_at, food=args.food)
    weight = quantity(args.weight, "weight", "weight")
    return replace(
        usual,
        mass_kg=usual.mass_kg if weight is None else weight,
        pieces=_whole(args.pieces, "pieces"),
        thickness_m=quantity(args.thickness, "length", "thickness"),
        skin_on=args.skin,
        frozen=args.frozen,
        frozen_before=args.once_frozen,
        salt_wps_pct=None if args.salt is None else _number(args.salt, "salt target"),
        brine_frac=None if args.brine is None else _number(args.brine, "salt in brine") / 100.0,
        sugar_frac=_number(args.sugar, "sugar in brine") / 100.0,
        equilibrium=args.equilibrium,
        brine_c=needed(args.brine_at, "temperature", "brine temperature"),
        brine_reused=args.brine_reused,
        texture=args.texture,
        rule=args.rule,
        set_point_c=needed(args.set_point, "temperature", "set point"),
        kettle_cm=100.0 * needed(args.kettle, "width", "kettle"),
        ambient_c=needed(args.outside, "temperature", "outdoor temperature"),
        humidity_frac=_number(args.humidity, "relative humidity") / 100.0,
        wind_m_s=needed(args.wind, "speed", "wind"),
        rain=args.rain,
        dry_c=quantity(args.dry_at, "temperature", "drying air"),
        dry_speed_m_s=needed(args.dry_wind, "speed", "air speed at drying"),
        wood_moisture_frac=_number(args.wood_moisture, "wood moisture") / 100.0,
        wood_soaked=args.soaked,
        smoke_min=_number(args.smoke, "minutes of smoke", "90"),
        fridge_c=needed(args.fridge, "temperature", "refrigerator"),
    )


def _planned(args: argparse.Namespace, now: datetime) -> Timeline:
    """The plan for the time asked for; `HH:MM` is the first day on which every step is still ahead."""
    serve, any_day = _serving_time(args.serve.strip(), now)
    if not any_day:
        plan = build_plan(request_of(args, earlier(serve, 0.0)))  # 02:30 may not come that night
        if plan.rows[0].at < now:
            print(
                f"note: the first step ({plan.rows[0].step.title}) was due {plan.rows[0].at:%a %d %b %H:%M}; "
                "choose a later serving time or start in the middle",
                file=sys.stderr,
            )
        return plan
    for days in range(14):  # thawing and brining 50 kg take less
        plan = build_plan(request_of(args, earlier(serve + timedelta(days=days), 0.0)))
        if plan.rows[0].at >= now:
            return plan
    return plan


def _serving_time(words: str, now: datetime) -> tuple[datetime, bool]:
    """The time that `words` mean, and whether they leave the day open: then it is today's."""
    try:
        hour, minute = (int(part) for part in words.split(":"))
        return now.replace(hour=hour, minute=minute, second=0, microsecond=0), True
    except ValueError:
        pass
    try:
        serve = datetime.fromisoformat(words)
    except ValueError:
        raise UserError(
            f"serving time '{words}' is not understood: write HH:MM or YYYY-MM-DD HH:MM"
        ) from None
    if not 1990 <= serve.year <= 2200:
        raise UserError(f"serving time '{words}' is out of range: accepted the years 1990 to 2200")
    if serve.time() == time() and ":" not in words:
        raise UserError(
            f"serving time '{words}' has no hour: write it too, for example '{serve:%Y-%m-%d} 19:00'"
        )
    serve = serve.replace(tzinfo=now.tzinfo) if serve.tzinfo is None else serve
    if serve < now:
        raise UserError(f"serving time {serve:%Y-%m-%d %H:%M} is past; choose a later one")
    return serve, False


def _here() -> tzinfo:
    """The local zone with its rules, so that each step has the offset of its own day; else today's offset."""
    try:
        name = os.environ.get("TZ", "").lstrip(":")
        if name and not name.startswith("/"):
            return ZoneInfo(name)
        with Path(name or "/etc/localtime").open("rb") as rules:  # TZ may name a file (tzset(3))
            return ZoneInfo.from_file(rules)
    except (OSError, ValueError, KeyError):  # no such zone, no rules
        return datetime.now().astimezone().tzinfo or UTC


def _show(plan: Timeline, kitchen: Kitchen, sources: bool, plain: bool) -> None:
    lines = list(text_lines(plan, kitchen, sources))
    if not plain and sys.stdout.isatty():
        try:
            from rich.console import Console
            from rich.table import Table
        except ModuleNotFoundError:
            pass
        else:
            table = Table(title=lines[0], title_justify="left", show_lines=False)
            for name in ("when", "takes", "step", "what"):
                table.add_column(name, no_wrap=name != "what")
            for row in plan.rows:
                table.add_row(*row_cells(row, kitchen))
            Console(highlight=False).print(table)
            first = next(i for i, line in enumerate(lines) if line.startswith("On the grill"))
            lines = lines[first:]
    for line in lines:
        print(line)


def _write(path: str, text: str) -> None:
    try:
        Path(path).write_bytes(text.encode("utf-8"))
    except OSError as error:
        raise UserError(
            f"cannot write {path}: {error.strerror}; choose a file in an existing folder"
        ) from error
    print(f"wrote {path}", file=sys.stderr)
