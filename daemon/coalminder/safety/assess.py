"""One step of the cut-offs: evidence forward, every row judged, people's events answered.

    assess(state, view, limits, events, now_s) -> (state, verdict)

Rules that hold whatever happens: shelving and acknowledging silence, they never end an action; a
latched fault ends only by a Reset while its cause is known to be gone; what cannot be told (no probe)
leaves an alarm as it is.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from coalminder.frozen import replace
from coalminder.safety import evidence as ev
from coalminder.safety.alarms import Signal, move
from coalminder.safety.answers import ANSWERED, answer
from coalminder.safety.fault import Fault
from coalminder.safety.faults import BY_CODE, FAULTS
from coalminder.safety.limits import Limits
from coalminder.safety.record import Record
from coalminder.safety.view import View
from coalminder.values import Action, Alarm, AlarmState, Outcome

_LATCHED_STATES = frozenset({AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED})
_ASIDE = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
_THROTTLE = Action.THROTTLE.severity
_JITTER_S = 0.25  # steps are a second apart, more or less: a delay of 5 s is five steps, not six


@dataclass(frozen=True, slots=True)
class SafetyState:
    """All that the cut-offs remember: plain frozen values, fit for the journal.

    records: oldest first. raises_s: times of the alarms raised of late. flood: they were so many that alarms
    of low priority are held back.
    """

    evidence: ev.Evidence
    records: tuple[Record, ...] = ()
    raises_s: tuple[float, ...] = ()
    flood: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the cut-offs want.

    action: the strongest in force, None when nothing is. cut_off: a latched fault that snuffs is in
    force; the vents go to and stay at the safe position. wary_since_s: when the alarm was raised that is
    gone, but lets no more draught than usually holds until somebody has acknowledged it; None for none.
    alarms: all that are not normal, oldest first. outcomes: answers to Acknowledge, Shelve and Reset, in
    order.
    """

    action: Action | None = None
    cut_off: bool = False
    wary_since_s: float | None = None
    alarms: tuple[Alarm, ...] = ()
    outcomes: tuple[Outcome, ...] = ()


def initial(now_s: float) -> SafetyState:
    """Nothing wrong, nothing known."""
    return SafetyState(ev.start(now_s))


def assess(
    state: SafetyState, view: View, limits: Limits, events: Iterable[object], now_s: float
) -> tuple[SafetyState, Verdict]:
    """Judge one step. Pure.

    Args:
        state: from the step before, or `initial`.
        view: this step's inputs and the openings in force.
        limits: the numbers of the table.
        events: what people asked for in this step (coalminder.events); Acknowledge, Shelve and Reset
            are answered here, every event counts as somebody being there.
        now_s: control time, s. A clock that went back (a restart) moves what is remembered with it.
    """
    if now_s < state.evidence.now_s:
        state = _shift(state, now_s - state.evidence.now_s)
    e = ev.advance(state.evidence, view, limits, events, now_s)
    raises_s, flood = state.raises_s, state.flood
    if view.machine.blind_start:  # nobody looked meanwhile: delays stood still
        state = replace(state, records=_delayed(state.records, now_s - state.evidence.now_s))
    # an upgrade may drop rows
    found = {record.code: record for record in state.records if record.code in BY_CODE}
    raw: dict[str, bool | None] = {}
    new: list[Record] = []
    for fault in FAULTS:
        before = found.get(fault.code)
        after = _judge(fault, before, view, e, limits, now_s, raw)
        if after is not before and after is not None:
            found[fault.code] = after
            if after.active and after.state is AlarmState.UNACKNOWLEDGED and not (before and before.active):
                new.append(after)
    if new or raises_s:
        raises_s, flood = _count(raises_s, len(new), flood, limits, now_s)
    _mark_first_out(found, new)
    outcomes = tuple(
        answer(event, found, raw, limits, now_s) for event in events if isinstance(event, ANSWERED)
    )
    for code, record in tuple(found.items()):
        found[code] = record = _set_aside(BY_CODE[code], record, view, limits, flood, now_s)
        if record.state is AlarmState.NORMAL and record.since_s is None:
            del found[code]
    kept = tuple(sorted(found.values(), key=_age))
    return SafetyState(e, kept, raises_s, flood), _verdict(kept, outcomes)


def _age(record: Record) -> float:
    return record.raised_s


def _judge(
    fault: Fault, record: Record | None, view: View, e: ev.Evidence, limits: Limits, now_s: float,
    raw: dict[str, bool | None],
) -> Record | None:  # fmt: skip
    """Run the row's condition and its delays."""
    idle = record is None or (record.state is AlarmState.NORMAL and not record.active)
    if idle and view.phase in fault.suppressed_in:
        return None if record is None else replace(record, since_s=None)
    on = record is not None and (record.active or record.since_s is not None)
    held = fault.condition(view, e, limits, on)
    if record is None:
        if not held:
            return None
        record = Record(fault.code, since_s=now_s)
    raw[fault.code] = held
    if held is None:
        return record
    if held == record.active:
        record = record if record.since_s is None else replace(record, since_s=None)
        return _regroup(fault, record, view, e, limits, now_s) if held else record
    since_s = now_s if record.since_s is None else record.since_s
    if held and now_s - since_s >= fault.on_delay_s - _JITTER_S:
        fresh = record.state is AlarmState.NORMAL or record.state in _ASIDE
        return replace(
            record,
            state=move(fault.latched, record.state, Signal.RAISE),
            active=True,
            since_s=None,
            raised_s=now_s if fresh else record.raised_s,
            cleared_s=None,
            detail=fault.detail(view, e, limits) if fault.detail else "",
            members=fault.members(view, e, limits) if fault.members else (),
        )
    if not held and now_s - since_s >= fault.off_delay_s - _JITTER_S:
        return replace(
            record,
            state=move(fault.latched, record.state, Signal.CLEAR),
            active=False,
            since_s=None,
            cleared_s=now_s,
        )
    return record if record.since_s is not None else replace(record, since_s=since_s)


