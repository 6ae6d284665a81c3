"""Which commands come too late: counted from the tap, not from when the network let it through. Pure.

Times are of the page program's steady clock, in s. Each view tells it to the phones; they say with every
command when it was asked for, so that no wall clock, theirs or ours, can make an old command look fresh.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.messages.commands import DEFAULT_LIMITS

OLD_S = DEFAULT_LIMITS.stale_s
AHEAD_S = 5.0  # further ahead than that it is not our clock: this machine was started anew


@dataclass(slots=True)
class Order:
    """Remembers the newest snuff: what was asked before it must not open the vents again after it."""

    snuffed_s: float = -math.inf

    def trouble(self, kind: str, asked_s: float, now_s: float) -> str:
        """Why a command is refused, "" when it may go. A snuff always may."""
        if kind == "snuff":
            self.snuffed_s = max(self.snuffed_s, min(asked_s, now_s))
            return ""
        if asked_s > now_s + AHEAD_S:
            return "the page does not know the time; load it again"
        if now_s - asked_s > OLD_S:
            return f"asked {now_s - asked_s:.0f} s ago, at most {OLD_S:.0f} s; ask again"
        if asked_s < self.snuffed_s:
            return "the fire was snuffed after this was asked"
        return ""


def read_asked(text: str) -> float | None:
    """The time that came with a command, None when it is none."""
    try:
        asked_s = float(text)
    except ValueError:
        return None
    return asked_s if math.isfinite(asked_s) else None
