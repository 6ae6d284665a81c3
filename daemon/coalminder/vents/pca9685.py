"""Servo pulses from a PCA9685, a 16-channel PWM chip on the I2C bus.

Registers after the NXP data sheet, section 7.3 (from memory): MODE1 00h with RESTART 80h, AI 20h, SLEEP 10h;
MODE2 01h with INVRT 10h, OUTDRV 04h; channel n has ON_L at 06h + 4n, then ON_H, OFF_L, OFF_H; bit 4 of OFF_H
is 'full off'; PRE_SCALE FEh = round(25 MHz / (4096·f)) - 1, written only while asleep. At 50 Hz one count is
4.88 µs: 205 widths over a stroke of 1 ms.

The bus library is smbus2 (kept, pure Python, wheels everywhere); board-abstraction packages for this chip
bring a whole platform layer along and were left out.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from threading import Lock
from typing import Protocol

from coalminder.reopened import Reopened

OSCILLATOR_HZ = 25_000_000.0
COUNTS = 4096
MODE1, MODE2, PRE_SCALE, CHANNEL_0 = 0x00, 0x01, 0xFE, 0x06
AUTO_INCREMENT, SLEEP, OUTDRV, INVERTED, FULL_OFF = 0x20, 0x10, 0x04, 0x10, 0x10
WAKE_S = 0.001  # the oscillator needs 500 µs


#: (bus, address) -> held while that chip is set up: two vents on one chip are moved by two threads.
_SETTING_UP: dict[tuple[int, int], Lock] = {}


class RegisterBus(Protocol):
    """What of smbus2.SMBus is used. Both raise OSError when nobody answers."""

    def read_byte_data(self, i2c_addr: int, register: int) -> int:
        """One register."""
        ...

    def write_i2c_block_data(self, i2c_addr: int, register: int, data: Sequence[int]) -> None:
        """Registers from `register` on, in one transfer."""
        ...


def prescale(frame_hz: float) -> int:
    """PRE_SCALE for a frame rate, 3..255."""
    return min(255, max(3, round(OSCILLATOR_HZ / (COUNTS * frame_hz)) - 1))


def counts(pulse_us: float, scale: int) -> int:
    """The OFF count for a pulse width, 0..4095."""
    count_us = (scale + 1) / OSCILLATOR_HZ * 1e6
    return min(COUNTS - 1, max(0, round(pulse_us / count_us)))


class Pca9685:
    """A `PulseOutput` on one channel. OSError when the chip does not answer, or not as a PCA9685 does.

    setting_up: what those who share the chip hold while one of them sets it up.
    """

    def __init__(
        self,
        bus: RegisterBus,
        address: int,
        channel: int,
        frame_hz: float = 50.0,
        sleep: Callable[[float], None] = time.sleep,
        setting_up: AbstractContextManager[object] | None = None,
    ) -> None:
        self._bus = bus
        self._address = address
        self._register = CHANNEL_0 + 4 * channel
        self._scale = prescale(frame_hz)
        self._sleep = sleep
        self._setting_up = setting_up or Lock()
        self._ensure_running()

    def set_pulse_us(self, pulse_us: float) -> None:
        """Send pulses of this width, to the nearest count."""
        self._ensure_running()
        off = counts(pulse_us, self._scale)
        self._write(self._register, [0, 0, off & 0xFF, off >> 8])

    def off(self) -> None:
        """Full off: no pulses."""
        self._write(self._register, [0, 0, 0, FULL_OFF])

    def close(self) -> None:
        """Stop the pulses of this channel; the chip goes on for the other one."""
        self.off()

    def _ensure_running(self) -> None:
        # Asked before every move: a chip that lost its supply for a moment wakes up asleep at 200 Hz, and one
        # that another program left awake may take one register at a time, or turn pulses upside down.
        with self._setting_up:
            if not self._running():
                self._set_up()

    def _set_up(self) -> None:
        self._write(MODE1, [AUTO_INCREMENT | SLEEP])
        self._write(PRE_SCALE, [self._scale])
        self._write(MODE2, [OUTDRV])
        self._write(MODE1, [AUTO_INCREMENT])
        self._sleep(WAKE_S)
        if not self._running():  # whoever answers, a vent would seem to move and stand still
            raise OSError(
                f"the chip at {self._address:#x} takes no setting: it is no PCA9685, or is disturbed"
            )

    def _running(self) -> bool:
        mode_1, mode_2, scale = (
            self._bus.read_byte_data(self._address, register) for register in (MODE1, MODE2, PRE_SCALE)
        )
        awake = mode_1 & (SLEEP | AUTO_INCREMENT) == AUTO_INCREMENT
        return awake and mode_2 & (OUTDRV | INVERTED) == OUTDRV and scale == self._scale

    def _write(self, register: int, values: list[int]) -> None:
        self._bus.write_i2c_block_data(self._address, register, values)


def open_pca9685(bus: int, address: int, channel: int, frame_hz: float = 50.0) -> Pca9685:
    """The pulses of one channel. OSError when smbus2, the bus or the chip is not there."""
    try:
        from smbus2 import SMBus
    except ImportError as error:
        raise OSError(
            "the package smbus2 is not installed; in the project's folder: sudo sh systemd/install.sh"
        ) from error
    setting_up = _SETTING_UP.setdefault((bus, address), Lock())
    return Pca9685(_KeptBus(lambda: SMBus(bus)), address, channel, frame_hz, setting_up=setting_up)


class _KeptBus:
    """A `RegisterBus` that is opened again after a failure."""

    def __init__(self, open_bus: Callable[[], object]) -> None:
        self._bus = Reopened(open_bus)

    def read_byte_data(self, i2c_addr: int, register: int) -> int:
        return int(self._bus.use(lambda bus: bus.read_byte_data(i2c_addr, register)))

    def write_i2c_block_data(self, i2c_addr: int, register: int, data: Sequence[int]) -> None:
        self._bus.use(lambda bus: bus.write_i2c_block_data(i2c_addr, register, data))
