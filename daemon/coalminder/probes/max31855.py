"""MAX31855: type K thermocouple to SPI, 32 bits, read only.

Frame after the data sheet, 'Memory Map': D31..D18 thermocouple, signed, 0.25 °C; D17 zero; D16 fault; D15..D4
junction, signed, 0.0625 °C; D3 zero; D2 short to supply, D1 short to ground, D0 open.

The chip takes type K for a straight line of 41.276 µV/°C, which is 2 °C wrong at 200 °C and 3.5 °C
at 290 °C; its own numbers give the emf back, and type_k.py turns that into a temperature after ITS-90.
"""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.probes import type_k
from coalminder.probes.buses import SpiBus
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

SPI_MODE = 0
UV_PER_C = 41.276  # data sheet, 'Thermal characteristics', type K

_NOT_OF_A_MAX6675 = 0x8004_FFFF  # sign, last bit of the temperature, all that comes after 16 bits
ALIKE = 30  # readings in a row; a chip in frost, at 0.00 °C itself, shows this by chance once in 2^30

FAULTS: dict[int, ProbeFault] = {
    0b001: ProbeFault(ProbeFaultKind.OPEN, "no thermocouple; push the plug home, check both screws"),
    0b010: ProbeFault(
        ProbeFaultKind.SHORT_TO_GROUND, "the thermocouple touches ground; use an insulated one"
    ),
    0b100: ProbeFault(
        ProbeFaultKind.SHORT_TO_SUPPLY, "the thermocouple touches the supply; look for a crushed wire"
    ),
}


@dataclass(frozen=True, slots=True)
class Frame:
    """What the chip says, before ITS-90: hot end and junction in °C."""

    shown_c: float
    junction_c: float


def decode(word: int) -> Frame | ProbeFault:
    """The frame in a 32-bit word, or its fault. Never raises for 0 <= word < 2**32."""
    if word == 0:
        return ProbeFault(ProbeFaultKind.BUS, "MAX31855 sends only zeros; check its supply and the data wire")
    if word & 0x0002_0008:
        return ProbeFault(ProbeFaultKind.BUS, "MAX31855 sends no valid frame; check wires and chip select")
    bits = word & 0b111
    if bool(word & 0x0001_0000) != bool(bits):
        return ProbeFault(
            ProbeFaultKind.BUS, "MAX31855 contradicts itself about a fault; shorten the SPI wires"
        )
    if bits:
        return FAULTS[bits & -bits]
    return Frame(_signed(word >> 18, 14) / 4.0, _signed(word >> 4 & 0xFFF, 12) / 16.0)


def linearise(frame: Frame) -> Sample:
    """The true temperature of a frame after ITS-90."""
    if not -55.0 <= frame.junction_c <= 125.0:
        return ProbeFault(ProbeFaultKind.OUT_OF_RANGE, f"the MAX31855 itself is at {frame.junction_c:.0f} °C")
    emf_mv = (frame.shown_c - frame.junction_c) * UV_PER_C / 1000.0
    try:
        return Reading(type_k.at_junction(emf_mv, frame.junction_c))
    except ValueError:
        return ProbeFault(ProbeFaultKind.OUT_OF_RANGE, f"{frame.shown_c:.0f} °C is outside type K")


def sample(word: int) -> Sample:
    """A reading or fault from a 32-bit word."""
    frame = decode(word)
    return frame if isinstance(frame, ProbeFault) else linearise(frame)


class Max31855:
    """The chip on its bus, told from a MAX6675, whose boards look the same.

    Read for a MAX31855 that one shows twice the temperature: food would be done at 36 °C. It lets go of the
    wire after 16 bits, so its junction seems to be at 0.00 °C; and where the last bit of the temperature
    should be it has the one that says open, a zero. Noise takes the chip's own last bit off zero soon.
    """

    def __init__(self, bus: SpiBus) -> None:
        self._bus = bus
        self._alike = 0

    def read(self) -> Sample:
        """One reading from the chip."""
        word = int.from_bytes(self._bus.transfer(bytes(4)), "big")
        self._alike = 0 if word & _NOT_OF_A_MAX6675 else self._alike + 1
        if word and self._alike >= ALIKE:
            return ProbeFault(ProbeFaultKind.BUS, "this is a MAX6675: write kind = 'max6675'")
        return sample(word)


def _signed(value: int, bits: int) -> int:
    return value - (1 << bits) if value & (1 << bits - 1) else value