def _regroup(
    fault: Fault, record: Record, view: View, e: ev.Evidence, limits: Limits, now_s: float
) -> Record:
    """The members of an active alarm as they are now. A further one is news to whoever acknowledged it."""
    members = fault.members(view, e, limits) if fault.members else ()
    if members == record.members:
        return record
    record, more = replace(record, members=members), not set(members) <= set(record.members)
    if more and record.state is AlarmState.ACKNOWLEDGED:
        return replace(record, state=move(fault.latched, record.state, Signal.JOIN), raised_s=now_s)
    return record


def _count(
    raises_s: tuple[float, ...], new: int, flood: bool, limits: Limits, now_s: float
) -> tuple[tuple[float, ...], bool]:
    """Flood: more than `flood_start` new alarms in the window start it, fewer than `flood_end` end it."""
    kept = tuple(time_s for time_s in raises_s if now_s - time_s < limits.flood_window_s) + (now_s,) * new
    if len(kept) > limits.flood_start:
        return kept, True
    return kept, flood and len(kept) >= limits.flood_end


def _mark_first_out(found: dict[str, Record], new: list[Record]) -> None:
    """The first alarm that acts on the vents, while no other does, is the first-out: the cause to look at."""
    acting = [record for record in new if BY_CODE[record.code].action.severity >= _THROTTLE]
    if not acting or any(record.first_out and _acts(record) for record in found.values()):
        return
    for record in tuple(found.values()):
        found[record.code] = replace(record, first_out=record.code == acting[0].code)


def _acts(record: Record) -> bool:
    """Whether its action is in force: the alarm is there, or latched, and not kept aside by design."""
    return record.state in _LATCHED_STATES or (record.active and record.state is not AlarmState.SUPPRESSED)


def _waits(record: Record) -> bool:
    """Whether it is gone, and its vents wait for a person."""
    return BY_CODE[record.code].until_acknowledged and record.state is AlarmState.RETURNED_UNACKNOWLEDGED


def _set_aside(fault: Fault, record: Record, view: View, limits: Limits, flood: bool, now_s: float) -> Record:
    """Shelf expiry, suppression by design and out of service, this step."""
    if fault.latched:
        return record
    back = Signal.BACK_ACTIVE if record.active else Signal.BACK_CLEAR
    out = fault.code in limits.out_of_service and fault.action.severity < _THROTTLE
    if out != (record.state is AlarmState.OUT_OF_SERVICE):
        return replace(
            record, state=move(False, record.state, Signal.REMOVE if out else back), shelved_until_s=None
        )
    if record.state is AlarmState.SHELVED:
        if record.shelved_until_s is None or now_s >= record.shelved_until_s:
            return replace(record, state=move(False, record.state, back), shelved_until_s=None)
        return record
    held_back = flood and fault.priority == "low" and fault.action.severity < _THROTTLE
    suppress = view.phase in fault.suppressed_in or held_back
    if suppress and record.active and record.state is not AlarmState.SUPPRESSED:
        return replace(record, state=move(False, record.state, Signal.SUPPRESS))
    if not suppress and record.state is AlarmState.SUPPRESSED:
        return replace(record, state=move(False, record.state, back))
    return record


def _verdict(records: tuple[Record, ...], outcomes: tuple[Outcome, ...]) -> Verdict:
    action: Action | None = None
    cut_off = False
    alarms = []
    for record in records:
        if record.state is AlarmState.NORMAL:
            continue
        fault = BY_CODE[record.code]
        alarms.append(
            Alarm(
                fault.code,
                record.state,
                fault.action,
                fault.priority,
                record.active,
                record.raised_s,
                _message(fault, record),
                fault.remedy,
                record.first_out,
                record.cleared_s,
            )
        )
        if _acts(record):
            if action is None or fault.action.severity > action.severity:
                action = fault.action
            cut_off = cut_off or fault.cuts_off
    waiting_s = [record.raised_s for record in records if _waits(record)]
    return Verdict(action, cut_off, max(waiting_s, default=None), tuple(alarms), outcomes)


def _message(fault: Fault, record: Record) -> str:
    more = "; ".join(filter(None, (record.detail, *record.members)))
    return f"{fault.message} ({more})" if more else fault.message


def _delayed(records: tuple[Record, ...], by_s: float) -> tuple[Record, ...]:
    """The same records, their delays begun `by_s` later."""
    return tuple(r if r.since_s is None else replace(r, since_s=r.since_s + by_s) for r in records)


def _shift(state: SafetyState, by_s: float) -> SafetyState:
    """The same state on a control clock that reads `by_s` more."""
    records = tuple(
        replace(
            record,
            since_s=ev.later(record.since_s, by_s),
            raised_s=record.raised_s + by_s,
            cleared_s=ev.later(record.cleared_s, by_s),
            shelved_until_s=ev.later(record.shelved_until_s, by_s),
        )
        for record in state.records
    )
    raises_s = tuple(time_s + by_s for time_s in state.raises_s)
    return SafetyState(ev.shift(state.evidence, by_s), records, raises_s, state.flood)
