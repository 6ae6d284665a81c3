"""MAX6675: type K thermocouple to SPI, 16 bits, read only, 0..1023.75 °C.

Frame after the data sheet, table 'SPI timing' (from memory): D15 zero; D14..D3 unsigned, 0.25 °C; D2 open;
D1 zero (device); D0 floats. It converts for up to 0.22 s after each read: ask no more often than four
times a second. It keeps its junction temperature to itself, so its straight line of type K cannot be
undone: allow a few °C. SPI mode 0.
"""

from __future__ import annotations

from coalminder.probes.buses import SpiBus
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample


def sample(word: int) -> Sample:
    """A reading or fault from a 16-bit word. Never raises for 0 <= word < 2**16."""
    if word & 0x8002:
        return ProbeFault(ProbeFaultKind.BUS, "MAX6675 sends no valid frame; check wires and chip select")
    if word & 0x0004:
        return ProbeFault(ProbeFaultKind.OPEN, "no thermocouple; push the plug home, check both screws")
    counts = word >> 3
    if counts == 0:
        # 0 °C is also the chip's floor and what a dead data wire looks like.
        return ProbeFault(
            ProbeFaultKind.OUT_OF_RANGE,
            "MAX6675 shows 0 °C or less: frost, a thermocouple's two wires swapped, or a dead data wire",
        )
    if counts == 0xFFF:
        return ProbeFault(ProbeFaultKind.OUT_OF_RANGE, "MAX6675 is at the end of its range")
    return Reading(counts / 4.0)


def read(bus: SpiBus) -> Sample:
    """One reading from the chip."""
    return sample(int.from_bytes(bus.transfer(bytes(2)), "big"))
