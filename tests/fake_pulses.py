"""Pulses without hardware, recorded."""

from __future__ import annotations

import time
from collections.abc import Callable


class FakePulseOutput:
    """A `PulseOutput` that records what it was told as (time in s, pulse width in µs, 0 for off).

    `fail_with`: an OSError that every call raises while it is set.
    """

    def __init__(self, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self.history: list[tuple[float, float]] = []
        self.fail_with: OSError | None = None
        self.closed = False
        self._monotonic = monotonic

    @property
    def pulse_us(self) -> float:
        """The pulse width now, in µs; 0 when off."""
        return self.history[-1][1] if self.history else 0.0

    @property
    def pulses_us(self) -> list[float]:
        """All pulse widths sent, in order, without the offs."""
        return [pulse for _, pulse in self.history if pulse > 0.0]

    def set_pulse_us(self, pulse_us: float) -> None:
        """Record a pulse width."""
        self._record(pulse_us)

    def off(self) -> None:
        """Record that the pulses stop."""
        self._record(0.0)

    def close(self) -> None:
        """Record that the pulses stop for good."""
        self.off()
        self.closed = True

    def _record(self, pulse_us: float) -> None:
        if self.fail_with is not None:
            raise self.fail_with
        self.history.append((self._monotonic(), pulse_us))
