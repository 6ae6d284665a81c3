"""Drivers on fake chips: the bytes they send, and how they take trouble."""

from __future__ import annotations

import errno
import random
import sys
from collections.abc import Callable
from functools import partial
from types import SimpleNamespace

import pytest
from fake_chips import FakeI2c, FakeRegisterChip, FakeSpi, fake_mcp3x08
from hypothesis import assume, given
from hypothesis import strategies as st

from coalminder.probes import mcp3x08, platinum
from coalminder.probes.ads1115 import Ads1115
from coalminder.probes.buses import Buses, I2cBus, LinuxI2c, LinuxSpi, SpiBus
from coalminder.probes.chip import ChipProbe, Correction
from coalminder.probes.max6675 import Max6675
from coalminder.probes.max31855 import Max31855
from coalminder.probes.max31856 import Max31856
from coalminder.probes.max31865 import Max31865
from coalminder.probes.thermistor import Divider, SteinhartHart
from coalminder.seams import Probe
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample
from coalminder.vents.pca9685 import open_pca9685

CURVE = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)  # 10 kΩ type 2 (module guide)
DIVIDER = Divider(CURVE)


def kind(sample: Sample) -> ProbeFaultKind | None:
    return sample.kind if isinstance(sample, ProbeFault) else None


def temp_c(sample: Sample) -> float:
    assert isinstance(sample, Reading), sample
    return sample.temp_c


@pytest.mark.parametrize("chip", ["mcp3208", "mcp3008"])
@pytest.mark.parametrize("channel", range(8))
def test_mcp_driver_reads_its_own_channel_bit_by_bit(chip: str, channel: int) -> None:
    bits = mcp3x08.BITS[chip]
    counts = {at: round((1 << bits) * (0.1 + 0.05 * at)) for at in range(8)}
    bus = fake_mcp3x08(counts, bits)
    seen = mcp3x08.read(bus, chip, channel, 3, DIVIDER)
    expected = CURVE.temp_c(DIVIDER.resistance_ohm(counts[channel] / (1 << bits)))
    assert temp_c(seen) == pytest.approx(expected, abs=1e-9)
    assert len(bus.sent) == 3


def test_max31855_is_read_with_four_bytes() -> None:
    bus = FakeSpi(lambda data: (0x0648_1900).to_bytes(len(data), "big"))
    # 100.5 °C shown at a junction of 25 °C: 75.5 · 41.276 µV = 3.1163 mV; + E(25) 1.0002 = 4.1165 mV
    assert temp_c(Max31855(bus).read()) == pytest.approx(100.5, abs=0.06)
    assert bus.sent == [bytes(4)]


@pytest.mark.parametrize(
    "after", ["0000", "ffff", "0ba0", None], ids=["low", "high", "the same again", "noise"]
)
def test_max6675_is_read_whatever_the_wire_does_after_its_sixteen_bits(after: str | None) -> None:
    noise = random.Random(1)
    rest = lambda: noise.randbytes(2) if after is None else bytes.fromhex(after)  # noqa: E731
    driver = Max6675(FakeSpi(lambda _data: (93 * 4 << 3).to_bytes(2, "big") + rest()))
    assert {temp_c(driver.read()) for _ in range(2000)} == {93.0}


@given(st.floats(5.0, 300.0), st.floats(1.0, 60.0))
def test_max6675_is_told_from_a_max31855(hot_c: float, junction_c: float) -> None:
    """Half the temperature of a fire is the worst that a probe can show. Frames after the data sheet.

    A junction at exactly a sixteenth of the hot end looks like a wire that says the same again, for as long
    as no last bit of either moves.
    """
    assume(round(hot_c * 4) << 2 != round(junction_c * 16) << 4)

    def frame(_data: bytes) -> bytes:
        return (round(hot_c * 4) << 18 | round(junction_c * 16) << 4).to_bytes(4, "big")

    driver = Max6675(FakeSpi(frame))
    driver.read()
    for _ in range(3):
        sample = driver.read()
        assert isinstance(sample, ProbeFault)
        assert "kind = 'max31855'" in sample.detail


