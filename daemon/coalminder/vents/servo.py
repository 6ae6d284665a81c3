"""A vent moved by a hobby servo, over any source of pulses.

Owns: the way from an opening to a pulse width, the ramp, the order energise - travel - settle - power
off. Knows nothing of pins and chips: those are `PulseOutput`s (kernel_pwm.py, pin_pwm.py, pca9685.py).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from coalminder.vents.curve import DEFAULT_CURVE, FlowCurve

FRAME_S = 0.02  # pulses come at 50 Hz: a command between two frames is lost


@runtime_checkable
class PulseOutput(Protocol):
    """Something that gives a servo its pulses at 50 Hz. All three raise OSError when the hardware fails."""

    def set_pulse_us(self, pulse_us: float) -> None:
        """Send pulses of this width, in µs, from the next frame on."""
        ...

    def off(self) -> None:
        """Send no pulses: the servo lets go and is silent."""
        ...

    def close(self) -> None:
        """Send no pulses and give the hardware back."""
        ...


@dataclass(frozen=True, slots=True)
class Stroke:
    """How a servo is joined to its plate.

    pulse_min_us, pulse_max_us: ends of the stroke; no pulse ever lies outside. reversed: the shut end is
    at pulse_max_us. stop_shut, stop_open: where on the stroke (0..1) the plate's own stops are.
    """

    pulse_min_us: float = 1000.0
    pulse_max_us: float = 2000.0
    reversed: bool = False
    stop_shut: float = 0.0
    stop_open: float = 1.0

    def __post_init__(self) -> None:
        if not 0.0 < self.pulse_min_us < self.pulse_max_us:
            raise ValueError("pulse_min_us must be above 0 and below pulse_max_us")
        if not 0.0 <= self.stop_shut < self.stop_open <= 1.0:
            raise ValueError("stops must satisfy 0 <= stop_shut < stop_open <= 1")

    def pulse_us(self, position: float) -> float:
        """Pulse width for a plate position 0 (shut stop) .. 1 (open stop); clamps."""
        position = min(1.0, max(0.0, position))
        along = self.stop_shut + position * (self.stop_open - self.stop_shut)
        if self.reversed:
            along = 1.0 - along
        return self.pulse_min_us + along * (self.pulse_max_us - self.pulse_min_us)


class ServoVent:
    """A `coalminder.seams.Vent` on a servo. `move` blocks until the servo has arrived and is powered off.

    safe_opening: where `make_safe` goes. stroke_s: time for the whole stroke; moves are ramped at this
    rate, so that neither the supply dips nor ash is stirred up. settle_s: time from the last pulse change
    until the pulses stop. hold: keep the pulses on
    unless shut (for a vent that a spring or weight pulls shut). backlash: slack
    of the linkage as a part of the stroke; closing moves then go beyond by that much and come back, so
    that every position is reached from the shut side. reassert_s: a vent asked to stay is pushed to
    its place again after this time. The first move of a new object, and any after a failure, cannot
    know where the plate is: it goes there at once and waits for a whole stroke.
    """

    def __init__(
        self,
        name: str,
        output: PulseOutput,
        stroke: Stroke | None = None,
        *,
        curve: FlowCurve = DEFAULT_CURVE,
        safe_opening: float = 0.0,
        stroke_s: float = 0.4,
        settle_s: float = 0.15,
        hold: bool = False,
        backlash: float = 0.0,
        reassert_s: float = 300.0,
        sleep: Callable[[float], None] = time.sleep,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = name
        self.safe_opening = safe_opening
        self.curve = curve
        self.stroke = stroke or Stroke()
        self._output = output
        self._stroke_s = stroke_s
        self._settle_s = settle_s
        self._hold = hold
        self._backlash = backlash
        self._reassert_s = reassert_s
        self._sleep = sleep
        self._monotonic = monotonic
        self._position: float | None = None
        self._moved_s = 0.0
        self._lock = threading.Lock()

    @property
    def position(self) -> float | None:
        """Plate position 0..1 where the last move ended; None when it is not known."""
        return self._position

    @property
    def opening(self) -> float | None:
        """Flow-linear opening where the last move ended; None when it is not known."""
        at = self._position
        return None if at is None else self.curve.opening(at)

    def move(self, opening: float) -> None:
        """Go to `opening` 0..1 (clamped). Blocks. OSError: the driver failed; ValueError: not a number."""
        self.move_to_position(self.curve.position(opening))

    def move_to_position(self, position: float) -> None:
        """Go to a plate position 0..1 (clamped), past the flow curve: for check and calibrate."""
        if position != position:
            raise ValueError("a position must be a number")
        target = min(1.0, max(0.0, position))
        with self._lock:
            if target == self._position and self._monotonic() - self._moved_s < self._reassert_s:
                return
            start, self._position = self._position, None  # unknown until it has arrived
            try:
                self._travel(start, target)
            except OSError:
                self._try_off()
                raise
            self._position = target
            self._moved_s = self._monotonic()

    def make_safe(self) -> None:
        """Go to the safe opening."""
        self.move(self.safe_opening)

    def close(self) -> None:
        """Stop the pulses and give the hardware back. The vent stays where it is.

        Raises nothing: a driver that does not answer has failed a move before, and that is told.
        """
        with self._lock, suppress(OSError):
            self._position = None
            self._output.close()

    def _travel(self, start: float | None, target: float) -> None:
        if start is None:
            self._output.set_pulse_us(self.stroke.pulse_us(target))
            self._sleep(self._stroke_s)
        else:
            beyond = max(0.0, target - self._backlash)
            if self._backlash > 0.0 and target < start:
                self._ramp(start, beyond)
                start = beyond
            self._ramp(start, target)
        self._sleep(self._settle_s)
        if not self._hold or target == 0.0:  # shut needs no power: the spring that asks for it pulls that way
            self._output.off()

    def _ramp(self, start: float, target: float) -> None:
        frames = max(1, round(abs(target - start) * self._stroke_s / FRAME_S))
        for frame in range(1, frames + 1):
            along = target if frame == frames else start + (target - start) * frame / frames
            self._output.set_pulse_us(self.stroke.pulse_us(along))
            self._sleep(FRAME_S)

    def _try_off(self) -> None:
        with suppress(OSError):  # the failure being reported already says that the driver does not answer
            self._output.off()
