"""Decoders of the SPI chips: rows of the data sheets, and every word there is."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from coalminder.probes import max6675, max31855, max31856, max31865, mcp3x08, type_k
from coalminder.probes.thermistor import Divider, from_beta
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

DIVIDER = Divider(from_beta(3950.0, 10_000.0))


def sound(sample: Sample) -> bool:
    """A named fault with words for a person, or a finite temperature."""
    if isinstance(sample, ProbeFault):
        return isinstance(sample.kind, ProbeFaultKind) and len(sample.detail) > 10
    return math.isfinite(sample.temp_c)


def max31855_word(tc_code: int, cj_code: int, low: int = 0) -> int:
    return (tc_code & 0x3FFF) << 18 | (cj_code & 0xFFF) << 4 | low


# --- MAX31855 ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "temp_c"),
    [
        (0b01100100000000, 1600.0),
        (0b00111110100000, 1000.0),
        (0b00000110010011, 100.75),
        (0b00000001100100, 25.0),
        (0b11111111111111, -0.25),
        (0b11110000011000, -250.0),
    ],
)
def test_max31855_hot_end_codes_of_the_data_sheet(code: int, temp_c: float) -> None:
    """MAX31855 data sheet, table 4."""
    frame = max31855.decode(max31855_word(code, 0x190))
    assert isinstance(frame, max31855.Frame)
    assert frame.shown_c == temp_c


@pytest.mark.parametrize(
    ("code", "temp_c"),
    [
        (0b011111110000, 127.0),
        (0b011001001001, 100.5625),
        (0b000110010000, 25.0),
        (0b111111111111, -0.0625),
        (0b111011000000, -20.0),
        (0b110010010000, -55.0),
    ],
)
def test_max31855_junction_codes_of_the_data_sheet(code: int, temp_c: float) -> None:
    """MAX31855 data sheet, table 5."""
    frame = max31855.decode(max31855_word(400, code))
    assert isinstance(frame, max31855.Frame)
    assert frame.junction_c == temp_c


@pytest.mark.parametrize(
    ("bits", "kind"),
    [
        (0b001, ProbeFaultKind.OPEN),
        (0b010, ProbeFaultKind.SHORT_TO_GROUND),
        (0b100, ProbeFaultKind.SHORT_TO_SUPPLY),
        (0b011, ProbeFaultKind.OPEN),
    ],
)
def test_max31855_fault_bits_are_named(bits: int, kind: ProbeFaultKind) -> None:
    """MAX31855 data sheet, table 3."""
    sample = max31855.sample(max31855_word(400, 400, 0x1_0000 | bits))
    assert isinstance(sample, ProbeFault)
    assert sample.kind is kind


@pytest.mark.parametrize(
    "word",
    [0, 0xFFFF_FFFF, 1 << 17 | 0x1900, 0x1908, 0x1_1900, 0x1901],
    ids=["zeros", "ones", "D17", "D3", "fault without a cause", "cause without fault"],
)
def test_max31855_impossible_frames_are_bus_faults(word: int) -> None:
    sample = max31855.sample(word)
    assert isinstance(sample, ProbeFault)
    assert sample.kind is ProbeFaultKind.BUS


@given(st.integers(0, 2**32 - 1))
@example(0x8000_8000)
def test_max31855_no_word_crashes_and_no_faulty_word_is_a_temperature(word: int) -> None:
    sample = max31855.sample(word)
    assert sound(sample)
    if word & 0x0003_000F or word == 0:
        assert isinstance(sample, ProbeFault)


@given(st.floats(0.0, 500.0), st.floats(-20.0, 70.0))
def test_max31855_reading_is_true_to_its_last_bit(hot_c: float, junction_c: float) -> None:
    """The chip after its data sheet: a straight line of 41.276 µV/°C through the junction, cut to 0.25 °C.

    What is left after re-linearisation is the chip's own rounding: half a step of 0.25 °C for the hot end
    times the ratio of the slopes, and the junction's 0.03 °C.
    """
    junction_code = round(junction_c * 16)
    emf_mv = type_k.emf_mv(hot_c) - type_k.emf_mv(junction_c)
    tc_code = round((emf_mv * 1000.0 / 41.276 + junction_c) * 4)
    word = max31855_word(tc_code, junction_code)
    assume(word != 0)  # both exactly 0 °C looks like a dead wire and is called one
    sample = max31855.sample(word)
    assert isinstance(sample, Reading)
    assert sample.temp_c == pytest.approx(hot_c, abs=0.125 * 41.276 / 39.4 + 0.035)


def test_max31855_straight_line_alone_would_be_a_degree_wrong() -> None:
    """What the re-linearisation is for: the chip shows 200 °C as about 198 °C at a junction of 25 °C."""
    shown_c = 7.1383 * 1000.0 / 41.276 + 25.0
    assert abs(shown_c - 200.0) > 1.0
    sample = max31855.linearise(max31855.Frame(shown_c, 25.0))
    assert isinstance(sample, Reading)
    assert sample.temp_c == pytest.approx(200.0, abs=0.06)


@pytest.mark.parametrize(
    ("junction_c", "works"), [(-55.1, False), (-54.9, True), (124.9, True), (125.1, False)]
)
def test_max31855_hotter_or_colder_than_it_works_shows_nothing(junction_c: float, works: bool) -> None:
    """MAX31855 data sheet (from memory): the junction is measured from -55 to +125 °C."""
    sample = max31855.linearise(max31855.Frame(junction_c, junction_c))
    assert isinstance(sample, Reading) is works


# --- MAX6675 -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("counts", "temp_c"), [(1, 0.25), (372, 93.0), (4094, 1023.5)])
def test_max6675_counts_quarters_of_a_degree(counts: int, temp_c: float) -> None:
    """MAX6675 data sheet (from memory): 12 bits, 0.25 °C."""
    assert max6675.sample(counts << 3) == Reading(temp_c)


def test_max6675_every_word() -> None:
    for word in range(2**16):
        sample = max6675.sample(word)
        assert sound(sample)
        if word & 0x8006:
            assert isinstance(sample, ProbeFault)
    open_circuit = max6675.sample(93 * 4 << 3 | 0x4)
    assert isinstance(open_circuit, ProbeFault)
    assert open_circuit.kind is ProbeFaultKind.OPEN
    for dead in (0x0000, 0xFFFF):
        assert isinstance(max6675.sample(dead), ProbeFault)


# --- MAX31856 ------------------------------------------------------------------------------------------

EXPECTED_56 = max31856.control(50)


def max31856_registers(left_24: int, status: int = 0, control: bytes = EXPECTED_56) -> bytes:
    return control + bytes(10) + left_24.to_bytes(3, "big") + bytes((status,))


@pytest.mark.parametrize(
    ("left_24", "temp_c"),
    [
        (0x3E8000, 1000.0),
        (0x064F00, 100.9375),
        (0x019000, 25.0),
        (0x000100, 0.0625),
        (0x000020, 0.0078125),
        (0x000000, 0.0),
        (0xFFFF00, -0.0625),
        (0xFFF000, -1.0),
    ],
)
def test_max31856_counts_128ths_of_a_degree(left_24: int, temp_c: float) -> None:
    """MAX31856 data sheet, 'Linearized Temperature Data Format' (from memory): 19 bits, 2^-7 °C."""
    assert max31856.sample(max31856_registers(left_24), EXPECTED_56) == Reading(temp_c)


def test_max31856_outside_type_k_is_a_fault() -> None:
    for left_24 in (0x640000, 0xF06000):  # 1600 and -250 °C
        sample = max31856.sample(max31856_registers(left_24), EXPECTED_56)
        assert isinstance(sample, ProbeFault)
        assert sample.kind is ProbeFaultKind.OUT_OF_RANGE


@pytest.mark.parametrize(
    ("bit", "kind"),
    [
        (0x80, ProbeFaultKind.OUT_OF_RANGE),
        (0x40, ProbeFaultKind.OUT_OF_RANGE),
        (0x20, ProbeFaultKind.OUT_OF_RANGE),
        (0x10, ProbeFaultKind.OUT_OF_RANGE),
        (0x08, ProbeFaultKind.OUT_OF_RANGE),
        (0x04, ProbeFaultKind.OUT_OF_RANGE),
        (0x02, ProbeFaultKind.SHORT_TO_SUPPLY),
        (0x01, ProbeFaultKind.OPEN),
    ],
)
def test_max31856_fault_bits_are_named(bit: int, kind: ProbeFaultKind) -> None:
    sample = max31856.sample(max31856_registers(0x064000, bit), EXPECTED_56)
    assert isinstance(sample, ProbeFault)
    assert sample.kind is kind


@given(st.binary(min_size=16, max_size=16), st.booleans())
def test_max31856_no_registers_crash_and_no_fault_is_a_temperature(registers: bytes, set_up: bool) -> None:
    if set_up:
        registers = EXPECTED_56 + registers[2:]
    sample = max31856.sample(registers, EXPECTED_56)
    assert sound(sample)
    if registers[15] or registers[:2] != EXPECTED_56:
        assert isinstance(sample, ProbeFault)


# --- MAX31865 ------------------------------------------------------------------------------------------

EXPECTED_65 = max31865.control(3, 50)


def max31865_registers(register: int, status: int = 0, control: int = EXPECTED_65) -> bytes:
    return bytes((control,)) + register.to_bytes(2, "big") + b"\xff\xfe\x00\x02" + bytes((status,))


def test_max31865_worked_example() -> None:
    """138.505 Ω on 430 Ω is code 10555, register 5276h: 100 °C (equation of the MAX31865 data sheet)."""
    sample = max31865.sample(max31865_registers(0x5276), EXPECTED_65, 430.0, 100.0)
    assert isinstance(sample, Reading)
    assert sample.temp_c == pytest.approx(100.0, abs=0.04)  # one code is 0.034 °C


@pytest.mark.parametrize(
    ("bit", "kind"),
    [
        (0x80, ProbeFaultKind.OPEN),
        (0x40, ProbeFaultKind.SHORT),
        (0x20, ProbeFaultKind.OPEN),
        (0x10, ProbeFaultKind.OPEN),
        (0x08, ProbeFaultKind.SHORT_TO_GROUND),
        (0x04, ProbeFaultKind.SHORT_TO_SUPPLY),
    ],
)
def test_max31865_fault_bits_are_named(bit: int, kind: ProbeFaultKind) -> None:
    sample = max31865.sample(max31865_registers(0x5277, bit), EXPECTED_65, 430.0, 100.0)
    assert isinstance(sample, ProbeFault)
    assert sample.kind is kind


@pytest.mark.parametrize("code", [0, 1, 2, 40])
def test_max31865_without_the_lead_of_its_current_is_not_only_shorted(code: int) -> None:
    """Ohm's law: no current, no voltage, but for some counts of offset; the low threshold may name it."""
    for register, status in ((code << 1, 0), (code << 1 | 1, 0x40)):
        sample = max31865.sample(max31865_registers(register, status), EXPECTED_65, 430.0, 100.0)
        assert isinstance(sample, ProbeFault)
        assert "or one is off" in sample.detail
        assert "r0_ohm" not in sample.detail


