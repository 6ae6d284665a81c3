"""Time without steps that shows only when the wall clock is put right.

A board without a clock of its own starts where it stopped: a power cut of hours looks like seconds until the
network tells the time.
"""

from __future__ import annotations

from coalminder.safety.limits import Limits
from coalminder.service.clock import RealClock

_LEAST_S = Limits().blind_s  # less is not worth telling


class Unseen:
    """How old the last step on record was when this run began, by the wall clock as it is now.

    last_utc_s: of that step. counted_s: what the start took for its age, and put into control time.
    """

    def __init__(self, clock: RealClock, last_utc_s: float, counted_s: float) -> None:
        self._clock, self._last_utc_s, self._counted_s = clock, last_utc_s, counted_s
        self._begun_s = clock.now_s()

    def age_s(self) -> float:
        """That age, in s; negative while the clock is behind the record."""
        return self._clock.utc_s() - (self._clock.now_s() - self._begun_s) - self._last_utc_s

    def pass_s(self, most_s: float) -> float:
        """Let what control time lacks of that age pass at once; how much, in s: 0 if it is over `most_s`."""
        age_s = self.age_s()
        missing_s = age_s - self._counted_s
        if missing_s <= _LEAST_S or age_s > most_s:
            return 0.0
        self._clock.skip(missing_s)
        self._counted_s += missing_s
        self._begun_s += missing_s
        return missing_s
