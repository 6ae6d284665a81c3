"""Time for the service: the real clock, or one that runs faster in a rehearsal."""

from __future__ import annotations

import asyncio
import time
from typing import Protocol


class Clock(Protocol):
    """now_s: control time, never backwards. utc_s: seconds since 1970 UTC, for records."""

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
    """The machine's monotonic clock for control, its wall clock for records."""

    def now_s(self) -> float:
        """CLOCK_MONOTONIC in s."""
        return time.monotonic()

    def utc_s(self) -> float:
        """Wall time in s."""
        return time.time()

    async def sleep_until(self, due_s: float) -> None:
        """Sleep on the event loop."""
        await asyncio.sleep(max(due_s - self.now_s(), 0.0))


class ScaledClock:
    """A clock `speed` times as fast as the real one, starting at control time 0 now."""

    def __init__(self, speed: float, utc_s: float | None = None) -> None:
        self._speed = speed
        self._began = time.monotonic()
        self._utc = time.time() if utc_s is None else utc_s

    def now_s(self) -> float:
        """Control time in s."""
        return (time.monotonic() - self._began) * self._speed

    def utc_s(self) -> float:
        """Wall time of the rehearsed cook."""
        return self._utc + self.now_s()

    async def sleep_until(self, due_s: float) -> None:
        """Sleep the scaled time."""
        await asyncio.sleep(max(due_s - self.now_s(), 0.0) / self._speed)
