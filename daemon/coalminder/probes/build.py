"""Probes from the configuration. A bus is opened at the first reading: building never needs hardware."""

from __future__ import annotations

from collections.abc import Mapping

from coalminder.errors import SettingsError
from coalminder.probes import ads1115, ds18b20, max31855, mcp3x08
from coalminder.probes.buses import Buses
from coalminder.probes.chip import ChipProbe, Correction, Source
from coalminder.probes.guard import GuardLimits
from coalminder.probes.max6675 import Max6675
from coalminder.probes.max31855 import Max31855
from coalminder.probes.max31856 import SPI_MODE as MODE_1
from coalminder.probes.max31856 import Max31856
from coalminder.probes.max31865 import Max31865
from coalminder.probes.simulated import SimulatedProbe
from coalminder.probes.thermistor import Divider, SteinhartHart, curve_trouble, from_beta, from_points
from coalminder.probes.topic import TopicProbe
from coalminder.seams import Probe
from coalminder.settings.calibration import NOTHING, Calibration, ProbeCorrection
from coalminder.settings.probes import (
    I2cThermistor,
    OneWire,
    PlatinumRtd,
    ProbeBlock,
    Simulated,
    SpiThermistor,
    Thermistor,
    ThermocoupleK,
    Topic,
)

SPI_HZ = 1_000_000  # below the limit of every chip used, and kind to wires of half a metre


def build_probes(
    settings: Mapping[str, ProbeBlock], calibration: Calibration = NOTHING, *, buses: Buses | None = None
) -> dict[str, Probe]:
    """Probes by name, in the order of the configuration. SettingsError for an impossible thermistor curve."""
    buses = buses or Buses()
    return {name: _probe(name, block, calibration, buses) for name, block in settings.items()}


def guard_limits(settings: Mapping[str, ProbeBlock]) -> dict[str, GuardLimits]:
    """For each probe what is believed of it (see guard.py)."""
    return {
        name: GuardLimits(
            lowest_c=block.lowest_c,
            highest_c=block.highest_c,
            max_rate_c_per_s=block.max_rate_c_per_s,
            stuck_s=block.stuck_s,
            stuck_above_c=block.stuck_above_c,
            max_age_s=block.max_age_s,
        )
        for name, block in settings.items()
    }


def deadlines(settings: Mapping[str, ProbeBlock]) -> dict[str, float]:
    """For each probe how long its driver may take, s."""
    return {name: block.deadline_s for name, block in settings.items()}


def thermistor_curve(name: str, block: Thermistor) -> SteinhartHart:
    """The curve that a thermistor block asks for. SettingsError when no thermistor has it."""
    if block.beta_k is not None:
        return from_beta(block.beta_k, block.r25_ohm)
    how = "coefficients" if block.coefficients else "points"
    try:
        curve = SteinhartHart(*block.coefficients) if block.coefficients else from_points(block.points or ())
        trouble = curve_trouble(curve)
    except ValueError as error:
        trouble = str(error)
    if trouble:
        raise SettingsError(f"probes.{name}.thermistor.{how}: {trouble}; see the data sheet, or give beta_k")
    return curve


def curve_in_force(name: str, block: Thermistor, found: ProbeCorrection) -> SteinhartHart:
    """The curve that calibration found, else the configured one. SettingsError when no thermistor has it."""
    if found.thermistor is None:
        return thermistor_curve(name, block)
    curve = SteinhartHart(*found.thermistor)
    if trouble := curve_trouble(curve):  # somebody edited the file
        raise SettingsError(
            f"probes.{name}: calibrated curve: {trouble}; mend the calibration file, or do 'coalminder "
            f"calibrate thermistor --probe {name}' again"
        )
    return curve


def _probe(name: str, block: ProbeBlock, calibration: Calibration, buses: Buses) -> Probe:
    found = calibration.probes.get(name, ProbeCorrection())
    # The calibration was made with the configured offset in force: it comes on top.
    correction = Correction(found.gain, found.offset_c + found.gain * block.offset_c)
    if isinstance(block, Simulated):
        return SimulatedProbe(name, correction.gain * block.temp_c + correction.offset_c, block.noise_c)
    if isinstance(block, Topic):
        return TopicProbe(
            name,
            block.topic,
            field=block.field,
            unit=block.unit,
            max_age_s=block.max_age_s,
            correction=correction,
        )
    divider = None
    if isinstance(block, SpiThermistor | I2cThermistor):
        part = block.thermistor
        divider = Divider(curve_in_force(name, part, found), part.series_ohm, part.side == "ground")
    return ChipProbe(name, lambda: open_source(block, buses, divider), correction)


def open_source(block: ProbeBlock, buses: Buses, divider: Divider | None) -> Source:
    """Open the bus of a block and hand back the function that reads its chip once. OSError when it cannot."""
    match block:
        case SpiThermistor() if divider is not None:
            spi = buses.spi(block.bus, block.device, mcp3x08.SPI_MODE, mcp3x08.SPI_HZ)
            return lambda: mcp3x08.read(spi, block.kind, block.channel, block.samples, divider)
        case I2cThermistor() if divider is not None:
            i2c = buses.i2c(block.bus)
            return ads1115.Ads1115(
                i2c, block.address, block.channel, divider, block.supply_v, block.supply_channel
            ).read
        case ThermocoupleK(kind="max31856"):
            return Max31856(buses.spi(block.bus, block.device, MODE_1, SPI_HZ), block.mains_hz).read
        case ThermocoupleK():
            bus = buses.spi(block.bus, block.device, max31855.SPI_MODE, SPI_HZ)
            return (Max6675(bus) if block.kind == "max6675" else Max31855(bus)).read
        case PlatinumRtd():
            return Max31865(
                buses.spi(block.bus, block.device, MODE_1, SPI_HZ),
                block.wires,
                block.mains_hz,
                block.ref_ohm,
                float(block.r0_ohm),
            ).read
        case OneWire():
            return lambda: ds18b20.read(block.serial)
        case _:
            raise SettingsError(f"no driver for a probe of the kind {type(block).__name__}")
