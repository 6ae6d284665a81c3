"""Every kind of block becomes a probe that reads its own chip, corrected as calibrated."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from fake_chips import FakeI2c, FakeRegisterChip, FakeSpi, fake_mcp3x08
from pydantic import TypeAdapter

from coalminder.errors import SettingsError
from coalminder.probes import max31856, max31865, platinum, type_k
from coalminder.probes.build import build_probes, deadlines, guard_limits
from coalminder.probes.buses import Buses, I2cBus, SpiBus
from coalminder.probes.reader import ProbeReader
from coalminder.probes.thermistor import Divider, SteinhartHart, from_beta
from coalminder.probes.topic import TopicProbe
from coalminder.seams import Probe
from coalminder.settings.calibration import NOTHING, Calibration, ProbeCorrection
from coalminder.settings.probes import ProbesSettings
from coalminder.values import ProbeFault, ProbeFaultKind, Reading

TRUE_C = 93.0
NTC = {"beta_k": 3950.0}
CURVE = from_beta(3950.0, 10_000.0)
RATIO = Divider(CURVE).ratio(CURVE.resistance_ohm(TRUE_C))


def buses(spi: Callable[[int, int], SpiBus] | None = None, i2c: I2cBus | None = None) -> Buses:
    def open_spi(bus: int, device: int, mode: int, speed_hz: int) -> SpiBus:
        assert spi is not None
        return spi(mode, speed_hz)

    def open_i2c(bus: int) -> I2cBus:
        assert i2c is not None
        return i2c

    return Buses(open_spi, open_i2c)


def wired(modes: set[int], most_hz: int, chip: Callable[[], SpiBus]) -> Buses:
    """A bus that is asked for in one of these modes, and no faster: data sheets, from memory."""

    def open_spi(mode: int, speed_hz: int) -> SpiBus:
        assert mode in modes
        assert 0 < speed_hz <= most_hz
        return chip()

    return buses(open_spi)


def max31855() -> SpiBus:
    emf_mv = type_k.emf_mv(TRUE_C) - type_k.emf_mv(25.0)
    code = round((emf_mv * 1000.0 / 41.276 + 25.0) * 4)
    return FakeSpi(lambda data: (code << 18 | 400 << 4).to_bytes(len(data), "big"))


def max31856_chip() -> SpiBus:
    chip = FakeRegisterChip(16)
    chip.registers[0x0C:0x0F] = (round(TRUE_C * 128) << 5).to_bytes(3, "big")
    return chip.spi


def max31865_chip() -> SpiBus:
    chip = FakeRegisterChip(8)
    chip.registers[0] = max31865.control(2, 60)
    code = round(platinum.resistance_ohm(TRUE_C, 1000.0) / 4300.0 * 32768)

    def answer(data: bytes) -> bytes:
        out = chip.spi._answer(data)
        chip.registers[0] &= ~max31865.CLEAR & 0xFF  # falls back by itself
        chip.registers[1:3] = (code << 1).to_bytes(2, "big")
        return out

    return FakeSpi(answer)


CASES: dict[str, tuple[dict[str, Any], Buses, float]] = {
    "mcp3208": (
        {"kind": "mcp3208", "channel": 5, "thermistor": NTC},
        wired({0, 3}, 1_000_000, lambda: fake_mcp3x08({5: round(RATIO * 4096)}, 12)),  # at 2.7 V
        0.1,
    ),
    "mcp3008": (
        {"kind": "mcp3008", "channel": 7, "thermistor": NTC, "samples": 1},
        wired({0, 3}, 1_350_000, lambda: fake_mcp3x08({7: round(RATIO * 1024)}, 10)),
        0.4,
    ),
    "ads1115": (
        {"kind": "ads1115", "address": 0x49, "channel": 2, "supply_channel": 3, "thermistor": NTC},
        buses(i2c=FakeI2c({(0x49, 2): RATIO * 3.2, (0x49, 3): 3.2}, reads_busy=0)),
        0.05,
    ),
    "max31855": ({"kind": "max31855"}, wired({0}, 5_000_000, max31855), 0.14),
    "max6675": (
        {"kind": "max6675"},
        wired({0}, 4_300_000, lambda: FakeSpi(lambda _data: (round(TRUE_C * 4) << 19).to_bytes(4, "big"))),
        0.0,
    ),
    "max31856": ({"kind": "max31856"}, wired({1, 3}, 5_000_000, max31856_chip), 0.0),
    "max31865": (
        {"kind": "max31865", "r0_ohm": 1000, "ref_ohm": 4300.0, "wires": 2, "mains_hz": 60},
        wired({1, 3}, 5_000_000, max31865_chip),
        0.02,
    ),
    "simulated": ({"kind": "simulated", "temp_c": TRUE_C, "noise_c": 0.0}, buses(), 0.0),
}


def settings(block: dict[str, Any], **more: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = TypeAdapter(ProbesSettings).validate_python({"pit": block, **more})
    return found


def settled(probe: Probe) -> float:
    """The reading of a probe; a chip that was just set up gets one more try."""
    sample = probe.read()
    if isinstance(sample, ProbeFault) and sample.kind is ProbeFaultKind.NOT_READY:
        sample = probe.read()
    assert isinstance(sample, Reading), sample
    return sample.temp_c


@pytest.mark.parametrize("kind", CASES)
def test_block_of_every_kind_reads_its_chip(kind: str) -> None:
    block, wires, within_c = CASES[kind]
    probe = build_probes(settings(block), buses=wires)["pit"]
    assert probe.name == "pit"
    assert settled(probe) == pytest.approx(TRUE_C, abs=within_c + 1e-9)


@pytest.mark.parametrize("kind", CASES)
def test_calibration_comes_on_top_of_the_configured_offset(kind: str) -> None:
    block, wires, within_c = CASES[kind]
    calibration = Calibration(probes={"pit": ProbeCorrection(gain=1.02, offset_c=-1.5)})
    probe = build_probes(settings({**block, "offset_c": 2.0}), calibration, buses=wires)["pit"]
    assert settled(probe) == pytest.approx(1.02 * (TRUE_C + 2.0) - 1.5, abs=1.02 * within_c + 1e-9)


def test_calibrated_curve_replaces_the_configured_one() -> None:
    other = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)
    calibration = Calibration(probes={"pit": ProbeCorrection(thermistor=(other.a, other.b, other.c))})
    ratio = Divider(other).ratio(other.resistance_ohm(50.0))
    wires = buses(lambda _mode, _hz: fake_mcp3x08({0: round(ratio * 4096)}, 12))
    block = {"kind": "mcp3208", "channel": 0, "thermistor": NTC}
    assert settled(build_probes(settings(block), calibration, buses=wires)["pit"]) == pytest.approx(
        50.0, abs=0.05
    )


@pytest.mark.parametrize(
    "thermistor",
    [
        {"coefficients": [1.129148e-3, 2.34125e-4, 8.76741e-8]},
        {"points": [[0.0, 32650.0], [25.0, 10000.0], [100.0, 678.6]]},
    ],
    ids=["coefficients", "points"],
)
def test_thermistor_can_be_given_in_other_ways(thermistor: dict[str, Any]) -> None:
    wires = buses(lambda _mode, _hz: fake_mcp3x08({0: 2048}, 12))
    block = {"kind": "mcp3208", "channel": 0, "thermistor": {**thermistor, "side": "supply"}}
    assert settled(build_probes(settings(block), buses=wires)["pit"]) == pytest.approx(25.0, abs=0.02)


@pytest.mark.parametrize(
    ("points", "told"),
    [
        ([[0.0, 1000.0], [50.0, 999.0], [100.0, 1.0]], "no NTC thermistor's"),
        ([[0.0, 2.0], [25.0, 1.0], [100.0, 0.5]], "write them in Ω"),
        ([[0.0, 32.65], [25.0, 10.0], [100.0, 0.6786]], "10 Ω at 25 °C; accepted: 100 to"),
    ],
    ids=["no curve", "resistances whose logarithms cancel", "kΩ for Ω"],
)
def test_points_of_no_thermistor_are_told_with_their_place(points: list[list[float]], told: str) -> None:
    block = {"kind": "mcp3208", "channel": 0, "thermistor": {"points": points}}
    with pytest.raises(SettingsError, match=rf"probes\.pit\.thermistor\.points: .*{told}"):
        build_probes(settings(block))


#: The 10 kΩ type 2 thermistor's 1.129148e-3, 2.34125e-4, 8.76741e-8, written wrongly.
SLIPS = {
    "zeros": [0.0, 0.0, 0.0],
    "a sign": [1.129148e-3, 2.34125e-4, -8.76741e-8],
    "last first": [8.76741e-8, 2.34125e-4, 1.129148e-3],
    "no exponents": [1.129148, 2.34125, 8.76741],
    "an exponent": [1.129148e-3, 2.34125e-3, 8.76741e-8],
    "beyond all numbers": [1e300, 1e300, 1e300],
}


@pytest.mark.parametrize("coefficients", SLIPS.values(), ids=SLIPS.keys())
@pytest.mark.parametrize("calibrated", [False, True], ids=["configured", "calibrated"])
def test_coefficients_of_no_thermistor_are_told_with_their_place(
    coefficients: list[float], calibrated: bool
) -> None:
    right = {"coefficients": [1.129148e-3, 2.34125e-4, 8.76741e-8]}
    thermistor = right if calibrated else {"coefficients": coefficients}
    block = {"kind": "mcp3208", "channel": 0, "thermistor": thermistor}
    found = ProbeCorrection.model_validate({"thermistor": coefficients})
    calibration = Calibration(probes={"pit": found}) if calibrated else NOTHING
    where = "calibration file" if calibrated else r"probes\.pit\.thermistor\.coefficients"
    with pytest.raises(SettingsError, match=where):
        build_probes(settings(block), calibration)


def test_topic_probe_is_built_with_its_topic_and_correction() -> None:
    block = {"kind": "mqtt", "topic": "gateway/pit", "field": "temp", "unit": "f", "offset_c": 1.0}
    probe = build_probes(settings(block))["pit"]
    assert isinstance(probe, TopicProbe)
    probe.offer('{"temp": 212}', 1e12)
    assert settled(probe) == pytest.approx(101.0)


def test_limits_deadlines_and_roles_come_from_the_blocks() -> None:
    block = {"kind": "simulated", "highest_c": 300.0, "stuck_s": 0.0, "deadline_s": 0.5}
    found = settings(block, char={"kind": "simulated"}, dome={"kind": "simulated"})
    assert guard_limits(found)["pit"].highest_c == 300.0
    assert guard_limits(found)["pit"].stuck_s == 0.0
    assert deadlines(found) == {"pit": 0.5, "char": 2.0, "dome": 2.0}


def test_missing_serial_is_a_bus_fault_not_a_crash() -> None:
    sample = build_probes(settings({"kind": "ds18b20", "serial": "28-ffffffffffff"}))["pit"].read()
    assert isinstance(sample, ProbeFault)
    assert sample.kind is ProbeFaultKind.BUS
    assert "28-ffffffffffff" in sample.detail


def test_expected_control_bytes_of_the_chips() -> None:
    """Put together by hand from the register maps of the data sheets."""
    assert max31856.control(50) == bytes((0b1001_0001, 0b0010_0011))
    assert max31856.control(60) == bytes((0b1001_0000, 0b0010_0011))
    assert max31865.control(3, 50) == 0b1101_0001
    assert max31865.control(4, 60) == 0b1100_0000


async def test_two_probes_on_one_converter_both_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each probe has a thread of its own, and the converter one multiplexer for all its inputs."""
    monkeypatch.setattr("coalminder.probes.ads1115.PAUSE_S", 0.001)
    chip = FakeI2c({(0x48, 0): RATIO * 3.3, (0x48, 1): RATIO * 3.3, (0x48, 2): RATIO * 3.3}, reads_busy=3)
    blocks = {
        name: {"kind": "ads1115", "channel": channel, "thermistor": NTC}
        for channel, name in enumerate(("pit", "fish", "thick"))
    }
    probes = build_probes(TypeAdapter(ProbesSettings).validate_python(blocks), buses=buses(i2c=chip))
    reader = ProbeReader(probes)
    try:
        for second in range(20):
            samples = await reader.read_all(float(second))
            assert all(isinstance(sample, Reading) for sample in samples.values()), samples
    finally:
        reader.close()
