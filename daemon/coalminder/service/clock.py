"""Time for the service: the real clock, or one that runs faster in a rehearsal."""

from __future__ import annotations

import asyncio
import time
from typing import Protocol


class Clock(Protocol):
    """now_s: control time, never backwards. utc_s: seconds since 1970 UTC, for records.

    speed: seconds of control time in a real one.
    """

    speed: float

    def now_s(self) -> float:
        """Control time in s."""
        ...

    def utc_s(self) -> float:
        """Wall time in s."""
        ...

    async def sleep_until(self, due_s: float) -> None:
        """Return at control time `due_s`, at once when it has passed."""
        ...


class RealClock:
    """The machine's clock for control, its wall clock for records; control time is `at_s` now.

    CLOCK_BOOTTIME goes on while the board is suspended, for the fire burns on meanwhile.
    """

    speed = 1.0

    def __init__(self, at_s: float = 0.0) -> None:
        self._offset_s = at_s - _since_boot_s()

    def now_s(self) -> float:
        """Control time in s."""
        return _since_boot_s() + self._offset_s

    def utc_s(self) -> float:
        """Wall time in s."""
        return time.time()

    def skip(self, seconds: float) -> None:
        """Control time leaps forward: so much of it has passed unseen."""
        self._offset_s += seconds

    async def sleep_until(self, due_s: float) -> None:
        """Sleep on the event loop."""
        await asyncio.sleep(max(due_s - self.now_s(), 0.0))


def _since_boot_s() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class ScaledClock:
    """A clock `speed` times as fast as the real one, starting at control time `at_s` now.

    Like the real one it does not wait: a step that comes late is late.
    """

    def __init__(self, speed: float, at_s: float = 0.0) -> None:
        self.speed = speed
        self._at_s = at_s
        self._began = time.monotonic()
        self._utc = time.time()
        self._now_s = at_s

    def now_s(self) -> float:
        """Control time in s."""
        self._now_s = self._at_s + (time.monotonic() - self._began) * self.speed
        return self._now_s

    def utc_s(self) -> float:
        """Wall time of the rehearsed cook, at the last `now_s`."""
        return self._utc + self._now_s - self._at_s

    async def sleep_until(self, due_s: float) -> None:
        """Sleep the scaled time."""
        await asyncio.sleep(max(due_s - self.now_s(), 0.0) / self.speed)


class PacedClock:
    """A clock that moves only from step to step, `speed` steps a second or as many as the machine can.

    Nothing is ever late on it, so a rehearsal is the same cook on a fast machine and on a slow one.
    """

    def __init__(self, speed: float, utc_s: float) -> None:
        self.speed = speed
        self._utc = utc_s
        self._now_s = 0.0
        self._next_real_s = time.monotonic()

    def now_s(self) -> float:
        """Control time in s."""
        return self._now_s

    def utc_s(self) -> float:
        """Wall time of the rehearsed cook."""
        return self._utc + self._now_s

    async def sleep_until(self, due_s: float) -> None:
        """Keep the pace if the machine can; then it is `due_s`."""
        real_s = time.monotonic()
        self._next_real_s = max(self._next_real_s + (due_s - self._now_s) / self.speed, real_s - 1.0)
        await asyncio.sleep(max(self._next_real_s - real_s, 0.0))
        self._now_s = max(due_s, self._now_s)
