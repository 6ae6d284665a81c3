"""Latched faults outlive all but a person: also an upgrade that cannot read the rest of a stored state."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

from coalminder.core import State
from coalminder.journal import Resume, resume
from coalminder.safety.assess import SafetyState
from coalminder.safety.faults import BY_CODE
from coalminder.values import Action, AlarmState, Phase


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
    cutting_off = (
        record.state is not AlarmState.NORMAL
        for record in safety.records
        if record.code in BY_CODE
        and BY_CODE[record.code].latched
        and BY_CODE[record.code].action.severity >= Action.SNUFF.severity
    )
    return replace(fresh, phase=Phase.CUT_OFF, safety=safety) if any(cutting_off) else fresh
