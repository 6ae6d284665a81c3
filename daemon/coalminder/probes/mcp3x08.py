"""MCP3208 (12 bit) and MCP3008 (10 bit): eight-channel converters on SPI, for thermistors.

Frames after the data sheets, 'Serial communication' (from memory): start bit, single-ended bit, three channel
bits, then a null bit and the result, most significant bit first. The converter compares with its own
supply, and so does the divider: the supply cancels out.
"""

from __future__ import annotations

from dataclasses import replace

from coalminder.probes.buses import SpiBus
from coalminder.probes.thermistor import Divider
from coalminder.values import ProbeFault, ProbeFaultKind, Sample

SPI_MODE, SPI_HZ = 0, 500_000
BITS = {"mcp3208": 12, "mcp3008": 10}


def request(kind: str, channel: int) -> bytes:
    """The three bytes that ask for `channel` 0..7, single-ended."""
    if kind == "mcp3208":
        return bytes((0x06 | channel >> 2, (channel & 3) << 6, 0))
    return bytes((0x01, 0x80 | channel << 4, 0))


def decode(kind: str, answer: bytes) -> int | ProbeFault:
    """The counts in the three bytes that came back. Never raises for three bytes."""
    word = int.from_bytes(answer, "big")
    bits = BITS[kind]
    if word >> bits & 1:  # the null bit: a chip that drives its wire sends 0 here
        return ProbeFault(ProbeFaultKind.BUS, f"{kind} does not answer; check wires and chip select")
    return word & (1 << bits) - 1


def sample(kind: str, answers: list[bytes], divider: Divider) -> Sample:
    """A reading or fault from one or more answers, averaged."""
    counts = [decode(kind, answer) for answer in answers]
    for count in counts:
        if isinstance(count, ProbeFault):
            return count
    numbers = [count for count in counts if not isinstance(count, ProbeFault)]
    full = 1 << BITS[kind]
    outcome = divider.sample(sum(numbers) / len(numbers) / full, 1.0 / full)
    if isinstance(outcome, ProbeFault) and not any(numbers):  # a dead data wire looks like that, too
        dead = f"{kind} sends only zeros: if so on all its inputs, check its supply and data wire"
        return replace(outcome, detail=f"{outcome.detail}; {dead}")
    return outcome


def read(bus: SpiBus, kind: str, channel: int, samples: int, divider: Divider) -> Sample:
    """One reading, averaged over `samples` conversions."""
    return sample(kind, [bus.transfer(request(kind, channel)) for _ in range(samples)], divider)
