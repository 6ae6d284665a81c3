"""Values that cross a module border: readings in, decisions out.

A leaf: imports nothing of the package, so that every other part may import it. All values are
frozen; temperatures are in °C, times in s, openings are 0 (shut) .. 1 (open), linear in flow.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

COARSE_C = 0.4  # a probe that shows no finer steps than this shows half or whole degrees


class Settings:
    """Base of the frozen dataclasses that hold settings: a record keeps all their fields.

    Their defaults change from version to version, and a cook must not change with them.
    """

    __slots__ = ()


class ProbeFaultKind(StrEnum):
    """Why a probe gave no temperature. A fault is never a number."""

    OPEN = "open"
    SHORT = "short"
    SHORT_TO_GROUND = "short_to_ground"
    SHORT_TO_SUPPLY = "short_to_supply"
    OUT_OF_RANGE = "out_of_range"
    IMPLAUSIBLE_RATE = "implausible_rate"
    STUCK = "stuck"
    STALE = "stale"
    CHECKSUM = "checksum"
    NOT_READY = "not_ready"
    BUS = "bus"
    TIMEOUT = "timeout"


@dataclass(frozen=True, slots=True)
class Reading:
    """A temperature that may be trusted. `age_s`: how old the measurement is when handed over, >= 0."""

    temp_c: float
    age_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ProbeFault:
    """A probe without a temperature; `detail` is one line for a person: what, where, next step."""

    kind: ProbeFaultKind
    detail: str = ""


Sample = Reading | ProbeFault


class Phase(StrEnum):
    """What the cook and the fire are doing. The table of moves is core/phases.py."""

    COLD = "cold"
    LIGHTING = "lighting"
    SETTLING = "settling"
    TENDING = "tending"
    LID_OFF = "lid_off"
    EASING = "easing"
    SNUFFING = "snuffing"
    OUT = "out"
    CUT_OFF = "cut_off"


NO_FIRE = frozenset({Phase.COLD, Phase.OUT})
"""Phases without a fire: nobody needs to look after the grill."""


@dataclass(frozen=True, slots=True)
class Machine:
    """What the shell knows of the machine it runs on. Each flag names the trouble: False is healthy.

    late_s: how late the present step is against its schedule. blind_s: time without steps before this
    one (a restart), 0 in normal running. blind_start is True in the first step after a restart.
    """

    late_s: float = 0.0
    blind_s: float = 0.0
    blind_start: bool = False
    clock_jump_s: float = 0.0
    servo_supply_low: bool = False
    under_voltage: bool = False
    board_hot: bool = False
    disk_failed: bool = False
    journal_corrupt: bool = False
    broker_lost_s: float = 0.0
    settings_changed: bool = False
    restarts_in_10_min: int = 0
    vent_driver_failed: bool = False


HEALTHY = Machine()


@dataclass(frozen=True, slots=True)
class Inputs:
    """All that one step of the core may know.

    pit: the air at the grate, away from the coals. pit_2: a second one there. dome: at the lid.
    foods: (name, sample) per food probe, always in the same order. lid_open: a lid switch, None
    without one. events: what people asked for since the last step, in order (coalminder.events).
    """

    pit: Sample
    pit_2: Sample | None = None
    dome: Sample | None = None
    ambient: Sample | None = None
    foods: tuple[tuple[str, Sample], ...] = ()
    lid_open: bool | None = None
    events: tuple[object, ...] = ()
    machine: Machine = HEALTHY


class Action(StrEnum):
    """What a fault makes the daemon do, weakest first; compare with `severity`."""

    NOTE = "note"
    WARN = "warn"
    THROTTLE = "throttle"
    SNUFF = "snuff"
    SNUFF_AND_STOP = "snuff_and_stop"

    @property
    def severity(self) -> int:
        """0 (note) .. 4 (snuff and stop)."""
        return _SEVERITY[self]


_SEVERITY = {action: rank for rank, action in enumerate(Action)}


class AlarmState(StrEnum):
    """States of an alarm, after ISA-18.2 (2016) / IEC 62682, figure of the alarm state transitions."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched_acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm that is not normal. `raised_s`: control time of its first appearance."""

    code: str
    state: AlarmState
    action: Action
    priority: str  # "high" | "medium" | "low"
    active: bool  # the condition holds now
    raised_s: float
    message: str
    remedy: str
    first_out: bool = False
    cleared_s: float | None = None


@dataclass(frozen=True, slots=True)
class Terms:
    """The loop's parts, for the record: all in the loop's own output unit (ln of relative draught)."""

    p: float = 0.0
    i: float = 0.0
    d: float = 0.0
    output: float = 0.0


@dataclass(frozen=True, slots=True)
class FireEstimate:
    """What the core believes of the fire. Intervals are 90 %. None where it does not know yet.

    heat_w: heat being released into the kettle. starvation_frac: 0 well fed .. 1 about to go out.
    fuel_left_min: minutes of tending that the charcoal lasts.
    """

    heat_w: float | None = None
    starvation_frac: float | None = None
    fuel_left_min: float | None = None
    fuel_left_low_min: float | None = None
    fuel_left_high_min: float | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """The answer to one event: accepted, or refused and why (one line for a person)."""

    event_id: str
    accepted: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class OutMessage:
    """One message for the broker: `body` is JSON text, `utc_s` when what it tells happened."""

    topic: str
    body: str
    utc_s: float
    retain: bool = True


@dataclass(frozen=True, slots=True)
class CommandRecord:
    """What the record keeps of one command: who asked what (as far as the broker tells), and the answer.

    payload: as it came, cut to the size limit, undecodable bytes replaced.
    """

    utc_s: float
    command_id: str
    client: str
    kind: str
    payload: str
    accepted: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Decision:
    """All that one step of the core wants done and known.

    lower, upper: vent openings 0..1, linear in flow. alarms: every alarm that is not normal, oldest
    first. advice: codes of core/advice.py. probe_ok: False when the pit reading was not used.
    """

    phase: Phase
    set_point_c: float
    lower: float
    upper: float
    pit_c: float | None = None
    alarms: tuple[Alarm, ...] = ()
    outcomes: tuple[Outcome, ...] = ()
    advice: tuple[str, ...] = ()
    terms: Terms = Terms()
    fire: FireEstimate = FireEstimate()
    lid_off: bool = False
    in_band: bool = False
    probe_ok: bool = True
