"""The times of a table's rows as loggers write them, in seconds. Pure."""

from __future__ import annotations

import math
import re

import numpy as np
import polars as pl

from coalminder.replay.fopdt import Floats

_DAY_S = 86400.0
_CLOCK = r"(\d{1,3}):([0-5]\d)(?::([0-5]\d(?:[.,]\d+)?))?(?:\s*([ap])\.?m\.?)?"
_ALONE = re.compile(_CLOCK, re.IGNORECASE)
_HALVES = re.compile(rf"(?<=[\sT]){_CLOCK}$", re.IGNORECASE)  # behind its day


def seconds(text: pl.Series) -> Floats | None:
    """`text` in s, NaN for what is no time; None where none is.

    Understood are times of the day, or since the start (`18:05:30`, `6:05 pm`; a clock that goes back by more
    than half a day has passed midnight), and moments with their day, in UTC unless they tell a zone. Of two
    numbers (`18:05`) the first is hours, or minutes where one is over 23: no cook is that long.
    """
    cells = text.to_list()
    found = [None if cell is None else _ALONE.fullmatch(cell) for cell in cells]
    if any(found):
        short = all(match is None or match[3] is None for match in found)
        of_minutes = short and any(match is not None and int(match[1]) > 23 for match in found)
        at_s = np.array([math.nan if match is None else _clock_s(match) for match in found])
        return _over_midnight(at_s / 60.0 if of_minutes else at_s)
    moments = pl.Series([cell and _HALVES.sub(_full_day, cell) for cell in cells], dtype=pl.String)
    moments = moments.str.to_datetime(strict=False, time_zone="UTC")
    if moments.null_count() == len(moments):
        return None
    return np.asarray(moments.dt.timestamp("us").cast(pl.Float64).fill_null(math.nan).to_numpy() / 1e6)


def _clock_s(match: re.Match[str]) -> float:
    hours, minutes, rest, half = match.groups()
    hour = int(hours)
    if half:
        hour = hour % 12 + (12 if half.lower() == "p" else 0)
    return 3600.0 * hour + 60.0 * int(minutes) + (float(rest.replace(",", ".")) if rest else 0.0)


def _full_day(match: re.Match[str]) -> str:
    """A time of half a day (6:05 pm) as one of a whole."""
    if not match[4]:
        return match[0]
    at_s = _clock_s(match)
    return f"{int(at_s // 3600):02d}:{match[2]}:{match[3] or '00'}"


def _over_midnight(at_s: Floats) -> Floats:
    known = np.flatnonzero(np.isfinite(at_s))
    days = np.cumsum(np.diff(at_s[known], prepend=at_s[known[:1]]) < -0.5 * _DAY_S)
    at_s[known] += _DAY_S * days
    return at_s
