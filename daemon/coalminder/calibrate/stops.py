"""End stops of a vent, by hand and eye: the person moves the plate and says where it ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from coalminder.errors import UserError
from coalminder.settings.calibration import VentCorrection
from coalminder.vents.servo import ServoVent

HELP = (
    "type a part of the stroke (0 to 1), + or - (a hundredth), ++ or -- (a twentieth);\n"
    "s: here it is just shut, o: here it is just open, q: done, x: give up"
)
STEPS = {"+": 0.01, "-": -0.01, "++": 0.05, "--": -0.05}


@dataclass(frozen=True, slots=True)
class Stops:
    """Parts of the stroke where the plate is shut and open."""

    shut: float
    opened: float


def find_stops(vent: ServoVent, ask: Callable[[str], str], say: Callable[[str], None]) -> Stops:
    """Let the person find the stops with `vent`, whose own stops must be 0 and 1. UserError when given up."""
    say(HELP)
    try:
        vent.move_to_position(0.0)
        return _found(vent, ask, say)
    except BaseException:
        vent.move_to_position(0.0)  # given up or interrupted: not left open
        raise


def _found(vent: ServoVent, ask: Callable[[str], str], say: Callable[[str], None]) -> Stops:
    at, shut, opened = 0.0, None, None
    while True:
        word = ask(f"at {at:.2f} of the stroke> ").strip().lower()
        if word in STEPS:
            at = min(1.0, max(0.0, at + STEPS[word]))
            vent.move_to_position(at)
        elif word == "s":
            shut = at
            say(f"shut at {at:.3f}")
        elif word == "o":
            opened = at
            say(f"open at {at:.3f}")
        elif word == "q":
            if shut is None or opened is None:
                say("mark both: s where it is just shut, o where it is just open")
            elif opened < shut:
                say("open lies before shut: set 'reversed' the other way round in the configuration")
            elif opened - shut < 0.05:
                say("shut and open are too close to each other")
            else:
                vent.move_to_position(shut)
                return Stops(shut, opened)
        elif word in ("x", ""):
            raise UserError("given up; nothing was changed")
        else:
            at = _number(word, at, say)
            vent.move_to_position(at)


def with_stops(stops: Stops, earlier: VentCorrection, ends_us: tuple[float, float]) -> VentCorrection:
    """The correction with new stops; a learned curve belongs to the old ones and is dropped.

    ends_us: see `VentCorrection`.
    """
    found = VentCorrection(
        stop_shut=round(stops.shut, 4), stop_open=round(stops.opened, 4), ends_us=ends_us, curve=earlier.curve
    )
    return found if found == earlier else found.model_copy(update={"curve": None})


def _number(word: str, at: float, say: Callable[[str], None]) -> float:
    try:
        value = float(word)
    except ValueError:
        value = float("nan")
    if 0.0 <= value <= 1.0:
        return value
    say(HELP)
    return at
