"""From bytes on a command topic to an event, or to a refusal with its reason. Pure.

A command must be of this grill and of a known kind, small, well-formed, inside the limits, fresh by its
own issue time, in order with its sender's earlier ones, and new. One thing is different: 'snuff' only
shuts vents, the safe direction, so it is obeyed however old, malformed or oversized it is. Only a
*retained* snuff must be fresh: the broker hands it out at every reconnect, and no person is asking.
What was asked for before a snuff, by whomever, must not give the fire air after it; and what a daemon
remembers of snuffs and ids ends with it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from pydantic import TypeAdapter, ValidationError

from coalminder import events
from coalminder.messages.payloads import COMMANDS, CommandId, CommandMessage, first_trouble
from coalminder.messages.topics import Topics


@dataclass(frozen=True, slots=True)
class CommandLimits:
    """Bounds of what the phone may ask. Temperatures in °C, masses in kg, times in s."""

    set_point_min_c: float = 55.0
    set_point_max_c: float = 110.0
    wood_max_kg: float = 0.5
    charcoal_max_kg: float = 4.0
    shelve_max_s: float = 7200.0
    stale_s: float = 30.0
    ahead_s: float = 5.0  # how far the sender's clock may be ahead
    max_bytes: int = 2048
    max_recent: int = 200  # commands within stale_s + ahead_s; more is a flood


_FOR_A_FIRE = frozenset({"light", "set_point", "tend", "ease", "reset"})
"""Kinds of which one that was asked for before a snuff, or before the daemon began, is refused after it."""

_ID: TypeAdapter[str] = TypeAdapter(CommandId)

_NO_UTF_8 = "it is no UTF-8; send JSON in UTF-8 without a byte order mark"

DEFAULT_LIMITS = CommandLimits()


@dataclass(frozen=True, slots=True)
class Received:
    """One message as it came off the network. `utc_s`: when it came, by the daemon's clock."""

    topic: str
    payload: bytes
    utc_s: float
    retained: bool = False
    response_topic: str | None = None
    correlation: bytes | None = None
    client: str = ""  # from the MQTT 5 user property 'client', else ""


@dataclass(frozen=True, slots=True)
class Refusal:
    """A command that goes no further: `reason` is one line for a person."""

    kind: str
    event_id: str
    reason: str
    client: str = ""


@dataclass(frozen=True, slots=True)
class Accepted:
    """A command that goes to the core as `event`, without an id when a snuff had none that could be read."""

    kind: str
    event: events.Event
    client: str = ""


@dataclass(frozen=True, slots=True)
class Memory:
    """What has to be remembered between commands; bounded by time and by `CommandLimits.max_recent`.

    recent: (id, issue time in UTC s) of commands accepted, still fresh enough to be repeated.
    newest: sender -> issue time of its newest accepted command.
    snuffed_s: when the newest snuff was asked for, in UTC s; when it came if it does not say. At first the
    daemon's own beginning: there may have been one before.
    """

    recent: tuple[tuple[str, float], ...] = ()
    newest: dict[str, float] = field(default_factory=dict)
    snuffed_s: float = -math.inf


_EVENTS: dict[str, Callable[[Any], events.Event]] = {
    "light": lambda c: events.Light(event_id=c.id),
    "set_point": lambda c: events.SetPoint(event_id=c.id, temp_c=c.temp_c),
    "tend": lambda c: events.Tend(event_id=c.id),
    "ease": lambda c: events.Ease(event_id=c.id),
    "snuff": lambda c: events.Snuff(event_id=c.id),
    "reset": lambda c: events.Reset(event_id=c.id),
    "lid": lambda c: events.LidNotice(event_id=c.id, lid_open=c.lid_open),
    "wood": lambda c: events.WoodAdded(event_id=c.id, mass_kg=c.mass_kg),
    "charcoal": lambda c: events.CharcoalAdded(event_id=c.id, mass_kg=c.mass_kg, lit=c.lit),
    "acknowledge": lambda c: events.Acknowledge(event_id=c.id, code=c.code),
    "shelve": lambda c: events.Shelve(event_id=c.id, code=c.code, for_s=c.for_s),
    "food": lambda c: events.FoodStep(event_id=c.id, step=c.step),
}


