"""ADS1115: four-channel 16-bit converter on I2C, for thermistors.

Registers after the data sheet, 'Register Map': pointer 0 conversion, 1 configuration; OS 8000h, MUX 14:12
(4..7 = one input against ground), PGA 0200h = ±4.096 V (125 µV a count), MODE 0100h single shot, rate 0080h =
128/s, comparator off 0003h. The chip has its own reference, so the supply of the divider is measured on
another input, or given.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from coalminder.probes.buses import I2cBus
from coalminder.probes.thermistor import Divider
from coalminder.values import ProbeFault, ProbeFaultKind, Sample

READY, PGA_4096_MV, SINGLE_SHOT, NO_COMPARATOR = 0x8000, 0x0200, 0x0100, 0x0003
RATE_128 = 0x0080  # 7.8 ms a conversion; slower is quieter
FULL_SCALE_V = 4.096
HIGHEST_V = FULL_SCALE_V * 32767 / 32768  # 7FFFh is this voltage or any above (data sheet, 'Data Format')
TRIES, PAUSE_S = 20, 0.002


def request(channel: int) -> int:
    """The configuration that starts one conversion of `channel` 0..3."""
    return READY | (4 + channel) << 12 | PGA_4096_MV | SINGLE_SHOT | RATE_128 | NO_COMPARATOR


def volts(word: bytes) -> float:
    """Volts in the two bytes of the conversion register."""
    return int.from_bytes(word, "big", signed=True) * FULL_SCALE_V / 32768.0


def sample(input_v: float, supply_v: float, divider: Divider) -> Sample:
    """A reading or fault from the voltage of the divider and its supply, V.

    A supply at the end of the range may be any higher one: read as 4.096 V, one of 5 V would make every
    thermistor to ground look colder than it is.
    """
    if not 1.5 <= supply_v < HIGHEST_V:
        return ProbeFault(ProbeFaultKind.BUS, f"the divider's supply is {supply_v:.2f} V; check its wire")
    # Two counts at 16 bit would call a wet plug a number: the same margin as a 12-bit converter is used.
    return divider.sample(min(1.0, max(0.0, input_v / supply_v)), 1.0 / 4096.0)


class Ads1115:
    """One input of the chip on its bus."""

    def __init__(
        self,
        bus: I2cBus,
        address: int,
        channel: int,
        divider: Divider,
        supply_v: float = 3.3,
        supply_channel: int | None = None,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._bus = bus
        self._address = address
        self._channel = channel
        self._divider = divider
        self._supply_v = supply_v
        self._supply_channel = supply_channel
        self._sleep = sleep

    def read(self) -> Sample:
        """One reading; about 10 ms an input. OSError when the bus fails."""
        supply_v: float | None = self._supply_v
        with self._bus.conversation:  # another probe's request would turn the multiplexer meanwhile
            if self._supply_channel is not None:
                supply_v = self._convert(self._supply_channel)
            input_v = self._convert(self._channel)
        if supply_v is None or input_v is None:
            return ProbeFault(
                ProbeFaultKind.NOT_READY, "ADS1115 does not finish; check its supply and address"
            )
        return sample(input_v, supply_v, self._divider)

    def _convert(self, channel: int) -> float | None:
        wanted = request(channel)
        self._bus.write(self._address, bytes((1, wanted >> 8, wanted & 0xFF)))
        for _ in range(TRIES):
            self._sleep(PAUSE_S)
            config = int.from_bytes(self._bus.read(self._address, 1, 2), "big")
            if config & ~READY != wanted & ~READY:
                return None  # another master, or a reset: the result would be another input's
            if config & READY:
                return volts(self._bus.read(self._address, 0, 2))
        return None
