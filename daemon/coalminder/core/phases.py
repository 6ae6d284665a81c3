"""The phases of a cook as a table: phase x move -> phase. All that can change a phase is here.

Two rules: (1) every phase has a row for every move; a missing one is an error, so that nothing is ignored
by accident. (2) From every phase SNUFF and FAULT lead to shut vents. docs/states.md shows the same table.
"""

from __future__ import annotations

from enum import StrEnum

from coalminder.values import Phase


class Move(StrEnum):
    """What can move a phase. The first seven are asked for by people, the others seen by the core."""

    LIGHT = "light"
    TEND = "tend"
    EASE = "ease"
    SNUFF = "snuff"
    RESET = "reset"
    SET_POINT = "set_point"
    LID_OFF = "lid_off"
    LID_ON = "lid_on"
    NEARING = "nearing"
    STEADY = "steady"
    COOLED = "cooled"
    FAULT = "fault"


class Vents(StrEnum):
    """What the vents do in a phase."""

    SHUT = "shut"
    WIDE = "wide"
    LOOP = "loop"
    HOLD = "hold"


class PhaseError(LookupError):
    """A move without a row in the table: a defect of this program, never of its user."""


class Refused(str):
    """A cell that refuses a person's move; the text says why."""

    __slots__ = ()


class _Back:
    """A cell that returns to the phase before the lid came off."""


STAY = None
BACK = _Back()

_LIT_ALREADY = Refused("the fire is lit already")
_NO_FIRE = Refused("there is no fire to tend; light it and say so first")
_LID_FIRST = Refused("the lid is off; put it back first")
_GOING_OUT = Refused("the vents are shut to put the fire out; say 'light' to keep it")
_LATCHED = Refused("a fault is latched; remove its cause, then reset")
_NOTHING = Refused("nothing is latched")
_LIGHTING = Refused("the fire is still coming up")

P, M = Phase, Move
Cell = Phase | Refused | _Back | None

TRANSITIONS: dict[Phase, dict[Move, Cell]] = {
    P.COLD: {
        M.LIGHT: P.LIGHTING, M.TEND: _NO_FIRE, M.EASE: _NO_FIRE, M.SNUFF: P.SNUFFING, M.RESET: _NOTHING,
        M.SET_POINT: STAY, M.LID_OFF: STAY, M.LID_ON: STAY, M.NEARING: STAY, M.STEADY: STAY, M.COOLED: STAY,
        M.FAULT: P.CUT_OFF,
    },
    P.LIGHTING: {
        M.LIGHT: _LIT_ALREADY, M.TEND: P.SETTLING, M.EASE: _LIGHTING, M.SNUFF: P.SNUFFING, M.RESET: _NOTHING,
        M.SET_POINT: STAY, M.LID_OFF: STAY, M.LID_ON: STAY, M.NEARING: P.SETTLING, M.STEADY: STAY,
        M.COOLED: STAY, M.FAULT: P.CUT_OFF,
    },
    P.SETTLING: {
        M.LIGHT: _LIT_ALREADY, M.TEND: STAY, M.EASE: P.EASING, M.SNUFF: P.SNUFFING, M.RESET: _NOTHING,
        M.SET_POINT: STAY, M.LID_OFF: P.LID_OFF, M.LID_ON: STAY, M.NEARING: STAY, M.STEADY: P.TENDING,
        M.COOLED: STAY, M.FAULT: P.CUT_OFF,
    },
    P.TENDING: {
        M.LIGHT: _LIT_ALREADY, M.TEND: STAY, M.EASE: P.EASING, M.SNUFF: P.SNUFFING, M.RESET: _NOTHING,
        M.SET_POINT: P.SETTLING, M.LID_OFF: P.LID_OFF, M.LID_ON: STAY, M.NEARING: STAY, M.STEADY: STAY,
        M.COOLED: STAY, M.FAULT: P.CUT_OFF,
    },
    P.LID_OFF: {
        M.LIGHT: _LIT_ALREADY, M.TEND: _LID_FIRST, M.EASE: _LID_FIRST, M.SNUFF: P.SNUFFING, M.RESET: _NOTHING,
        M.SET_POINT: STAY, M.LID_OFF: STAY, M.LID_ON: BACK, M.NEARING: STAY, M.STEADY: STAY, M.COOLED: STAY,
        M.FAULT: P.CUT_OFF,
    },
    P.EASING: {
        M.LIGHT: _LIT_ALREADY, M.TEND: P.SETTLING, M.EASE: STAY, M.SNUFF: P.SNUFFING, M.RESET: _NOTHING,
        M.SET_POINT: P.SETTLING, M.LID_OFF: P.LID_OFF, M.LID_ON: STAY, M.NEARING: STAY, M.STEADY: STAY,
        M.COOLED: STAY, M.FAULT: P.CUT_OFF,
    },
    P.SNUFFING: {
        M.LIGHT: P.LIGHTING, M.TEND: _GOING_OUT, M.EASE: _GOING_OUT, M.SNUFF: STAY, M.RESET: _NOTHING,
        M.SET_POINT: STAY, M.LID_OFF: STAY, M.LID_ON: STAY, M.NEARING: STAY, M.STEADY: STAY, M.COOLED: P.OUT,
        M.FAULT: P.CUT_OFF,
    },
    P.OUT: {
        M.LIGHT: P.LIGHTING, M.TEND: _NO_FIRE, M.EASE: _NO_FIRE, M.SNUFF: STAY, M.RESET: _NOTHING,
        M.SET_POINT: STAY, M.LID_OFF: STAY, M.LID_ON: STAY, M.NEARING: STAY, M.STEADY: STAY, M.COOLED: STAY,
        M.FAULT: P.CUT_OFF,
    },
    P.CUT_OFF: {
        M.LIGHT: _LATCHED, M.TEND: _LATCHED, M.EASE: _LATCHED, M.SNUFF: STAY, M.RESET: P.SNUFFING,
        M.SET_POINT: STAY, M.LID_OFF: STAY, M.LID_ON: STAY, M.NEARING: STAY, M.STEADY: STAY, M.COOLED: STAY,
        M.FAULT: STAY,
    },
}  # fmt: skip

VENTS: dict[Phase, Vents] = {
    P.COLD: Vents.SHUT,
    P.LIGHTING: Vents.WIDE,
    P.SETTLING: Vents.LOOP,
    P.TENDING: Vents.LOOP,
    P.LID_OFF: Vents.HOLD,
    P.EASING: Vents.LOOP,
    P.SNUFFING: Vents.SHUT,
    P.OUT: Vents.SHUT,
    P.CUT_OFF: Vents.SHUT,
}

FIRE_TENDED = frozenset({P.SETTLING, P.TENDING, P.LID_OFF, P.EASING})


def follow(phase: Phase, move: Move, before_lid: Phase) -> Phase | Refused:
    """The phase after `move`, or why a person's move is refused.

    before_lid: the phase to go back to when the lid is on again. Raises PhaseError without a row.
    """
    try:
        cell = TRANSITIONS[phase][move]
    except KeyError:
        raise PhaseError(f"no row for move '{move}' in phase '{phase}'") from None
    if cell is STAY:
        return phase
    if isinstance(cell, _Back):
        return before_lid
    return cell
