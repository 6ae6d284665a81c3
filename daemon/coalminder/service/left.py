"""Food of an earlier run that this one does not follow: it is told once more, not forgotten in silence."""

from __future__ import annotations

import logging
import math
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from coalminder.core import State
from coalminder.food.foodstate import FoodState
from coalminder.food.left import left_over
from coalminder.journal import Resume, resume

log = logging.getLogger("coalminder")

TOLD_WITHIN_S = 24 * 3600.0
"""Of food older than that everybody knows what became of it [estimate]."""
_MOST_UTC_S = 4e9  # a clock that stood so far ahead is wrong: no date is


@dataclass(frozen=True, slots=True)
class KeptFood:
    """What matters here of a stored state; the codec passes over the rest."""

    food: FoodState
    last_s: float | None


def with_left_on_record(state: State, directory: Path, utc_s: float) -> State:
    """`state` with words for the food of the newest record in `directory`."""
    kept = resume(directory, KeptFood, utc_s, within_s=math.inf, ended=lambda _state: False)
    return with_left(state, kept) if isinstance(kept, Resume) else state


def with_left(state: State, kept: Resume[KeptFood] | Resume[State]) -> State:
    """`state` with words for the food that was `kept`.

    They name the hour by the clock of that time: a board without a clock of its own does not know how long
    ago it was.
    """
    last_s = kept.state.last_s or 0.0

    def when(at_s: float) -> str:
        then_s = min(max(kept.last_utc_s - (last_s - at_s), 0.0), _MOST_UTC_S)
        return f"{datetime.fromtimestamp(then_s):%Y-%m-%d %H:%M}"

    left = left_over(kept.state.food, last_s, when) if kept.age_s <= TOLD_WITHIN_S else ""
    if not left:
        return state
    log.warning("%s", left)
    return replace(state, food=replace(state.food, left=left))