@given(st.floats(10.0, 300.0))
def test_max31855_is_told_from_a_max6675(hot_c: float) -> None:
    """Twice the temperature makes food done when it is raw. Frames after the data sheet; D0 is let go of."""
    driver = Max31855(FakeSpi(lambda _data: (round(hot_c * 4) << 19).to_bytes(4, "big")))
    for _ in range(40):
        sample = driver.read()
    assert isinstance(sample, ProbeFault)
    assert "kind = 'max6675'" in sample.detail


def test_max31855_in_frost_is_itself() -> None:
    """Its junction at 0.00 °C for an hour; the last bit of 0.25 °C is noise."""
    noise = random.Random(2)
    driver = Max31855(FakeSpi(lambda _data: (noise.randint(370, 375) << 18).to_bytes(4, "big")))
    assert all(isinstance(driver.read(), Reading) for _ in range(3600))


def test_max31856_is_set_up_then_read_and_set_up_again_when_it_forgot() -> None:
    chip = FakeRegisterChip(16)
    driver = Max31856(chip.spi, mains_hz=50)
    assert kind(driver.read()) is ProbeFaultKind.NOT_READY
    assert chip.registers[:2] == bytes((0x91, 0x23))
    chip.registers[0x0C:0x0F] = bytes((0x05, 0xD0, 0x00))  # 93 °C = 93 · 2^4 in the upper 12 bits
    assert temp_c(driver.read()) == 93.0
    chip.registers[0:2] = bytes((0x00, 0x03))  # its values after power-on
    assert kind(driver.read()) is ProbeFaultKind.NOT_READY
    assert kind(driver.read()) is ProbeFaultKind.NOT_READY
    assert chip.registers[0] == 0x91
    assert temp_c(driver.read()) == 93.0


@pytest.mark.parametrize("name", ["MAX31856", "MAX31865"])
def test_a_chip_that_does_not_hear_us_is_no_dip_of_its_supply(name: str) -> None:
    """SDI left open: the chip hears zeros, so the address 00h, and sends its registers as after power-on.

    Those of the data sheets, 'Register Map' (from memory): MAX31856 00h 03h FFh 7Fh C0h ..., MAX31865 all 00h
    but for the high threshold FFFFh.
    """
    woken = bytes.fromhex(
        "0003ff7fc07fff80000000000000000000" if name == "MAX31856" else "000000ffff00000000"
    )
    bus = FakeSpi(lambda data: bytes(1) + woken[: len(data) - 1])
    driver = Max31856(bus) if name == "MAX31856" else Max31865(bus)
    seen = [driver.read() for _ in range(20)]
    assert kind(seen[0]) is ProbeFaultKind.NOT_READY
    for sample in seen[1:]:  # one fault, not two in turn
        assert isinstance(sample, ProbeFault)
        assert sample.kind is ProbeFaultKind.BUS
        assert f"{name} takes no setting" in sample.detail
        assert "SDI" in sample.detail
    assert any(sent[0] & 0x80 for sent in bus.sent[-3:])  # tried again and again: the wire may be mended


@pytest.mark.parametrize(("wires", "mains_hz", "config"), [(3, 50, 0xD1), (2, 60, 0xC0), (4, 50, 0xC1)])
def test_max31865_is_set_up_for_its_wires(wires: int, mains_hz: int, config: int) -> None:
    chip = FakeRegisterChip(8)
    driver = Max31865(chip.spi, wires, mains_hz, 430.0, 100.0)
    assert kind(driver.read()) is ProbeFaultKind.NOT_READY
    assert chip.registers[0] == config | 0x02
    chip.registers[0] = config  # the clear bit falls back by itself
    code = round(platinum.resistance_ohm(93.0) / 430.0 * 32768)
    chip.registers[1:3] = (code << 1).to_bytes(2, "big")
    assert temp_c(driver.read()) == pytest.approx(93.0, abs=0.02)


def test_max31865_fault_is_cleared_so_that_a_mended_plug_is_seen() -> None:
    chip = FakeRegisterChip(8)
    driver = Max31865(chip.spi)
    driver.read()
    chip.registers[0] = 0xD1
    chip.registers[1:3] = b"\xff\xff"
    chip.registers[7] = 0x80
    assert kind(driver.read()) is ProbeFaultKind.OPEN
    assert chip.spi.sent[-1] == bytes((0x80, 0xD3))


