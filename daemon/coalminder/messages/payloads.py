"""Models of every message. One JSON object each: a version, UTC times in ISO 8601, units in the names.

`VERSION` rises when a field changes its meaning or goes away; a new field does not raise it, so readers
must ignore fields that they do not know. Commands are stricter: an unknown field is refused, since the
sender meant something that the daemon would not do.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    FiniteFloat,
    StringConstraints,
    ValidationError,
)

from coalminder.values import AlarmState

VERSION = 1


def _to_utc(value: datetime) -> datetime:
    try:
        return value.astimezone(UTC)
    except OverflowError:
        raise ValueError("a time outside the years 1 to 9999") from None


Utc = Annotated[AwareDatetime, AfterValidator(_to_utc)]
Fraction = Annotated[FiniteFloat, Field(ge=0.0, le=1.0)]
CommandId = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9._:-]{1,64}$")]
AlarmCode = Annotated[str, StringConstraints(pattern=r"^[a-z0-9_-]{0,32}$")]


def first_trouble(error: ValidationError) -> str:
    """The first thing that is wrong in a message, and where."""
    first = error.errors(include_url=False, include_context=False, include_input=False)[0]
    return ": ".join(filter(None, (".".join(str(part) for part in first["loc"]), first["msg"])))


def utc(seconds: float) -> datetime:
    """Seconds since 1970-01-01T00:00:00Z as UTC, to the millisecond. Clamped to the years 1970..9999."""
    return datetime.fromtimestamp(round(min(max(seconds, 0.0), 253402300799.0), 3), UTC)


class Message(BaseModel):
    """What every message from the daemon has. `utc`: when what it tells was so."""

    model_config = ConfigDict(frozen=True)

    version: Literal[1] = 1
    grill: str
    utc: Utc


class FoodTemperature(BaseModel):
    """One food probe: its temperature, or why there is none."""

    model_config = ConfigDict(frozen=True)

    name: str
    temp_c: FiniteFloat | None = Field(description="°C; null when the probe has a fault")
    fault: str | None = Field(default=None, description="kind of probe fault, null without one")


class Fire(BaseModel):
    """What the daemon believes of the fire; null where it does not know. Intervals are 90 %."""

    model_config = ConfigDict(frozen=True)

    heat_w: FiniteFloat | None = Field(default=None, description="heat released into the kettle, W")
    starvation_frac: FiniteFloat | None = Field(default=None, description="0 well fed .. 1 about to go out")
    fuel_left_min: FiniteFloat | None = Field(
        default=None, description="minutes of tending the charcoal lasts; 2880 is two days or more"
    )
    fuel_left_low_min: FiniteFloat | None = None
    fuel_left_high_min: FiniteFloat | None = None


class Band(BaseModel):
    """Where the pit should be, and where it must never go, in °C."""

    model_config = ConfigDict(frozen=True)

    low_c: FiniteFloat = 80.0
    high_c: FiniteFloat = 105.0
    ceiling_c: FiniteFloat = 121.0


class StateMessage(Message):
    """The grill now. Retained on `state`; sent when it changes and every few seconds."""

    daemon: str = Field(description="version of the daemon")
    phase: str
    set_point_c: FiniteFloat
    pit_c: FiniteFloat | None = Field(description="°C; null when no pit probe can be trusted")
    pit_2_c: FiniteFloat | None = None
    dome_c: FiniteFloat | None = None
    ambient_c: FiniteFloat | None = None
    foods: tuple[FoodTemperature, ...] = ()
    lower_frac: Fraction = Field(description="opening of the lower vent, linear in flow")
    upper_frac: Fraction = Field(description="opening of the upper vent, linear in flow")
    lid_off: bool
    in_band: bool
    probe_ok: bool
    band: Band = Band()
    fire: Fire = Fire()
    advice: tuple[str, ...] = Field(default=(), description="codes of what to do next")
    alarms: tuple[str, ...] = Field(
        default=(), description="codes of alarms that are not normal, oldest first"
    )
    machine: tuple[str, ...] = Field(default=(), description="troubles of the machine, in words")
    seq: int | None = Field(default=None, description="on `state/late` only: the order among late messages")
    late: bool = Field(default=False, description="true: could not be sent when it was so")


CALLS_NOBODY = frozenset({AlarmState.NORMAL, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
"""Alarm states that are shown to nobody: no alarm, or one that a person or the design has put aside."""


class AlarmMessage(Message):
    """One alarm after a change of its state. Retained on `alarm/<code>`, QoS 1, in order of `seq`."""

    code: str
    seq: int = Field(
        description="rises by one or more with each change; a repeat keeps its number, "
        "0 when there was no change since the daemon's start"
    )
    state: str = Field(description="ISA-18.2 alarm state")
    active: bool = Field(description="the condition holds now")
    action: str
    priority: Literal["high", "medium", "low"]
    message: str
    remedy: str
    first_out: bool = False
    raised_utc: Utc | None = None
    cleared_utc: Utc | None = None
    change: bool = Field(
        default=True, description="false: a repeat for those who have just come, nothing changed"
    )
    late: bool = Field(default=False, description="true: could not be sent when it happened")


class ReplyMessage(Message):
    """The answer to one command."""

    id: str = Field(description="id of the command; empty when the command had none that could be read")
    kind: str
    accepted: bool
    reason: str = Field(default="", description="why it was refused, one line")


class CommandMessage(BaseModel):
    """What every command has. Unknown fields are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    version: Literal[1] = 1
    id: CommandId = Field(description="made by the sender, used once: a UUID is good")
    issued_utc: Utc = Field(description="when the person asked, ISO 8601 with a zone")
    client: Annotated[str, StringConstraints(max_length=64)] = Field(
        default="", description="who asks, for the record"
    )


class SetPointCommand(CommandMessage):
    """Hold the pit at `temp_c`."""

    temp_c: FiniteFloat


class LidCommand(CommandMessage):
    """The lid comes off (true) or is back on (false)."""

    lid_open: bool


class WoodCommand(CommandMessage):
    """Wood was laid on the coals."""

    mass_kg: FiniteFloat = Field(gt=0.0)


class CharcoalCommand(CommandMessage):
    """Charcoal was laid on the bed."""

    mass_kg: FiniteFloat = Field(gt=0.0)
    lit: bool = False


class AcknowledgeCommand(CommandMessage):
    """An alarm was seen; an empty code means all there were at `issued_utc`, and that somebody is there."""

    code: AlarmCode = ""


class ShelveCommand(CommandMessage):
    """Silence the alarm `code` for `for_s` seconds; 0 takes it off the shelf."""

    code: AlarmCode = Field(min_length=1)
    for_s: FiniteFloat = Field(default=900.0, ge=0.0)


class FoodCommand(CommandMessage):
    """The food moved on."""

    step: Literal["loaded", "rotated", "off", "chilled"]


COMMANDS: dict[str, type[CommandMessage]] = {
    "light": CommandMessage,
    "set_point": SetPointCommand,
    "tend": CommandMessage,
    "ease": CommandMessage,
    "snuff": CommandMessage,
    "reset": CommandMessage,
    "lid": LidCommand,
    "wood": WoodCommand,
    "charcoal": CharcoalCommand,
    "acknowledge": AcknowledgeCommand,
    "shelve": ShelveCommand,
    "food": FoodCommand,
}
"""Command kind -> model of its payload; the kinds are coalminder.events.KINDS."""