def test_max31865_with_a_pt100_on_a_board_for_pt1000_asks_for_its_settings() -> None:
    """107.8 Ω at 20 °C (IEC 60751) on 4300 Ω, read as on 430 Ω: a tenth."""
    code = round(107.8 / 4300.0 * 32768.0)
    sample = max31865.sample(max31865_registers(code << 1), EXPECTED_65, 430.0, 100.0)
    assert isinstance(sample, ProbeFault)
    assert "check r0_ohm and ref_ohm" in sample.detail


@given(st.binary(min_size=8, max_size=8), st.booleans(), st.sampled_from([(430.0, 100.0), (4300.0, 1000.0)]))
def test_max31865_no_registers_crash_and_no_fault_is_a_temperature(
    registers: bytes, set_up: bool, resistors: tuple[float, float]
) -> None:
    if set_up:
        registers = bytes((EXPECTED_65,)) + registers[1:]
    sample = max31865.sample(registers, EXPECTED_65, *resistors)
    assert sound(sample)
    if registers[7] & 0xFC or registers[2] & 1 or registers[0] != EXPECTED_65:
        assert isinstance(sample, ProbeFault)


# --- MCP3208, MCP3008 ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "channel", "sent"),
    [
        ("mcp3208", 0, "060000"), ("mcp3208", 3, "06c000"), ("mcp3208", 4, "070000"),
        ("mcp3208", 7, "07c000"), ("mcp3008", 0, "018000"), ("mcp3008", 7, "01f000"),
    ],
)  # fmt: skip
def test_mcp_requests_are_those_of_the_data_sheet(kind: str, channel: int, sent: str) -> None:
    """MCP3208 figure 6-1, MCP3008 figure 6-1 (from memory): the bits aligned to bytes."""
    assert mcp3x08.request(kind, channel).hex() == sent


