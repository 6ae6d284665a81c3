"""What goes into the journal beside steps, and what comes back out. Frozen; no I/O."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from coalminder.values import OutMessage

S = TypeVar("S")
Waiting = tuple[tuple[int, OutMessage], ...]
"""Messages that the broker has not taken, oldest first, each with its number."""


@dataclass(frozen=True, slots=True)
class Header:
    """One run of the daemon within a cook. `settings` is what it ran with, as canonical JSON."""

    run: int
    version: str
    settings: str
    settings_sha256: str
    started_utc_s: float
    first_n: int
    state: Any  # plain form of the core's state before step first_n; None when it cannot be read


@dataclass(frozen=True, slots=True)
class Resume(Generic[S]):
    """A cook to go on with: the newest state on record and what was still to be delivered.

    state: of the core after step `state_n`, `age_s` seconds before now. last_n: the newest step, made at
    last_utc_s by the clock of the run that was ahead the most: one that starts in the past tells less.
    undelivered: messages the broker had not taken, oldest first. damage: what is wrong with the file it
    came from ("" when sound); a damaged file is set aside when the journal opens.
    """

    path: str
    state: S
    phase: str
    state_n: int
    last_n: int
    last_utc_s: float
    age_s: float
    undelivered: Waiting = ()
    next_message_id: int = 1
    damage: str = ""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why there is nothing to resume. `damaged_path`: the file to set aside, "" when none is damaged."""

    reason: str
    damaged_path: str = ""
    undelivered: Waiting = ()


@dataclass(frozen=True, slots=True)
class Health:
    """How the journal is, for the service to turn into facts of the machine. False is healthy.

    failed: the last attempt to write failed (disk full, read-only, gone); steps wait in memory.
    corrupt: a file was found damaged within the last minute and was set aside. lost_steps: steps dropped
    because too many waited.
    """

    failed: bool = False
    corrupt: bool = False
    detail: str = ""
    path: str = ""
    lost_steps: int = 0


@dataclass(frozen=True, slots=True)
class Start:
    """What a run of the daemon starts with. `state`: of the core before its first step."""

    version: str
    settings: Mapping[str, Any]
    utc_s: float
    state: object
