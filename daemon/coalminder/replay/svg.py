"""Small line charts as inline SVG: self-contained, sharp in print, readable on a phone.

Lines differ by dash as well as by colour. Colours come from CSS variables of the page, so that they follow
light and dark.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from html import escape

import numpy as np

from coalminder.replay.fopdt import Floats

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 560, 46, 8, 26, 28
MOST_POINTS = 700


@dataclass(frozen=True)
class Line:
    """One curve: its place in the legend, CSS class (`l1` .. `l8`), data; steps: held between points."""

    label: str
    look: str
    y: Floats
    steps: bool = False


@dataclass(frozen=True)
class Mark:
    """A moment or, with `until_h`, a span; `look` is a CSS class."""

    at_h: float
    label: str
    look: str
    until_h: float | None = None


def chart(
    hours: Floats,
    lines: Sequence[Line],
    *,
    unit: str,
    title: str,
    height: int = 260,
    low: float | None = None,
    high: float | None = None,
    band: tuple[float, float] | None = None,
    ceiling: float | None = None,
    marks: Sequence[Mark] = (),
    gap_h: float = math.inf,
) -> str:
    """A chart over `hours` (n,) as an <svg> element with a title for screen readers.

    low: where the axis begins if no value is below; high: where it ends, and what is above is not drawn.
    gap_h: two points further apart have a gap between them, and no line.
    """
    values = (
        np.concatenate([line.y[np.isfinite(line.y)] for line in lines]) if lines else np.array([0.0, 1.0])
    )
    if not len(values):
        values = np.array([0.0, 1.0])
    bottom = min(float(values.min()), math.inf if low is None else low)
    top = (
        max(float(values.max()), ceiling or -math.inf, band[1] if band else -math.inf)
        if high is None
        else high
    )
    if top - bottom < 1e-9:
        top = bottom + 1.0
    end = max(float(hours[-1]), 1e-6)
    wide, tall = WIDTH - LEFT - RIGHT, height - TOP - BOTTOM

    def x(h: float) -> float:
        return LEFT + wide * h / end

    def y(v: float) -> float:
        return TOP + tall * (1.0 - (min(max(v, bottom), top) - bottom) / (top - bottom))

    out = [
        f'<svg viewBox="0 0 {WIDTH} {height}" role="img" '
        f'aria-label="{escape(title)}"><title>{escape(title)}</title>'
    ]
    if band:
        out.append(
            f'<rect class="band" x="{LEFT}" y="{y(band[1]):.1f}" width="{wide}" '
            f'height="{y(band[0]) - y(band[1]):.1f}"/>'
        )
    for mark in marks:
        if mark.until_h is not None:
            w = max(x(min(mark.until_h, end)) - x(mark.at_h), 1.0)
            out.append(
                f'<rect class="{mark.look}" x="{x(mark.at_h):.1f}" y="{TOP}" width="{w:.1f}" height="{tall}">'
                f"<title>{escape(mark.label)}</title></rect>"
            )
    for tick in ticks(bottom, top, 5):
        out.append(
            f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(tick):.1f}" y2="{y(tick):.1f}"/>'
        )
        out.append(f'<text class="n" x="{LEFT - 5}" y="{y(tick) + 4:.1f}" text-anchor="end">{tick:g}</text>')
    for tick in ticks(0.0, end, 7):
        out.append(
            f'<text class="n" x="{x(tick):.1f}" y="{height - 8}" text-anchor="middle">{clock(tick)}</text>'
        )
        out.append(f'<line class="grid" x1="{x(tick):.1f}" x2="{x(tick):.1f}" y1="{TOP}" y2="{TOP + tall}"/>')
    if ceiling is not None:
        out.append(
            f'<line class="ceiling" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(ceiling):.1f}" '
            f'y2="{y(ceiling):.1f}"/>'
        )
    for mark in marks:
        if mark.until_h is None:
            at = f'x1="{x(mark.at_h):.1f}" x2="{x(mark.at_h):.1f}" y1="{TOP}" y2="{TOP + tall}"'
            out += [f'<line class="{mark.look}" {at}><title>{escape(mark.label)}</title></line>']
    pieces = np.split(np.arange(len(hours)), np.flatnonzero(np.diff(hours) > gap_h) + 1)
    block = max(1, len(hours) // MOST_POINTS)
    for line in [replace(line, y=np.where(line.y > top, np.nan, line.y)) for line in lines]:
        drawn = "".join(_path(hours[rows], replace(line, y=line.y[rows]), x, y, block) for rows in pieces)
        out.append(f'<path class="{line.look}" d="{drawn}"/>')
    out.append(f'<text class="n" x="{LEFT - 5}" y="{TOP - 12}" text-anchor="end">{escape(unit)}</text></svg>')
    keys = "".join(
        '<span><svg viewBox="0 0 28 8" width="28" height="8" aria-hidden="true"><path '
        f'class="{line.look}" d="M0 4H28"/></svg> '
        f"{escape(line.label)}</span>"
        for line in lines
    )
    return f"<figure>{''.join(out)}<figcaption>{keys}</figcaption></figure>"


def _path(
    hours: Floats, line: Line, x: Callable[[float], float], y: Callable[[float], float], block: int
) -> str:
    """The extremes of each pixel column, of `block` points, so that no peak is lost."""
    n = len(hours)
    points: list[tuple[float, float] | None] = []
    for start in range(0, n, block):
        part = line.y[start : start + block]
        good = np.flatnonzero(np.isfinite(part))
        if not len(good):
            points.append(None)
            continue
        chosen = sorted({int(good[np.argmin(part[good])]), int(good[np.argmax(part[good])])})
        points += [(float(hours[start + i]), float(part[i])) for i in chosen]
    text, pen_up, last_y = [], True, ""
    for point in points:
        if point is None:
            pen_up = True
            continue
        px, py = f"{x(point[0]):.1f}", f"{y(point[1]):.1f}"
        if pen_up:
            text.append(f"M{px} {py}")
        elif line.steps:
            if py != last_y:
                text.append(f"H{px}V{py}")
        else:
            text.append(f"L{px} {py}")
        pen_up, last_y = False, py
    if line.steps and text and n:
        text.append(f"H{x(float(hours[-1])):.1f}")
    return "".join(text)


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round values from low to high, at most about `most`."""
    raw = (high - low) / max(most, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) for k in range(first, math.floor(high / step + 1e-9) + 1)]


def clock(hours: float) -> str:
    """Hours as h:mm."""
    minutes = round(hours * 60)
    return f"{minutes // 60}:{minutes % 60:02d}"
