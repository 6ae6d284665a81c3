"""MAX31865: Pt100 or Pt1000 to SPI.

Registers after the data sheet, 'Register Map': configuration 00h (80h bias, 40h convert by itself, 10h three
wires, 02h clear faults, 01h reject 50 Hz), ratio 01h/02h (15 bits, then the fault bit), thresholds
03h..06h, fault status 07h. Writing: address with bit 7 set. R = code / 32768 * reference. SPI mode 1.
"""

from __future__ import annotations

from coalminder.probes import platinum
from coalminder.probes.buses import SpiBus
from coalminder.probes.chip import SetUpChip
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

BIAS, CONVERT, THREE_WIRES, CLEAR, REJECT_50_HZ = 0x80, 0x40, 0x10, 0x02, 0x01

# Without the lead that brings the current there is no voltage either, as with a sensor that is shorted.
NO_VOLTAGE = "no resistance: the sensor's wires touch, or one is off; measure them with an ohmmeter"

# Status bit -> fault, the most telling first (data sheet, 'Fault Status Register').
FAULTS: tuple[tuple[int, ProbeFault], ...] = (
    (0x04, ProbeFault(ProbeFaultKind.SHORT_TO_SUPPLY, "over- or under-voltage at the sensor's wires")),
    (0x08, ProbeFault(ProbeFaultKind.SHORT_TO_GROUND, "a wire of the sensor touches ground, or is off")),
    (0x20, ProbeFault(ProbeFaultKind.OPEN, "no sensor; push the plug home, check the number of wires")),
    (0x10, ProbeFault(ProbeFaultKind.OPEN, "a sense wire is off; check the number of wires and the jumpers")),
    (
        0x80,
        ProbeFault(
            ProbeFaultKind.OPEN, "the sensor's resistance is too high: open, or a Pt1000 set as Pt100"
        ),
    ),
    (0x40, ProbeFault(ProbeFaultKind.SHORT, NO_VOLTAGE)),
)


def control(wires: int, mains_hz: int) -> int:
    """The configuration register as the chip must have it."""
    return BIAS | CONVERT | (THREE_WIRES if wires == 3 else 0) | (REJECT_50_HZ if mains_hz == 50 else 0)


def sample(registers: bytes, expected: int, ref_ohm: float, r0_ohm: float) -> Sample:
    """A reading or fault from registers 00h..07h; `expected`: the configuration. Never raises for 8 bytes."""
    if registers in (bytes(8), b"\xff" * 8):
        return ProbeFault(ProbeFaultKind.BUS, "MAX31865 does not answer; check wires and chip select")
    if registers[0] != expected:
        return ProbeFault(ProbeFaultKind.NOT_READY, "MAX31865 had lost its setting (a dip of its supply?)")
    status = registers[7]
    for bit, fault in FAULTS:
        if status & bit:
            return fault
    ratio = int.from_bytes(registers[1:3], "big")
    if ratio & 1:
        return ProbeFault(
            ProbeFaultKind.BUS, "MAX31865 reports a fault without naming it; shorten the SPI wires"
        )
    code = ratio >> 1
    if code == 0x7FFF:
        return ProbeFault(ProbeFaultKind.OPEN, "no sensor: full scale; push the plug home")
    if code == 0:
        return ProbeFault(ProbeFaultKind.SHORT, NO_VOLTAGE)
    ohm = code / 32768.0 * ref_ohm
    try:
        return Reading(platinum.temp_c(ohm, r0_ohm))
    except ValueError as error:
        if ohm < 0.05 * r0_ohm:  # less than any Pt100 taken for a Pt1000
            return ProbeFault(ProbeFaultKind.SHORT, NO_VOLTAGE)
        return ProbeFault(ProbeFaultKind.OUT_OF_RANGE, f"{error}; check r0_ohm and ref_ohm")


class Max31865:
    """The chip on its bus: sets it up, again whenever it has forgotten, and clears latched faults."""

    def __init__(
        self, bus: SpiBus, wires: int = 3, mains_hz: int = 50, ref_ohm: float = 430.0, r0_ohm: float = 100.0
    ) -> None:
        self._bus = bus
        self._control = control(wires, mains_hz)
        self._ref_ohm = ref_ohm
        self._r0_ohm = r0_ohm
        self._chip = SetUpChip("MAX31865", self._set_up, self._sample)

    def read(self) -> Sample:
        """One reading. The first after set-up is not ready: a conversion takes up to 70 ms."""
        return self._chip.read()

    def _set_up(self) -> None:
        # Thresholds at the ends: only a broken or shorted sensor trips them.
        self._bus.transfer(bytes((0x83, 0xFF, 0xFE, 0x00, 0x02)))
        self._clear()

    def _clear(self) -> None:
        self._bus.transfer(bytes((0x80, self._control | CLEAR)))

    def _sample(self) -> Sample:
        outcome = sample(self._bus.transfer(bytes(9))[1:], self._control, self._ref_ohm, self._r0_ohm)
        if isinstance(outcome, ProbeFault) and outcome.kind is not ProbeFaultKind.NOT_READY:
            self._clear()  # faults latch: a mended plug is seen at the next reading
        return outcome
