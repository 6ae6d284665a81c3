"""The buses that chips sit on: two small protocols, and their real ones on kept libraries.

spidev and smbus2 are thin, maintained faces of the kernel's interfaces and work on every board. They
block, as the kernel does; the reader calls drivers in threads. A lock per bus keeps the probes that
share a chip apart, each for one transfer or for a whole conversation.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any, Protocol

from coalminder.reopened import Reopened


class SpiBus(Protocol):
    """One chip on an SPI bus."""

    def transfer(self, data: bytes) -> bytes:
        """Send `data`, hand back as many bytes as came in meanwhile. OSError when the bus fails."""
        ...


class I2cBus(Protocol):
    """An I2C bus. OSError when nobody answers.

    conversation: held by who needs several transfers in a row from a chip that others talk to as well.
    """

    @property
    def conversation(self) -> AbstractContextManager[object]:
        """A lock that its holder may take again."""
        ...

    def write(self, address: int, data: bytes) -> None:
        """Send `data` to the chip at `address`."""
        ...

    def read(self, address: int, register: int, count: int) -> bytes:
        """Read `count` bytes from `register` on."""
        ...


class LinuxSpi:
    """An `SpiBus` on /dev/spidevBUS.DEVICE."""

    def __init__(self, bus: int, device: int, mode: int, speed_hz: int) -> None:
        try:
            import spidev
        except ImportError as error:
            raise OSError(
                "the package spidev is not installed; on Raspberry Pi OS: sudo apt install python3-spidev"
            ) from error

        def opened() -> Any:
            found = spidev.SpiDev()  # closes itself when it goes
            found.open(bus, device)
            found.mode = mode
            found.max_speed_hz = speed_hz
            return found

        self._lock = threading.Lock()
        self._device = Reopened(opened)

    def transfer(self, data: bytes) -> bytes:
        """Send and receive."""
        with self._lock:
            return bytes(self._device.use(lambda device: device.xfer2(list(data))))


class LinuxI2c:
    """An `I2cBus` on /dev/i2c-N."""

    def __init__(self, bus: int) -> None:
        try:
            from smbus2 import SMBus, i2c_msg
        except ImportError as error:
            raise OSError(
                "the package smbus2 is not installed; in the project's folder: sudo sh systemd/install.sh"
            ) from error
        self._message = i2c_msg
        self.conversation = threading.RLock()
        self._bus = Reopened(lambda: SMBus(bus))

    def write(self, address: int, data: bytes) -> None:
        """Send."""
        with self.conversation:
            self._bus.use(lambda bus: bus.i2c_rdwr(self._message.write(address, list(data))))

    def read(self, address: int, register: int, count: int) -> bytes:
        """Set the register, then read, with a repeated start."""
        answer = self._message.read(address, count)
        with self.conversation:
            self._bus.use(lambda bus: bus.i2c_rdwr(self._message.write(address, [register]), answer))
        return bytes(answer)


class Buses:
    """Opens each bus once and hands it to all who share it. `open_spi`, `open_i2c`: another way to open."""

    def __init__(
        self,
        open_spi: Callable[[int, int, int, int], SpiBus] = LinuxSpi,
        open_i2c: Callable[[int], I2cBus] = LinuxI2c,
    ) -> None:
        self._open_spi = open_spi
        self._open_i2c = open_i2c
        self._spi: dict[tuple[int, int], SpiBus] = {}
        self._i2c: dict[int, I2cBus] = {}
        self._lock = threading.Lock()  # each probe's thread asks for its bus

    def spi(self, bus: int, device: int, mode: int, speed_hz: int) -> SpiBus:
        """The chip on /dev/spidevBUS.DEVICE. OSError when it cannot be opened."""
        key = (bus, device)
        with self._lock:
            if key not in self._spi:
                self._spi[key] = self._open_spi(bus, device, mode, speed_hz)
            return self._spi[key]

    def i2c(self, bus: int) -> I2cBus:
        """The bus /dev/i2c-N. OSError when it cannot be opened."""
        with self._lock:
            if bus not in self._i2c:
                self._i2c[bus] = self._open_i2c(bus)
            return self._i2c[bus]
