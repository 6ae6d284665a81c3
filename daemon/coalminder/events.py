"""What a person may ask of the daemon, as the core sees it: already checked for form, age and sender.

Each event carries the id of the command it came from ("" when a program made it), so that the core's
Outcome can answer it. Kinds are the words of the MQTT command topics and of the journal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class Event:
    """Base of all events."""

    kind: ClassVar[str] = ""
    event_id: str = ""


@dataclass(frozen=True, slots=True)
class Light(Event):
    """The coals were lit, or are about to be."""

    kind: ClassVar[str] = "light"


@dataclass(frozen=True, slots=True)
class SetPoint(Event):
    """Hold the pit at `temp_c`."""

    kind: ClassVar[str] = "set_point"
    temp_c: float = 93.0


@dataclass(frozen=True, slots=True)
class Tend(Event):
    """Go (back) to tending at the set point, from easing."""

    kind: ClassVar[str] = "tend"


@dataclass(frozen=True, slots=True)
class Ease(Event):
    """Let the pit fall to keep warm."""

    kind: ClassVar[str] = "ease"


@dataclass(frozen=True, slots=True)
class Snuff(Event):
    """Shut the vents and let the fire go out. Always obeyed."""

    kind: ClassVar[str] = "snuff"


@dataclass(frozen=True, slots=True)
class Reset(Event):
    """A person has looked at a latched fault and its cause is gone. age_s: how long ago the person asked."""

    kind: ClassVar[str] = "reset"
    age_s: float = 0.0


@dataclass(frozen=True, slots=True)
class LidNotice(Event):
    """A person says that the lid is about to come off (True) or is back on (False)."""

    kind: ClassVar[str] = "lid"
    lid_open: bool = True


@dataclass(frozen=True, slots=True)
class WoodAdded(Event):
    """Wood was laid on the coals."""

    kind: ClassVar[str] = "wood"
    mass_kg: float = 0.08


@dataclass(frozen=True, slots=True)
class CharcoalAdded(Event):
    """Charcoal was laid on the bed."""

    kind: ClassVar[str] = "charcoal"
    mass_kg: float = 0.5
    lit: bool = False


@dataclass(frozen=True, slots=True)
class Acknowledge(Event):
    """A person has seen the alarm `code`; "" means all that were there, and that somebody is there.

    age_s: how long ago the person asked.
    """

    kind: ClassVar[str] = "acknowledge"
    code: str = ""
    age_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Shelve(Event):
    """Silence the alarm `code` for `for_s` seconds; 0 takes it off the shelf."""

    kind: ClassVar[str] = "shelve"
    code: str = ""
    for_s: float = 900.0


@dataclass(frozen=True, slots=True)
class FoodStep(Event):
    """The food moved on: loaded, rotated, off (the grill), chilled (in the refrigerator)."""

    kind: ClassVar[str] = "food"
    step: str = "loaded"


KINDS: dict[str, type[Event]] = {
    cls.kind: cls
    for cls in (
        Light,
        SetPoint,
        Tend,
        Ease,
        Snuff,
        Reset,
        LidNotice,
        WoodAdded,
        CharcoalAdded,
        Acknowledge,
        Shelve,
        FoodStep,
    )
}
