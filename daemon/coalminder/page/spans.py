"""Lengths of time for a person. Pure."""

from __future__ import annotations

DAY_MIN = 1440.0


def span(minutes: float) -> str:
    """A length of time for a person: '45 min', '3 h 10 min'. To 5 min from an hour on."""
    if minutes > DAY_MIN:
        return "more than a day"
    if minutes < 60:
        text = f"{max(minutes, 0):.0f} min"
    else:
        hours, rest = divmod(5 * round(minutes / 5), 60)
        text = f"{hours} h {rest} min" if rest else f"{hours} h"
    return text.replace(" ", "\N{NO-BREAK SPACE}")
