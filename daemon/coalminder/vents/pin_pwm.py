"""Servo pulses on any GPIO, timed by software: gpiozero over lgpio with a pin that keeps the fraction.

gpiozero's own pin for lgpio cuts the duty to whole per cents, which leaves a servo six positions;
`FinePin` passes the duty on as it is, and lgpio then times the pulse in whole µs. The pulses are timed
by a thread of this process, so they tremble by some tens of µs on a busy board: good enough for a servo that
is powered off as soon as it has arrived. Works on every board with Linux' gpiochip, the Pi 5 included.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from tempfile import TemporaryDirectory
from threading import Lock
from typing import Any

from gpiozero import PWMOutputDevice
from gpiozero.exc import GPIOZeroError

FRAME_US = 20_000.0  # 50 Hz
_IMPORTING = Lock()  # the working directory is one for all threads


class PinPwm:
    """A `PulseOutput` on a gpiozero device. OSError when the pin does not obey."""

    def __init__(self, pin: int, factory: Any) -> None:
        self._pin = pin
        with self._obeying():
            self._device = PWMOutputDevice(pin, initial_value=0.0, frequency=50, pin_factory=factory)

    def set_pulse_us(self, pulse_us: float) -> None:
        """Send pulses of this width; lgpio rounds to 1 µs."""
        self._set(pulse_us / FRAME_US)

    def off(self) -> None:
        """Hold the wire low: no pulses."""
        self._set(0.0)

    def close(self) -> None:
        """Stop the pulses; the pin becomes an input."""
        with self._obeying():
            self._device.close()

    def _set(self, duty: float) -> None:
        with self._obeying():
            self._device.value = duty

    @contextmanager
    def _obeying(self) -> Iterator[None]:
        """Whatever the libraries raise as OSError: lgpio's own error, of a busy pin say, is an Exception."""
        try:
            yield
        except Exception as error:
            raise OSError(f"GPIO {self._pin}: {error or type(error).__name__}") from error


def fine_factory(factory: Any = None) -> Any:
    """A gpiozero pin factory on lgpio whose pins keep the fraction of the duty. OSError without lgpio.

    `factory`: an LGPIOFactory to use; left out, the board's.
    """
    try:
        with _IMPORTING, _room_for_a_pipe():
            import lgpio
        from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin
    except ImportError as error:
        raise OSError(
            "the package lgpio is not installed; on Raspberry Pi OS: sudo apt install python3-lgpio"
        ) from error

    class FinePin(LGPIOPin):  # type: ignore[misc]
        _pwm: tuple[float, float] | None

        def _set_state(self, value: float) -> None:
            if self._pwm is None:
                super()._set_state(value)
                return
            frequency, _ = self._pwm
            duty_pct = 100.0 * value
            lgpio.tx_pwm(self.factory._handle, self._number, frequency, duty_pct)
            self._pwm = (frequency, duty_pct)

    try:
        factory = LGPIOFactory() if factory is None else factory
    except (lgpio.error, GPIOZeroError, OSError) as error:
        raise OSError(f"no GPIO of a Raspberry Pi here ({error})") from error
    factory.pin_class = FinePin
    return factory


@contextmanager
def _room_for_a_pipe() -> Iterator[None]:
    """A working directory that can be written to, for a moment.

    lgpio lays a pipe into it when it is imported and opens it there (lgpio.py 0.2.2). The service's user, for
    whom `check` or `snuff` is called from somebody's home, may write nothing there.
    """
    if os.access(os.curdir, os.W_OK):
        yield
        return
    before, given = os.getcwd(), os.environ.get("LG_WD")
    with TemporaryDirectory(prefix="coalminder-") as folder:
        os.chdir(folder)
        os.environ["LG_WD"] = folder
        try:
            yield
        finally:
            del os.environ["LG_WD"]
            if given is not None:
                os.environ["LG_WD"] = given
            try:
                os.chdir(before)
            except OSError:  # whoever called may go there, this user may not
                os.chdir("/")


def open_pin_pwm(pin: int) -> PinPwm:
    """The pulses on GPIO `pin`. OSError when lgpio or the pin is not there."""
    return PinPwm(pin, fine_factory())
