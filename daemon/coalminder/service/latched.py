"""Latched faults outlive all but a person: also an upgrade that cannot read the rest of a stored state."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

from coalminder.core import State
from coalminder.journal import Resume, resume
from coalminder.safety.assess import SafetyState
from coalminder.safety.faults import cuts_off
from coalminder.safety.record import Record
from coalminder.values import AlarmState, Phase


@dataclass(frozen=True, slots=True)
class KeptSafety:
    """The one part of a stored state that matters here; the codec passes over the others."""

    safety: SafetyState


def keep_latched(fresh: State, directory: Path, utc_s: float) -> State:
    """`fresh`, cut off with what is latched in the newest record in `directory`, however old that is.

    For a start that could not take up the last cook. Without a latched fault: `fresh` itself.
    """
    kept = resume(directory, KeptSafety, utc_s, within_s=math.inf)
    if not isinstance(kept, Resume):
        return fresh
    safety = kept.state.safety
    latched = any(
        cuts_off(record.code) and record.state is not AlarmState.NORMAL for record in safety.records
    )
    return replace(fresh, phase=Phase.CUT_OFF, safety=safety) if latched else fresh


def with_latched(state: State, codes: tuple[str, ...], now_s: float) -> State:
    """`state`, cut off with those of `codes` that it does not have latched; itself when it has them all."""
    has = {record.code for record in state.safety.records if record.state is not AlarmState.NORMAL}
    missing = tuple(code for code in codes if code not in has)
    if not missing:
        return state
    others = tuple(record for record in state.safety.records if record.code not in missing)
    latched = tuple(
        Record(code, AlarmState.LATCHED_UNACKNOWLEDGED, raised_s=now_s, cleared_s=now_s) for code in missing
    )
    safety = replace(state.safety, records=others + latched)
    return replace(state, phase=Phase.CUT_OFF, safety=safety)
