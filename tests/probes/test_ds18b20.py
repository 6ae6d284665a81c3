"""DS18B20: codes of the data sheet, the kernel's file, and garbage."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coalminder.probes import ds18b20
from coalminder.values import ProbeFault, ProbeFaultKind, Reading


def scratchpad(code: int, config: int = 0x7F, byte_6: int = 0x10) -> bytes:
    body = code.to_bytes(2, "little") + bytes((0x4B, 0x46, config, 0xFF, byte_6, 0x10))
    return body + bytes((ds18b20.crc8(body),))


def w1_slave(pad: bytes, said: str = "YES") -> str:
    text = " ".join(f"{byte:02x}" for byte in pad)
    return f"{text} : crc={pad[8]:02x} {said}\n{text} t=0\n"


def test_crc_of_a_known_scratchpad() -> None:
    """The power-on scratchpad 50 05 4b 46 7f ff 0c 10 has the CRC 1ch (common practice, any kernel log)."""
    assert ds18b20.crc8(bytes.fromhex("50054b467fff0c10")) == 0x1C


@pytest.mark.parametrize(
    ("code", "temp_c"),
    [
        (0x07D0, 125.0), (0x0550, 85.0), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0x0000, 0.0),
        (0xFFF8, -0.5), (0xFF5E, -10.125), (0xFE6F, -25.0625), (0xFC90, -55.0),
    ],
)  # fmt: skip
def test_codes_of_the_data_sheet(code: int, temp_c: float) -> None:
    """DS18B20 data sheet, table 1 (from memory, but for 25.0625 and -10.125 °C)."""
    assert ds18b20.decode(scratchpad(code)) == Reading(temp_c)


def test_power_on_value_is_not_85_degrees_but_85_degrees_is() -> None:
    woken = ds18b20.decode(scratchpad(0x0550, byte_6=0x0C))
    assert isinstance(woken, ProbeFault)
    assert woken.kind is ProbeFaultKind.NOT_READY
    assert ds18b20.decode(scratchpad(0x0550, byte_6=0x10)) == Reading(85.0)
    # byte 6 counts down from 10h through the sixteenths (DS1820 data sheets, from memory): 0ch at every x.25
    assert ds18b20.decode(scratchpad(0x05D4, byte_6=0x0C)) == Reading(93.25)


@pytest.mark.parametrize(("config", "temp_c"), [(0x1F, 25.5), (0x3F, 25.75), (0x5F, 25.875), (0x7F, 25.9375)])
def test_undefined_bits_of_a_lower_resolution_are_dropped(config: int, temp_c: float) -> None:
    assert ds18b20.decode(scratchpad(0x019F, config)) == Reading(temp_c)


@pytest.mark.parametrize(
    ("pad", "kind"),
    [
        (bytes(9), ProbeFaultKind.BUS),
        (b"\xff" * 9, ProbeFaultKind.BUS),
        (bytes((scratchpad(0x0191)[0] ^ 1,)) + scratchpad(0x0191)[1:], ProbeFaultKind.CHECKSUM),
        (scratchpad(0x0191, config=0x00), ProbeFaultKind.BUS),
        (scratchpad(0x0800), ProbeFaultKind.OUT_OF_RANGE),
    ],
    ids=["zeros pass the CRC", "ones", "one bit wrong", "another chip", "128 °C"],
)
def test_bad_scratchpads_are_named(pad: bytes, kind: ProbeFaultKind) -> None:
    sample = ds18b20.decode(pad)
    assert isinstance(sample, ProbeFault)
    assert sample.kind is kind


@given(st.integers(0, 2**16 - 1), st.integers(0, 71))
def test_any_single_wrong_bit_is_a_fault(code: int, bit: int) -> None:
    pad = bytearray(scratchpad(code))
    pad[bit // 8] ^= 1 << bit % 8
    assert isinstance(ds18b20.decode(bytes(pad)), ProbeFault)


@given(st.binary(min_size=9, max_size=9), st.booleans())
def test_no_scratchpad_crashes(pad: bytes, mend_crc: bool) -> None:
    if mend_crc:
        pad = pad[:8] + bytes((ds18b20.crc8(pad[:8]),))
    sample = ds18b20.decode(pad)
    assert isinstance(sample, ProbeFault) or math.isfinite(sample.temp_c)


@given(st.text(max_size=200))
def test_no_file_crashes(text: str) -> None:
    assert isinstance(ds18b20.parse(text), ProbeFault)


def test_kernel_file_is_read(tmp_path: Path) -> None:
    folder = tmp_path / "28-0123456789ab"
    folder.mkdir()
    (folder / "w1_slave").write_text(w1_slave(scratchpad(0x0191)), encoding="ascii")
    assert ds18b20.read("28-0123456789ab", tmp_path) == Reading(25.0625)
    (folder / "w1_slave").write_text(w1_slave(scratchpad(0x0191), "NO"), encoding="ascii")
    garbled = ds18b20.read("28-0123456789ab", tmp_path)
    assert isinstance(garbled, ProbeFault)
    assert garbled.kind is ProbeFaultKind.CHECKSUM
    with pytest.raises(OSError, match="28-ffff"):
        ds18b20.read("28-ffffffffffff", tmp_path)
