"""Hours of a plan: real time through the nights in which the clocks change, and when people sleep.

Owns: reckoning with the hours of a day. Must not know: what is done in them.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

NIGHT_BEGINS_H, NIGHT_ENDS_H, EVENING_H = 23, 6, 21


def earlier(at: datetime, seconds: float) -> datetime:
    """`seconds` before `at` in real time, shown in its own zone: a night may have 23 or 25 hours."""
    return (at.astimezone(UTC) - timedelta(seconds=seconds)).astimezone(at.tzinfo)


def at_night(at: datetime) -> bool:
    """Whether `at`, in its own zone, is when people sleep."""
    return not NIGHT_ENDS_H <= at.hour < NIGHT_BEGINS_H


def evening_before(at: datetime) -> datetime:
    """The last evening hour at which work still begins, before `at`."""
    evening = at.replace(hour=EVENING_H, minute=30, second=0, microsecond=0)
    return evening if evening <= at else evening - timedelta(days=1)
