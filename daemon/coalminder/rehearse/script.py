"""What the cook does during a rehearsal, from the command line."""

from __future__ import annotations

from collections.abc import Sequence

from coalminder.errors import UserError
from coalminder.grill.scenario import Disturbance, LidLift, Wood


def parse_script(lid_lifts: Sequence[str], wood: Sequence[str]) -> tuple[Disturbance, ...]:
    """'AT_S:FOR_S' and 'AT_S:KG' as disturbances. Raises UserError with the accepted form and range."""
    lifts = [parse_pair(text, "--lid-lift", "FOR_S", 0.0, 7200.0) for text in lid_lifts]
    pieces = [parse_pair(text, "--wood", "KG", 0.0, 5.0) for text in wood]
    return (*(LidLift(at, length) for at, length in lifts), *(Wood(at, kg) for at, kg in pieces))


def parse_pair(text: str, option: str, what: str, low: float, high: float) -> tuple[float, float]:
    """'AT_S:VALUE' as two numbers; UserError with the accepted form and range otherwise."""
    form = f"{option} takes AT_S:{what}, for example {option} 2700:{'120' if what == 'FOR_S' else '0.08'}"
    parts = text.split(":")
    try:
        at, value = (float(part) for part in parts)
    except ValueError:
        raise UserError(f"{option} '{text}' cannot be read; {form}") from None
    if not (0.0 <= at <= 1e6 and low < value <= high):
        raise UserError(
            f"{option} '{text}' is out of range; AT_S 0 to 1e6, {what} over {low:g} up to {high:g}; {form}"
        )
    return at, value
