"""What one row of the fault table is, and the words and phases that many rows share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from coalminder.safety import conditions as c
from coalminder.safety.evidence import Evidence
from coalminder.safety.limits import Limits
from coalminder.safety.view import SHUT_PHASES, View
from coalminder.values import Action, Phase

NEVER: frozenset[Phase] = frozenset()
NOT_TENDING = SHUT_PHASES | {Phase.LIGHTING, Phase.LID_OFF, Phase.EASING}


@dataclass(frozen=True, slots=True)
class Fault:
    """One row.

    on_delay_s: the condition must hold this long before the alarm is raised; off_delay_s: and be gone
    this long before it clears. window: the field of Limits with the time that the condition itself needs
    ("" for none). latched: stays in force until a person resets it. until_acknowledged: when it is gone
    the vents stay within what usually holds until a person has acknowledged it. suppressed_in: phases in
    which the condition is wanted, or means nothing (suppressed by design). detail: what to add to the
    message. members: the things that a row for several stands for; they are added to the message, and one
    more asks again for an answer.
    """

    code: str
    condition: c.Condition
    on_delay_s: float
    off_delay_s: float
    action: Action
    latched: bool
    priority: str
    message: str
    remedy: str
    suppressed_in: frozenset[Phase] = NEVER
    window: str = ""
    detail: Callable[[View, Evidence, Limits], str] | None = None
    members: Callable[[View, Evidence, Limits], tuple[str, ...]] | None = None
    until_acknowledged: bool = False

    @property
    def cuts_off(self) -> bool:
        """Whether it puts the fire out, and stays in force until a person resets it."""
        return self.latched and self.action.severity >= Action.SNUFF.severity

    def detected_within_s(self, limits: Limits) -> float:
        """Longest time from the beginning of the fault to its alarm, in s."""
        return self.on_delay_s + (float(getattr(limits, self.window)) if self.window else 0.0)


HOT_COALS = (
    "The coals stay hot for an hour or more. Leave the lid on: air on starved coals flares up. "
    "Shut the vents by hand if they are not shut"
)
AFTER = "When the cause is gone, reset"