def judge(
    memory: Memory, received: Received, topics: Topics, limits: CommandLimits
) -> tuple[Memory, Accepted | Refusal]:
    """Decide on one message. The memory changes only when the command is accepted."""
    kind = topics.kind_of(received.topic) or ""
    if kind not in COMMANDS:
        return memory, Refusal(
            kind[:32],
            _id_of(received, limits),
            f"unknown command; there are: {', '.join(COMMANDS)}",
            received.client,
        )
    command, trouble = _parse(kind, received, limits)
    if received.retained and not (kind == "snuff" and command and _fresh(command, received.utc_s, limits)):
        return memory, Refusal(
            kind,
            _id_of(received, limits),
            "retained commands are refused: publish without the retain flag, and clear this one",
            received.client,
        )
    client = (command.client if command else "") or received.client
    if kind == "snuff":
        asked_s = min(command.issued_utc.timestamp() if command else math.inf, received.utc_s)
        memory = replace(memory, snuffed_s=max(memory.snuffed_s, asked_s))
        return memory, Accepted(kind, events.Snuff(event_id=_id_of(received, limits)), client)
    if command is None:
        return memory, Refusal(kind, _id_of(received, limits), trouble, client)
    memory = _forget(memory, received.utc_s, limits)
    trouble = _out_of_bounds(command, limits)
    trouble = trouble or _untimely(memory, kind, command, client, received.utc_s, limits)
    if trouble:
        return memory, Refusal(kind, command.id, trouble, client)
    issued_s = command.issued_utc.timestamp()
    memory = replace(
        memory,
        recent=(*memory.recent, (command.id, issued_s)),
        newest={**memory.newest, client: issued_s},
    )
    event = _EVENTS[kind](command)
    if isinstance(event, events.Acknowledge | events.Reset):
        event = replace(event, age_s=round(max(received.utc_s - issued_s, 0.0), 3))
    return memory, Accepted(kind, event, client)


def _parse(kind: str, received: Received, limits: CommandLimits) -> tuple[CommandMessage | None, str]:
    if len(received.payload) > limits.max_bytes:
        return None, f"too large: at most {limits.max_bytes} bytes"
    try:
        return COMMANDS[kind].model_validate_json(received.payload), ""
    except ValidationError as error:
        trouble = first_trouble(error) if _is_utf_8(received.payload) else _NO_UTF_8
        return None, f"not a valid '{kind}': {trouble}"[:300]


def _is_utf_8(payload: bytes) -> bool:
    try:
        return "\0" not in (text := payload.decode()) and not text.startswith("\ufeff")
    except UnicodeDecodeError:
        return False


def _id_of(received: Received, limits: CommandLimits) -> str:
    """The id of a command that is wrong otherwise, for its sender to know the answer by; else ""."""
    if len(received.payload) > limits.max_bytes:
        return ""
    try:
        text = received.payload.decode(json.detect_encoding(received.payload), "replace")
        return _ID.validate_python(json.loads(text)["id"], strict=True)
    except (ValueError, TypeError, KeyError, RecursionError):  # a ValidationError is a ValueError
        return ""


def _out_of_bounds(command: CommandMessage, limits: CommandLimits) -> str:
    for name, low, high, unit in (
        ("temp_c", limits.set_point_min_c, limits.set_point_max_c, "°C"),
        ("mass_kg", 0.0, limits.charcoal_max_kg if hasattr(command, "lit") else limits.wood_max_kg, "kg"),
        ("for_s", 0.0, limits.shelve_max_s, "s"),
    ):
        value = getattr(command, name, None)
        if value is not None and not low <= value <= high:
            return f"{name} {value:g} {unit} is outside {low:g} to {high:g} {unit}"
    return ""


def _fresh(command: CommandMessage, utc_s: float, limits: CommandLimits) -> bool:
    return -limits.ahead_s <= utc_s - command.issued_utc.timestamp() <= limits.stale_s


def _untimely(
    memory: Memory, kind: str, command: CommandMessage, client: str, utc_s: float, limits: CommandLimits
) -> str:
    issued_s = command.issued_utc.timestamp()
    if utc_s - issued_s > limits.stale_s:
        return (
            f"stale: issued {utc_s - issued_s:.0f} s ago, at most {limits.stale_s:g} s; "
            "ask again, or set the clocks right"
        )
    if issued_s - utc_s > limits.ahead_s:
        return f"issued {issued_s - utc_s:.0f} s in the future; set the clocks right"
    if any(seen == command.id for seen, _ in memory.recent):
        return "duplicate: this id was accepted before"
    # without a name two phones whose clocks differ would shut each other out
    if client and issued_s < memory.newest.get(client, issued_s):
        return "out of order: a newer command of this sender was accepted before"
    if len(memory.recent) >= limits.max_recent:
        return f"too many: at most {limits.max_recent} commands in {limits.stale_s + limits.ahead_s:g} s"
    if kind in _FOR_A_FIRE and issued_s < memory.snuffed_s:
        return "the fire was snuffed, or the daemon began, after this was asked; ask again"
    return ""


def _forget(memory: Memory, utc_s: float, limits: CommandLimits) -> Memory:
    """Drop what is too old to matter: a command issued before this moment would be stale anyhow."""
    oldest_s, latest_s = utc_s - limits.stale_s, utc_s + limits.ahead_s
    recent = tuple(item for item in memory.recent if oldest_s <= item[1] <= latest_s)
    newest = {client: at_s for client, at_s in memory.newest.items() if oldest_s <= at_s <= latest_s}
    snuffed_s = memory.snuffed_s if oldest_s <= memory.snuffed_s <= latest_s else -math.inf
    return Memory(recent, newest, snuffed_s)
