"""Sees when the grill's wall clock was put right, from the times that its states tell. Pure."""

from __future__ import annotations

from collections import deque

LEAST_JUMP_S = 30.0
FASTER = 10.0  # a rehearsal's clock runs fast all the time: a jump is so much more than that
REMEMBERED = 8


class Jumps:
    """Give it each state that comes as it is said; not what a broker had kept."""

    def __init__(self) -> None:
        self._last: tuple[float, float] | None = None
        self._gains: deque[float] = deque(maxlen=REMEMBERED)

    def jump_s(self, utc_s: float, mono_s: float) -> float:
        """How far the clock was put on (or back, below 0) since the last one; 0 when it was not.

        utc_s: the state's own time; mono_s: a steady clock when it came.
        """
        last, self._last = self._last, (utc_s, mono_s)
        if last is None:
            return 0.0
        went_s = utc_s - last[0]
        gain_s = went_s - (mono_s - last[1])
        # What waited in the network comes late but never goes back by itself.
        if went_s < -LEAST_JUMP_S:
            return gain_s
        if self._gains and gain_s > max(LEAST_JUMP_S, FASTER * max(self._gains)):
            return gain_s
        self._gains.append(gain_s)
        return 0.0
