"""DS18B20 through the kernel's 1-Wire files.

The file w1_slave gives the nine bytes of the scratchpad in hex, whether its CRC was right, and the
temperature; reading it starts a conversion and blocks for up to 0.75 s. Bytes after the data sheet,
'Memory': 0, 1 temperature, signed, 1/16 °C; 4 configuration 0RR11111; 5 FFh; 8 CRC (x⁸+x⁵+x⁴+1).
w1thermsensor is a kept library for these files, but takes every 85 °C for a failed start, and 85 °C is in
our band.
"""

from __future__ import annotations

import re
from pathlib import Path

from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

DEVICES = Path("/sys/bus/w1/devices")
POWER_ON_C = 85.0
POWER_ON_BYTE_6 = (
    0x0C  # reserved byte before the first conversion; afterwards 10h minus the low bits (common practice)
)

_LINE = re.compile(r"^((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)\s*$", re.IGNORECASE | re.MULTILINE)


def crc8(data: bytes) -> int:
    """Maxim 1-Wire CRC: x⁸+x⁵+x⁴+1, least significant bit first, start 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    return crc


def decode(scratchpad: bytes) -> Sample:
    """A reading or fault from nine bytes. Never raises for nine bytes."""
    if scratchpad in (bytes(9), b"\xff" * 9):
        return ProbeFault(
            ProbeFaultKind.BUS, "the 1-Wire bus is stuck; check the pull-up of 4.7 kΩ and the plug"
        )
    if crc8(scratchpad) != 0:
        return ProbeFault(ProbeFaultKind.CHECKSUM, "a garbled answer; shorten the cable or lower the pull-up")
    if scratchpad[4] & 0x9F != 0x1F or scratchpad[5] != 0xFF:
        return ProbeFault(ProbeFaultKind.BUS, "this is no DS18B20's answer; check the serial number")
    unused_bits = 3 - (scratchpad[4] >> 5 & 3)
    raw = int.from_bytes(scratchpad[:2], "little", signed=True) >> unused_bits << unused_bits
    temp_c = raw / 16.0
    if temp_c == POWER_ON_C and scratchpad[6] == POWER_ON_BYTE_6:
        return ProbeFault(ProbeFaultKind.NOT_READY, "the DS18B20 has just started: its supply dips")
    if not -55.0 <= temp_c <= 125.0:
        return ProbeFault(ProbeFaultKind.OUT_OF_RANGE, f"{temp_c:.1f} °C is outside a DS18B20")
    return Reading(temp_c)


def parse(text: str) -> Sample:
    """A reading or fault from the text of w1_slave. Never raises."""
    line = _LINE.search(text)
    if line is None:
        return ProbeFault(ProbeFaultKind.BUS, "the kernel's 1-Wire file is empty or garbled")
    if line.group(2).upper() != "YES":
        return ProbeFault(ProbeFaultKind.CHECKSUM, "a garbled answer; shorten the cable or lower the pull-up")
    return decode(bytes.fromhex(line.group(1)))


def read(serial: str, devices: Path = DEVICES) -> Sample:
    """One reading of the chip with this serial number. OSError when it is not there."""
    try:
        text = (devices / serial / "w1_slave").read_text(encoding="ascii", errors="replace")
    except FileNotFoundError as error:
        raise OSError(f"no {serial} under {devices}") from error
    return parse(text)
