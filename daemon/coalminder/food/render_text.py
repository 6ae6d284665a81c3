"""The plan as lines for a terminal.

Owns: the plain-text form. Must not know: how it is printed (command.py) or made (timeline.py).
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from coalminder.food.kitchen import Kitchen, spoon_warning
from coalminder.food.sources import SOURCES, Figure, Grade, source_lines
from coalminder.food.steps import Row
from coalminder.food.timeline import Timeline
from coalminder.units import LB_KG

WIDTH = 96


def duration(seconds: float) -> str:
    """`25 min`, `2 h 30`, `3 d`; empty for a moment."""
    minutes = round(seconds / 60.0)
    if minutes <= 0:
        return ""
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        hours, rest = divmod(minutes, 60)
        return f"{hours} h {rest:02d}" if rest else f"{hours} h"
    return f"{minutes / 1440:.0f} d"


def row_cells(row: Row, kitchen: Kitchen) -> tuple[str, str, str, str]:
    """Day and time (with its zone in the hour that comes twice), duration, title, text."""
    twice = row.at.utcoffset() != row.at.replace(fold=1 - row.at.fold).utcoffset()  # the clocks go back
    return (
        f"{row.at:%a %H:%M}{f' {row.at:%Z}' if twice else ''}",
        duration(row.lasts_s),
        row.step.title,
        kitchen.words(row.step.text),
    )


# unit -> (factor, unit in the US, digits). Exact: 1 lb = 0.45359237 kg, 1 ft = 0.3048 m; Btu of the
# International Table (NIST SP 811, B.8).
_US = {
    "kg/h": (1 / LB_KG, "lb/h", 2),
    "kg/m3": (0.3048**3 / LB_KG, "lb/ft3", 1),
    "g/m2 h": (0.001 * 16 / LB_KG * 0.3048**2, "oz/ft2 h", 2),
    "MJ/kg": (LB_KG / 1.05505585262e-3, "Btu/lb", 0),
}


def figure_text(figure: Figure, kitchen: Kitchen) -> str:
    """The value in the wanted units."""
    unit, value = figure.unit, figure.value
    if value == float("inf"):
        return "never"
    if unit == "°C":
        return kitchen.temp(value, figure.digits)
    if unit == "kg":
        return kitchen.mass(value)
    if unit == "g":
        return kitchen.mass(value / 1000.0)
    if unit == "mm" and kitchen.us:
        return kitchen.length(value / 1000.0)
    if kitchen.us and unit in _US:
        factor, name, digits = _US[unit]
        return f"{factor * value:.{digits}f} {name}"
    return figure.text()


def heading(plan: Timeline, kitchen: Kitchen) -> str:
    """One line that names the plan."""
    r = plan.request
    pieces = "1 piece" if r.pieces == 1 else f"{r.pieces} pieces"
    day = "%a %d %b" if r.serve_at.year == kitchen.year else "%a %d %b %Y"
    return (
        f"{r.species.name}: {kitchen.mass(r.mass_kg)} in {pieces} of {kitchen.length(r.thick_m)}, "
        f"served {r.serve_at.strftime(day)} {r.serve_at:%H:%M}"
    )


def text_lines(plan: Timeline, kitchen: Kitchen, sources: bool = False) -> Iterator[str]:
    """The whole plan; with `sources`, each figure's source and grade, and the list of sources at the end."""
    yield heading(plan, kitchen)
    yield ""
    cells = [row_cells(row, kitchen) for row in plan.rows]
    wide = [max(len(c[i]) for c in cells) for i in range(3)]
    for row, (when, lasts, title, words) in zip(plan.rows, cells, strict=True):
        tail = f" [{', '.join(row.step.sources)}]" if sources else ""
        lead = f"{when:<{wide[0]}}  {lasts:<{wide[1]}}  {title:<{wide[2]}}  "
        wrapped = textwrap.wrap(words + tail, WIDTH - len(lead)) or [""]
        yield lead + wrapped[0]
        yield from (" " * len(lead) + line for line in wrapped[1:])
    yield ""
    yield cook_line(plan, kitchen)
    for name, figures in plan.figures:
        yield ""
        yield name
        for figure in figures:
            star = "*" if SOURCES[figure.source].grade is Grade.MEMORY else ""
            tail = f"  [{figure.source}: {SOURCES[figure.source].mark}]" if sources else star
            yield f"  {kitchen.words(figure.name):<30} {figure_text(figure, kitchen)}{tail}"
        if name == "Brine":
            yield from _wrap(spoon_warning(plan.brining.recipe.salt_kg), "  ")
        if name == "Fire":
            for line in plan.fire.text:
                yield from _wrap(kitchen.words(line), "  ")
    yield ""
    yield "Warnings"
    for line in plan.warnings:
        yield from _wrap(kitchen.words(line), "  ! ", "    ")
    yield ""
    yield "Cautions"
    for line in plan.cautions:
        yield from _wrap(kitchen.words(line), "  - ", "    ")
    yield ""
    if sources:
        yield "Sources (mark, authority: title); your local authority comes first"
        for line in source_lines(plan.source_keys()):
            yield from _wrap(line, "  ", "      ")
    else:
        yield "* from memory, not read in its source: used on the safe side. --sources names every source."


def cook_line(plan: Timeline, kitchen: Kitchen) -> str:
    """How long it takes, what the steps allow for it, and that time alone never makes it done."""
    low, middle, high = plan.cook_min
    r = plan.request
    at_s = {row.step.code: row.at.timestamp() for row in plan.rows}
    allowed = f"the steps allow {duration(at_s['off'] - at_s['load'])}"
    span = "" if middle == math.inf else f"about {duration(60 * middle)}, "
    if high == math.inf:
        span += f"not before {duration(60 * low)}, perhaps more than 8 h; {allowed}"
    else:
        span += f"90 % between {duration(60 * low)} and {duration(60 * high)}; "
        span += f"{allowed}, by when two of three are done"
    return (
        f"On the grill at {kitchen.temp(r.set_point_c)}: {span}. "
        "Done only when measured: core at "
        f"{kitchen.temp(r.done_rule.core_c)} for {r.done_rule.hold_min:.0f} min."
    )


def _wrap(line: str, first: str, rest: str | None = None) -> list[str]:
    return textwrap.wrap(line, WIDTH, initial_indent=first, subsequent_indent=first if rest is None else rest)