def test_ads1115_asks_for_its_input_and_waits_for_the_end() -> None:
    bus = FakeI2c({(0x48, 2): 1.65})
    driver = Ads1115(bus, 0x48, 2, DIVIDER, supply_v=3.3, sleep=lambda _: None)
    assert temp_c(driver.read()) == pytest.approx(25.0, abs=0.01)
    # OS, AIN2 against ground, ±4.096 V, single shot, 128/s, comparator off (ADS1115 data sheet, table 8-3)
    assert bus.configs == [0x8000 | 0x6000 | 0x0200 | 0x0100 | 0x0080 | 0x0003]


def test_ads1115_can_measure_the_supply_of_the_divider() -> None:
    bus = FakeI2c({(0x49, 0): 1.5, (0x49, 3): 3.0})
    driver = Ads1115(bus, 0x49, 0, DIVIDER, supply_v=3.3, supply_channel=3, sleep=lambda _: None)
    assert temp_c(driver.read()) == pytest.approx(25.0, abs=0.01)


def test_ads1115_that_never_ends_is_not_ready() -> None:
    bus = FakeI2c({(0x48, 0): 1.65}, reads_busy=10**6)
    assert kind(Ads1115(bus, 0x48, 0, DIVIDER, sleep=lambda _: None).read()) is ProbeFaultKind.NOT_READY


def test_ads1115_that_ends_for_the_input_alone_is_not_ready() -> None:
    class Slow(FakeI2c):
        def write(self, address: int, data: bytes) -> None:
            self._reads_busy = 10**6 if (data[1] >> 4 & 7) - 4 == 1 else 0
            super().write(address, data)

    bus = Slow({(0x48, 0): 1.65, (0x48, 1): 3.3})
    driver = Ads1115(bus, 0x48, 0, DIVIDER, supply_channel=1, sleep=lambda _: None)
    assert kind(driver.read()) is ProbeFaultKind.NOT_READY


@pytest.mark.parametrize(
    ("input_v", "supply_v", "fault"),
    [
        (0.0, 3.3, ProbeFaultKind.SHORT),
        (-0.000125, 3.3, ProbeFaultKind.SHORT),  # FFFFh: ground is a count off (data sheet, 'Data Format')
        (3.3, 3.3, ProbeFaultKind.OPEN),
        (3.6, 3.3, ProbeFaultKind.OPEN),
        (0.1, 0.2, ProbeFaultKind.BUS),
        (0.5, 5.0, ProbeFaultKind.BUS),
    ],
    ids=["shorted", "under ground", "open", "above the supply", "no supply", "a supply over the range"],
)
def test_ads1115_rails_and_supplies_out_of_range_are_faults(
    input_v: float, supply_v: float, fault: ProbeFaultKind
) -> None:
    bus = FakeI2c({(0x48, 0): input_v, (0x48, 1): supply_v})
    driver = Ads1115(bus, 0x48, 0, DIVIDER, supply_channel=1, sleep=lambda _: None)
    assert kind(driver.read()) is fault


def test_dead_bus_is_a_fault_and_is_opened_again() -> None:
    opened = []
    bus = FakeSpi(lambda data: (0x0648_1900).to_bytes(len(data), "big"))

    def open_source() -> object:
        opened.append(1)
        return Max31855(bus).read

    probe = ChipProbe("pit", open_source)  # type: ignore[arg-type]
    assert isinstance(probe, Probe)
    assert temp_c(probe.read()) == pytest.approx(100.5, abs=0.1)
    bus.fail_with = OSError(5, "Input/output error")
    assert kind(probe.read()) is ProbeFaultKind.BUS
    bus.fail_with = None
    assert temp_c(probe.read()) == pytest.approx(100.5, abs=0.1)
    assert len(opened) == 2


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (PermissionError(errno.EACCES, "Permission denied", "/dev/spidev0.0"), "sudo -u coalminder"),
        (FileNotFoundError(errno.ENOENT, "No such file or directory"), "that the bus is enabled"),
    ],
)
def test_a_bus_that_this_user_may_not_open_is_no_matter_of_wires(error: OSError, told: str) -> None:
    def closed() -> Callable[[], Sample]:
        raise error

    sample = ChipProbe("pit", closed).read()
    assert isinstance(sample, ProbeFault)
    assert sample.kind is ProbeFaultKind.BUS
    assert told in sample.detail


def test_correction_touches_readings_and_not_faults() -> None:
    correction = Correction(gain=1.01, offset_c=-0.5)
    assert correction.apply(Reading(100.0)) == Reading(1.01 * 100.0 - 0.5)
    fault = ProbeFault(ProbeFaultKind.OPEN)
    assert correction.apply(fault) is fault


