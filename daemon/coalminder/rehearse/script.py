"""What the cook does during a rehearsal, as data: lids lifted, wood laid on."""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.errors import UserError


@dataclass(frozen=True, slots=True)
class Script:
    """lid_lifts: (at_s, for_s); wood: (at_s, kg); charcoal: (at_s, kg). Times from the start."""

    lid_lifts: tuple[tuple[float, float], ...] = ()
    wood: tuple[tuple[float, float], ...] = ()
    charcoal: tuple[tuple[float, float], ...] = ()

    def lid_open(self, at_s: float) -> bool:
        """Whether the lid is off at `at_s`."""
        return any(start <= at_s < start + length for start, length in self.lid_lifts)

    def wood_between(self, from_s: float, to_s: float) -> float:
        """Wood laid on in from_s <= t < to_s, kg."""
        return sum(kg for at, kg in self.wood if from_s <= at < to_s)

    def charcoal_between(self, from_s: float, to_s: float) -> float:
        """Charcoal laid on in from_s <= t < to_s, kg."""
        return sum(kg for at, kg in self.charcoal if from_s <= at < to_s)


#: The demo: the lid off twice (fish on; pieces rotated), alder laid on twice.
DEMO = Script(lid_lifts=((2700.0, 120.0), (8100.0, 120.0)), wood=((2760.0, 0.08), (5400.0, 0.08)))


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
