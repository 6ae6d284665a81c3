"""MAX6675: type K thermocouple to SPI, 16 bits, read only, 0..1023.75 °C.

Frame after the data sheet, table 'SPI timing' (from memory): D15 zero; D14..D3 unsigned, 0.25 °C; D2 open;
D1 zero (device); D0 floats. It converts for up to 0.22 s after each read: ask no more often than four
times a second. It keeps its junction temperature to itself, so its straight line of type K cannot be
undone: allow a few °C. SPI mode 0.
"""

from __future__ import annotations

from coalminder.probes import max31855
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


class Max6675:
    """The chip on its bus, told from a MAX31855, whose boards look the same.

    A MAX31855 puts its sign where the chip has its zero and its last bit where the chip says open: read for a
    MAX6675 it shows half the temperature, as often as not, and a fire tended by it runs to 190 °C. It goes on
    after 16 bits, with its junction temperature, where a MAX6675 has let go of the wire. Two such answers
    in a row that agree on the junction are no noise of a floating wire.
    """

    def __init__(self, bus: SpiBus) -> None:
        self._bus = bus
        self._junction_c: float | None = None

    def read(self) -> Sample:
        """One reading from the chip."""
        word = int.from_bytes(self._bus.transfer(bytes(4)), "big")
        before_c, self._junction_c = self._junction_c, foreign_junction_c(word)
        if before_c is not None and self._junction_c is not None and abs(self._junction_c - before_c) <= 2.0:
            return ProbeFault(ProbeFaultKind.BUS, "this is a MAX31855: write kind = 'max31855'")
        return sample(word >> 16)


def foreign_junction_c(word: int) -> float | None:
    """The junction temperature in 32 bits that a MAX31855 may have sent, °C; None when it did not."""
    frame = max31855.decode(word)
    let_go = word & 0xFFFF in (0, word >> 16)  # nothing, or the same again
    if isinstance(frame, ProbeFault) or let_go:
        return None
    return frame.junction_c if -40.0 <= frame.junction_c <= 125.0 else None