@given(st.binary(min_size=3, max_size=3), st.sampled_from(["mcp3208", "mcp3008"]))
def test_mcp_no_answer_crashes(answer: bytes, kind: str) -> None:
    assert sound(mcp3x08.sample(kind, [answer], DIVIDER))
    counts = mcp3x08.decode(kind, answer)
    assert isinstance(counts, ProbeFault) or 0 <= counts < 2 ** mcp3x08.BITS[kind]


@pytest.mark.parametrize("kind", ["mcp3208", "mcp3008"])
def test_mcp_half_scale_is_25_degrees(kind: str) -> None:
    """A 10 kΩ thermistor against 10 kΩ: half the supply at 25 °C."""
    half = (1 << mcp3x08.BITS[kind] - 1).to_bytes(3, "big")
    sample = mcp3x08.sample(kind, [half, half], DIVIDER)
    assert isinstance(sample, Reading)
    assert sample.temp_c == pytest.approx(25.0, abs=1e-9)


@pytest.mark.parametrize("to_ground", [True, False])
@pytest.mark.parametrize("kind", ["mcp3208", "mcp3008"])
def test_mcp_without_supply_is_not_only_taken_for_a_bad_plug(kind: str, to_ground: bool) -> None:
    """A chip that drives nothing leaves the wire low, the null bit's own level: the answer is all zeros."""
    divider = replace(DIVIDER, to_ground=to_ground)
    dead = mcp3x08.sample(kind, [bytes(3)] * 8, divider)
    assert isinstance(dead, ProbeFault)
    assert "supply and data wire" in dead.detail
    near = mcp3x08.sample(kind, [bytes((0, 0, 1))] * 8, divider)  # it lives
    assert isinstance(near, ProbeFault)
    assert "data wire" not in near.detail


@pytest.mark.parametrize("kind", ["mcp3208", "mcp3008"])
def test_mcp_floating_wire_and_rails_are_faults(kind: str) -> None:
    full = ((1 << mcp3x08.BITS[kind]) - 1).to_bytes(3, "big")
    kinds = {}
    for name, answer in (("floating", b"\xff\xff\xff"), ("zero", bytes(3)), ("full", full)):
        sample = mcp3x08.sample(kind, [answer], DIVIDER)
        assert isinstance(sample, ProbeFault)
        kinds[name] = sample.kind
    assert kinds == {
        "floating": ProbeFaultKind.BUS, "zero": ProbeFaultKind.SHORT, "full": ProbeFaultKind.OPEN,
    }  # fmt: skip