def test_buses_are_opened_once_and_shared() -> None:
    opened: list[object] = []

    def open_spi(*key: int) -> SpiBus:
        opened.append(key)
        return FakeSpi(lambda data: data)

    def open_i2c(bus: int) -> I2cBus:
        opened.append(bus)
        return FakeI2c({})

    buses = Buses(open_spi, open_i2c)
    assert buses.spi(0, 0, 0, 500_000) is buses.spi(0, 0, 0, 500_000)
    assert buses.spi(0, 1, 0, 500_000) is not buses.spi(0, 0, 0, 500_000)
    assert buses.i2c(1) is buses.i2c(1)
    assert len(opened) == 3


class Board:
    """A bus behind the libraries spidev and smbus2: a handle dies with it, none is given while it is away."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.there = True
        self.open_handles: list[Handle] = []
        handle = partial(Handle, self)
        message = SimpleNamespace(write=lambda *_: None, read=lambda _address, count: bytes(count))
        monkeypatch.setitem(sys.modules, "spidev", SimpleNamespace(SpiDev=handle))
        monkeypatch.setitem(sys.modules, "smbus2", SimpleNamespace(SMBus=handle, i2c_msg=message))

    def replug(self) -> None:
        for handle in self.open_handles:
            handle.dead = True


class Handle:
    """As much of SpiDev and SMBus as is used."""

    def __init__(self, board: Board, bus: int | None = None) -> None:
        self.board = board
        self.dead = False
        if bus is not None:
            self.open(bus)

    def open(self, *_where: int) -> None:
        if not self.board.there:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        self.board.open_handles.append(self)

    def close(self) -> None:
        self.board.open_handles.remove(self)

    def _works(self) -> None:
        if self.dead or not self.board.there:
            raise OSError(errno.ENODEV, "No such device")

    def xfer2(self, data: list[int]) -> list[int]:
        self._works()
        return data

    def i2c_rdwr(self, *_messages: object) -> None:
        self._works()

    def read_byte_data(self, _address: int, register: int) -> int:
        self._works()
        return {0x00: 0x20, 0x01: 0x04, 0xFE: 121}[register]  # a PCA9685 awake at 50 Hz

    def write_i2c_block_data(self, *_words: object) -> None:
        self._works()


@pytest.mark.parametrize(
    "opened",
    [
        lambda: partial(LinuxSpi(0, 0, 0, 500_000).transfer, b"\x01"),
        lambda: partial(LinuxI2c(1).read, 0x48, 0, 2),
        lambda: partial(LinuxI2c(1).write, 0x48, b"\x01"),
        lambda: partial(open_pca9685(1, 0x40, 0).set_pulse_us, 1000.0),
    ],
    ids=["spi", "i2c, reading", "i2c, writing", "the vent's i2c"],
)
def test_a_bus_that_went_and_came_back_is_opened_again(
    opened: Callable[[], Callable[[], object]], monkeypatch: pytest.MonkeyPatch
) -> None:
    board = Board(monkeypatch)
    use = opened()
    use()
    assert len(board.open_handles) == 1
    board.there = False
    for _ in range(3):
        with pytest.raises(OSError, match="No such"):
            use()
    assert board.open_handles == []  # none is left behind
    board.there = True
    use()
    board.replug()  # between two readings
    with pytest.raises(OSError, match="No such device"):
        use()
    use()
    use()
    assert len(board.open_handles) == 1


@pytest.mark.parametrize("open_bus", [lambda: LinuxI2c(1), lambda: open_pca9685(1, 0x40, 0)])
def test_missing_bus_library_is_told_with_what_brings_it(
    open_bus: Callable[[], object], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The project is in no package index: only its installer brings it (docs/hardware.md)."""
    monkeypatch.setitem(sys.modules, "smbus2", None)
    with pytest.raises(OSError, match=r"sh systemd/install\.sh"):
        open_bus()


def test_missing_device_is_an_os_error_with_words() -> None:
    with pytest.raises(OSError, match=r"spidev|No such file"):
        LinuxSpi(9, 9, 0, 500_000)
    with pytest.raises(OSError, match=r"smbus2|No such file"):
        LinuxI2c(29)
