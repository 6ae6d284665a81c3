"""What people ask of alarms: acknowledge, shelve, reset. Silencing never ends an action.

A latched fault ends only by a Reset while its cause is known to be gone.
"""

from __future__ import annotations

from coalminder.events import Acknowledge, Reset, Shelve
from coalminder.frozen import replace
from coalminder.safety.alarms import Signal, move
from coalminder.safety.faults import BY_CODE
from coalminder.safety.limits import Limits
from coalminder.safety.record import Record
from coalminder.values import AlarmState, Outcome

ANSWERED = (Acknowledge, Shelve, Reset)


def answer(
    event: object, found: dict[str, Record], raw: dict[str, bool | None], limits: Limits, now_s: float
) -> Outcome:
    """Answer one person's event; `found` is changed in place."""
    if isinstance(event, Reset):
        return _reset(event, found, raw, now_s)
    if not isinstance(event, (Acknowledge, Shelve)):
        raise TypeError(f"not an event of alarms: {event!r}")
    code = event.code
    if code and code not in BY_CODE:
        return Outcome(event.event_id, False, f"no alarm is called '{code}'; the codes are in docs/safety.md")
    if isinstance(event, Shelve):
        return _shelve(event, found, limits, now_s)
    if code and (code not in found or found[code].state is AlarmState.NORMAL):
        return Outcome(event.event_id, False, f"alarm '{code}' is not raised")
    for name in (code,) if code else tuple(found):
        record = found[name]
        if not code and _unseen(record, event, now_s):
            continue
        found[name] = replace(record, state=move(BY_CODE[name].latched, record.state, Signal.ACKNOWLEDGE))
    return Outcome(event.event_id, True)


def _unseen(record: Record, event: Acknowledge | Reset, now_s: float) -> bool:
    """Raised since it was asked, or in this very step: nobody had seen it."""
    return record.raised_s >= now_s - event.age_s


def _shelve(event: Shelve, found: dict[str, Record], limits: Limits, now_s: float) -> Outcome:
    if not event.code:
        return Outcome(event.event_id, False, "say which alarm to shelve: all of them at once cannot be")
    fault = BY_CODE[event.code]
    if not 0 <= event.for_s <= limits.shelf_max_s:
        return Outcome(event.event_id, False, f"for_s is {event.for_s:g}; give 0 to {limits.shelf_max_s:g} s")
    if fault.latched:
        return Outcome(event.event_id, False, f"alarm '{event.code}' cuts the fire off; it cannot be shelved")
    if fault.until_acknowledged and event.for_s > 0:
        why = "holds the vents back until it is acknowledged; it cannot be shelved"
        return Outcome(event.event_id, False, f"alarm '{event.code}' {why}")
    record = found.get(event.code, Record(event.code, raised_s=now_s))
    if event.for_s > 0:
        state = move(False, record.state, Signal.SHELVE)
        until_s = now_s + event.for_s if state is AlarmState.SHELVED else None
        found[event.code] = replace(record, state=state, shelved_until_s=until_s)
        if state is not AlarmState.SHELVED:
            return Outcome(event.event_id, False, f"alarm '{event.code}' is out of service")
    elif record.state is AlarmState.SHELVED:
        back = Signal.BACK_ACTIVE if record.active else Signal.BACK_CLEAR
        found[event.code] = replace(record, state=move(False, record.state, back), shelved_until_s=None)
    else:
        return Outcome(event.event_id, False, f"alarm '{event.code}' is not on the shelf")
    return Outcome(event.event_id, True)


def _reset(event: Reset, found: dict[str, Record], raw: dict[str, bool | None], now_s: float) -> Outcome:
    """All latched faults, or none: safe beats comfortable."""
    latched = [r for r in found.values() if BY_CODE[r.code].latched and r.state is not AlarmState.NORMAL]
    if not latched:
        return Outcome(event.event_id, False, "nothing is latched")
    for record in latched:
        if _unseen(record, event, now_s):
            why = f"'{record.code}' came after this was asked: look at the grill, then reset"
            return Outcome(event.event_id, False, why)
        held = raw.get(record.code)
        if held is not False:
            why = (
                "its cause is still there"
                if held
                else "without a reading nobody can tell whether its cause is gone"
            )
            return Outcome(
                event.event_id, False, f"'{record.code}' stays latched: {why}. {BY_CODE[record.code].remedy}"
            )
    for record in latched:
        state = record.state
        if record.active:
            state = move(True, state, Signal.CLEAR)
        found[record.code] = replace(
            record, state=move(True, state, Signal.RESET), active=False, since_s=None, cleared_s=now_s
        )
    return Outcome(event.event_id, True)
