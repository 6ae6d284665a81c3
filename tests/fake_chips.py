"""Chips without hardware, down to the bytes on the bus.

Each plays what its data sheet says and nothing of our decoders. `fail_with` on any of them is an OSError that
every transfer raises while it is set.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping


class FakeSpi:
    """An `SpiBus` that answers from a function of the bytes sent, and remembers them."""

    def __init__(self, answer: Callable[[bytes], bytes]) -> None:
        self.sent: list[bytes] = []
        self.fail_with: OSError | None = None
        self._answer = answer

    def transfer(self, data: bytes) -> bytes:
        """Answer `data`."""
        if self.fail_with is not None:
            raise self.fail_with
        self.sent.append(bytes(data))
        return self._answer(bytes(data))


def fake_mcp3x08(counts: Mapping[int, int], bits: int) -> FakeSpi:
    """An MCP3208 (12 bits) or MCP3008 (10 bits) with `counts` on its channels, clocked bit by bit.

    After the start bit come the single-ended bit and three bits of the channel; then one clock to sample,
    a null bit, and the result. Before the result the wire floats, here high.
    """

    def answer(data: bytes) -> bytes:
        sent = [byte >> shift & 1 for byte in data for shift in range(7, -1, -1)]
        out = [1] * len(sent)
        if 1 in sent:
            start = sent.index(1)
            single_ended, *channel_bits = sent[start + 1 : start + 5]
            channel = channel_bits[0] << 2 | channel_bits[1] << 1 | channel_bits[2]
            value = counts.get(channel, 0) if single_ended else 0
            null_at = start + 6
            result = [0, *(value >> shift & 1 for shift in range(bits - 1, -1, -1))]
            for offset, bit in enumerate(result):
                if null_at + offset < len(out):
                    out[null_at + offset] = bit
        return bytes(int("".join(map(str, out[at : at + 8])), 2) for at in range(0, len(out), 8))

    return FakeSpi(answer)


class FakeRegisterChip:
    """A chip on SPI with registers: the first byte is the address, bit 7 for writing (MAX31856, MAX31865)."""

    def __init__(self, registers: int) -> None:
        self.registers = bytearray(registers)
        self.spi = FakeSpi(self._answer)

    def _answer(self, data: bytes) -> bytes:
        at, write = data[0] & 0x7F, data[0] & 0x80
        out = bytearray((0xFF,))
        for offset, byte in enumerate(data[1:]):
            index = (at + offset) % len(self.registers)
            out.append(self.registers[index])
            if write:
                self.registers[index] = byte
        return bytes(out)


class FakeI2c:
    """An `I2cBus` with 16-bit registers per address, and the ADS1115's habit of converting what is asked for.

    inputs_v: (address, channel) -> volts. A write to register 1 starts a conversion; it is done after
    `reads_busy` reads of register 1.
    """

    def __init__(self, inputs_v: Mapping[tuple[int, int], float], reads_busy: int = 2) -> None:
        self.conversation = threading.RLock()
        self.inputs_v = dict(inputs_v)
        self.fail_with: OSError | None = None
        self.configs: list[int] = []
        self._config: dict[int, int] = {}
        self._reads_busy = reads_busy
        self._busy = 0

    def write(self, address: int, data: bytes) -> None:
        """Write a register."""
        self._check(address)
        if data[0] == 1:
            self._config[address] = int.from_bytes(data[1:3], "big")
            self.configs.append(self._config[address])
            self._busy = self._reads_busy

    def read(self, address: int, register: int, count: int) -> bytes:
        """Read a register."""
        self._check(address)
        config = self._config.get(address, 0x8583)
        if register == 1:
            done = self._busy <= 0
            self._busy -= 1
            return (config & 0x7FFF | (0x8000 if done else 0)).to_bytes(count, "big")
        volts = self.inputs_v.get((address, (config >> 12 & 7) - 4), 0.0)
        full_scale_v = {0x0000: 6.144, 0x0200: 4.096, 0x0400: 2.048}[config & 0x0E00]
        counts = max(-32768, min(32767, round(volts / full_scale_v * 32768)))
        return counts.to_bytes(count, "big", signed=True)

    def _check(self, address: int) -> None:
        if self.fail_with is not None:
            raise self.fail_with
        if not any(known == address for known, _ in self.inputs_v):
            raise OSError(121, "Remote I/O error")  # what Linux says when nobody answers
