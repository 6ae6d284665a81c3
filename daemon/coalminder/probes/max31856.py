"""MAX31856: any thermocouple to SPI, linearised in the chip; here type K, converting by itself.

Registers after the data sheet, 'Register Memory Map': CR0 00h (80h convert by itself, 10h..20h open-wire
test, 01h reject 50 Hz), CR1 01h (averaging 6:4, type 3:0, 3 = K), CJTH/CJTL 0Ah/0Bh (14 bits, 2^-6 °C),
LTC 0Ch..0Eh (19 bits, 2^-7 °C), SR 0Fh. Writing: address with bit 7 set. SPI mode 1.
"""

from __future__ import annotations

from coalminder.probes.buses import SpiBus
from coalminder.probes.chip import SetUpChip
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

SPI_MODE = 1
CONVERT, OPEN_TEST, REJECT_50_HZ = 0x80, 0x10, 0x01
AVERAGE_4_TYPE_K = 0x23

# Status bit -> fault, the most telling first.
FAULTS: tuple[tuple[int, ProbeFault], ...] = (
    (0x01, ProbeFault(ProbeFaultKind.OPEN, "no thermocouple; push the plug home, check both screws")),
    (0x02, ProbeFault(ProbeFaultKind.SHORT_TO_SUPPLY, "over- or under-voltage at the thermocouple's wires")),
    (0x80, ProbeFault(ProbeFaultKind.OUT_OF_RANGE, "the MAX31856 itself is too hot or too cold")),
    (0x40, ProbeFault(ProbeFaultKind.OUT_OF_RANGE, "the thermocouple is outside the range of type K")),
    (0x20, ProbeFault(ProbeFaultKind.OUT_OF_RANGE, "the MAX31856 itself is above its upper limit")),
    (0x10, ProbeFault(ProbeFaultKind.OUT_OF_RANGE, "the MAX31856 itself is below its lower limit")),
    (0x08, ProbeFault(ProbeFaultKind.OUT_OF_RANGE, "the thermocouple is above its upper limit")),
    (0x04, ProbeFault(ProbeFaultKind.OUT_OF_RANGE, "the thermocouple is below its lower limit")),
)


def control(mains_hz: int) -> bytes:
    """CR0, CR1 as the chip must have them."""
    return bytes((CONVERT | OPEN_TEST | (REJECT_50_HZ if mains_hz == 50 else 0), AVERAGE_4_TYPE_K))


def sample(registers: bytes, expected: bytes) -> Sample:
    """A reading or fault from registers 00h..0Fh; `expected`: CR0, CR1. Never raises for 16 bytes."""
    if registers in (bytes(16), b"\xff" * 16):
        return ProbeFault(ProbeFaultKind.BUS, "MAX31856 does not answer; check wires and chip select")
    if registers[:2] != expected:
        return ProbeFault(ProbeFaultKind.NOT_READY, "MAX31856 had lost its setting (a dip of its supply?)")
    status = registers[0x0F]
    for bit, fault in FAULTS:
        if status & bit:
            return fault
    temp_c = int.from_bytes(registers[0x0C:0x0F], "big", signed=True) / 32 / 128.0
    if not -200.0 <= temp_c <= 1372.0:
        return ProbeFault(ProbeFaultKind.OUT_OF_RANGE, f"{temp_c:.0f} °C is outside type K")
    return Reading(temp_c)


class Max31856:
    """The chip on its bus: sets it up, and again whenever it has forgotten."""

    def __init__(self, bus: SpiBus, mains_hz: int = 50) -> None:
        setting = control(mains_hz)
        self._chip = SetUpChip(
            "MAX31856",
            lambda: bus.transfer(bytes((0x80,)) + setting),
            lambda: sample(bus.transfer(bytes(17))[1:], setting),
        )

    def read(self) -> Sample:
        """One reading. The first after set-up is not ready: a conversion takes up to 0.2 s."""
        return self._chip.read()
