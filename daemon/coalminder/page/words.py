"""What phases, alarm states and commands are called on the page, and which command is offered when. Pure.

Only words of the trade and of ISA-18.2; the daemon judges every command again.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from coalminder.core.phases import TRANSITIONS, Move, Refused
from coalminder.safety.view import FIRE_PHASES
from coalminder.values import AlarmState, Phase

P = Phase

# phase -> (word, what it means). {set_point} is filled in.
PHASES: dict[str, tuple[str, str]] = {
    P.COLD: ("Cold", "No fire is known of. The vents are shut."),
    P.LIGHTING: ("Lighting", "The coals are coming up. The vents are wide open."),
    P.SETTLING: ("Settling", "The pit is on its way to {set_point}."),
    P.TENDING: ("Tending", "The pit is held at {set_point}."),
    P.LID_OFF: ("Lid off", "The vents wait until the lid is back on."),
    P.EASING: ("Easing", "The pit is held at {set_point} to keep the food warm."),
    P.SNUFFING: (
        "Snuffing",
        "The vents are shut and the fire goes out. The coals stay hot for an hour or more: leave the lid on.",
    ),
    P.OUT: ("Out", "The fire is out. Ashes can stay hot for two days."),
    P.CUT_OFF: ("Cut off", "A fault shut the vents. The coals stay hot: leave the lid on."),
}

# phase in which the pit is held -> the same while the pit is under, or over, its place
AWAY: dict[str, dict[str, str]] = {
    P.TENDING: {
        "under": "The vents work to bring the pit back up to {set_point}.",
        "over": "The vents work to bring the pit back down to {set_point}.",
    },
    P.EASING: {
        "under": "The vents work to bring the pit back up to {set_point}, to keep the food warm.",
        "over": "The pit falls to {set_point} to keep the food warm.",
    },
}

# phase -> what to do when nothing else is asked for
NEXT: dict[str, str] = {
    P.COLD: "Outdoors only: charcoal makes carbon monoxide. When the coals are lit, say so below.",
    P.LIGHTING: "Stay at the grill until the pit settles.",
    P.SETTLING: "Leave the lid on. More air now means too much heat later.",
    P.TENDING: "Nothing to do now. Look at the grill at least once an hour, then tap 'I have looked'.",
    P.LID_OFF: "Put the lid back on soon: with the lid off the fire grows.",
    P.EASING: "Keep hot food above 57 °C, or cool it quickly.",
    P.SNUFFING: "Leave the lid on and keep children away.",
    P.OUT: "Empty the ashes only when they are fully cold (48 h), into metal.",
    P.CUT_OFF: "Go to the grill. Find the cause, then reset.",
}

# the same beside an alarm that stands, where it would be untrue
NEXT_ALARMED: dict[str, str] = {
    P.TENDING: "Do what the alarms above ask. Look at the grill at least once an hour, then tap 'I have "
    "looked'.",
}

# phases in which that comes before all that the food asks for
FIRST = frozenset({P.COLD, P.LIGHTING, P.LID_OFF, P.EASING, P.SNUFFING, P.OUT, P.CUT_OFF})

ALARM_STATES: dict[str, str] = {
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED_UNACKNOWLEDGED: "over, not acknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: "latched, not acknowledged",
    AlarmState.LATCHED_ACKNOWLEDGED: "latched, acknowledged",
    AlarmState.SHELVED: "shelved",
}
STANDS = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
TO_ACKNOWLEDGE = frozenset(
    {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED}
)

PROBE_FAULTS: dict[str, str] = {
    "open": "probe open: plug or cable",
    "short": "probe shorted",
    "stale": "no fresh reading",
    "bus": "probe not reached",
    "timeout": "probe does not answer",
}


@dataclass(frozen=True, slots=True)
class Ask:
    """One button. `confirm`: what to ask before sending, "" sends at once.

    amount: (label, least, default) of a mass that goes with it, in kg. option: label of a tick that
    goes with it as `lit`. move: the move of the phase table that it asks for.
    """

    kind: str
    label: str
    fields: Mapping[str, Any] = field(default_factory=dict)
    confirm: str = ""
    amount: tuple[str, float, float] | None = None
    option: str = ""
    move: Move | None = None


_TEND_AGAIN = "Tend again"
_TEND_FIRST = "Begin to tend now"
_ASKS: tuple[Ask, ...] = (
    Ask(
        "light", "Coals are lit", move=Move.LIGHT,
        confirm="The vents open wide. Say this only at the grill, with the coals lit, outdoors.",
    ),
    Ask("tend", _TEND_AGAIN, move=Move.TEND),
    Ask("ease", "Ease (keep warm)", move=Move.EASE, confirm="The pit falls to keep the food warm."),
    Ask(
        "reset", "Reset", move=Move.RESET,
        confirm="Reset only when you have looked at the grill and the cause is gone.",
    ),
    Ask("wood", "Wood added", amount=("Wood laid on the coals", 0.01, 0.08)),
    Ask(
        "charcoal", "Charcoal added", amount=("Charcoal laid on the bed", 0.05, 0.5),
        option="It was lit",
    ),
)  # fmt: skip
_LID_OFF = Ask("lid", "Lid comes off", {"lid_open": True})
_LID_ON = Ask("lid", "Lid is back on", {"lid_open": False})
_FOOD: dict[str, tuple[Ask, ...]] = {
    "waiting": (Ask("food", "Food is on the grill", {"step": "loaded"}),),
    "cooking": (
        Ask("food", "Food was turned round", {"step": "rotated"}),
        Ask("food", "Food is off the grill", {"step": "off"}, confirm="Is all the food off the grill?"),
    ),
    "resting": (Ask("food", "Food is in the refrigerator", {"step": "chilled"}),),
}
_BEFORE_CHILLED = Ask("food", "Batch before is eaten or in the refrigerator", {"step": "chilled"})
# What came off may go on again, and another batch may follow; only over a fire: the food's clocks start anew.
_FOOD_AGAIN: dict[str, Ask] = {
    "resting": Ask(
        "food", "Food is on the grill again", {"step": "loaded"},
        confirm="Say this when the food is back on the grill, or when another batch is on it.",
    ),
    "chilled": Ask(
        "food", "Another batch is on the grill", {"step": "loaded"},
        confirm="The clocks of the batch before end, those of the new one start now.",
    ),
}  # fmt: skip


def asks(phase: str, *, lid_off: bool, food_stage: str, before_out: bool = False) -> tuple[Ask, ...]:
    """The buttons that make sense now, by the core's own table of moves. food_stage "": none was heard.

    before_out: food of before was not reported chilled.
    """
    if phase not in PHASES:
        return ()
    now = Phase(phase)
    out = [
        replace(ask, label=_TEND_FIRST) if ask.label == _TEND_AGAIN and now is P.LIGHTING else ask
        for ask in _ASKS
        if (ask.move is None and now in FIRE_PHASES) or (ask.move is not None and _offered(now, ask.move))
    ]
    if lid_off:
        out.insert(0, _LID_ON)
    elif now in FIRE_PHASES:
        out.insert(0, _LID_OFF)
    # Food counts without a plan too: how long it lies between cold and hot is watched all the same.
    stage = food_stage or ("waiting" if now in FIRE_PHASES else "")
    again = [_FOOD_AGAIN[stage]] if now in FIRE_PHASES and stage in _FOOD_AGAIN else []
    before = [_BEFORE_CHILLED] if before_out and stage != "resting" else []
    return (*out, *_FOOD.get(stage, ()), *again, *before)


_SOURCE = re.compile(r"\s*\[[a-z0-9]+(?:-[a-z0-9]+)*\]")


def on_the_phone(text: str, offered: Iterable[Ask]) -> str:
    """A sentence of the food with the button that reports in place of the report, and no keys of sources."""
    for ask in offered:
        if ask.kind == "food":
            text = text.replace(f"report '{ask.fields['step']}'", f"tap '{ask.label}'")
    return _SOURCE.sub("", text)


def _offered(phase: Phase, move: Move) -> bool:
    """Whether the table takes this move somewhere else from here."""
    cell = TRANSITIONS[phase][move]
    return cell is not None and not isinstance(cell, Refused)


def plain(code: str) -> str:
    """A code for a person who has no better words for it: 'pit_probe_lost' -> 'Pit probe lost'."""
    words = code.replace("_", " ").strip()
    return words[:1].upper() + words[1:]
