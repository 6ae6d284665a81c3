"""Section `[probes]`: one block per probe, `kind` says how it is wired.

A block's name is its role: `pit` (needed), `pit_2`, `dome`, `ambient`; any other name is a food probe, but
for names that look like a slip of a role (`pit2`, `grate`): these are refused.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    FiniteFloat,
    StringConstraints,
    model_validator,
)

#: Names with a meaning of their own. Every other name is a food probe.
ROLES = ("pit", "pit_2", "dome", "ambient")
PIT_ROLES = ("pit", "pit_2")
#: Names that a person gives to a probe in the air; taken for food, they would tend nothing and alarm wrongly.
_NO_FOOD = re.compile(r"pit(_.*|\d.*)|(dome|ambient|grate|lid|grill|kettle|air|smoke|outside)_?\d*")
COLDEST_POINT_C, HOTTEST_POINT_C = -60.0, 350.0  # tables of NTC thermistors (data sheets, common practice)
PIT_AGE_MAX_S = 60.0  # a fire tended by older readings is not tended

ProbeName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,31}$")]


class ProbeBlock(BaseModel):
    """What every probe has: the limits of what is believed, and a fixed correction."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    lowest_c: FiniteFloat = Field(default=-40.0, ge=-200.0, le=50.0, description="colder is a fault, °C")
    highest_c: FiniteFloat = Field(default=450.0, ge=60.0, le=1372.0, description="hotter is a fault, °C")
    max_rate_c_per_s: FiniteFloat = Field(
        default=15.0,
        ge=0.1,
        le=500.0,
        description="a faster change is a fault until it has had time to be true, °C/s",
    )
    stuck_s: FiniteFloat = Field(
        default=1800.0,
        ge=0.0,
        le=86400.0,
        description="a hot reading with no change at all for so long is a fault; 0: never",
    )
    stuck_above_c: FiniteFloat = Field(
        default=40.0, ge=-200.0, le=1372.0, description="colder than this a reading may well stand still, °C"
    )
    max_age_s: FiniteFloat = Field(
        default=5.0, ge=0.5, le=900.0, description="an older reading is a fault (stale), s"
    )
    deadline_s: FiniteFloat = Field(
        default=2.0,
        ge=0.05,
        le=3.0,
        description="an answer that takes longer counts no more, s; a step waits 0.9 for it (timeout)",
    )
    offset_c: FiniteFloat = Field(
        default=0.0,
        ge=-20.0,
        le=20.0,
        description="added to every reading, °C; 'coalminder calibrate' does it better",
    )

    @property
    def wire(self) -> str | None:
        """What must not be shared with another probe; None when sharing is harmless."""
        return None

    @property
    def select(self) -> str | None:
        """Where its chip answers: one chip is there, whatever it has of inputs. None when it has none."""
        return None

    @property
    def bus_name(self) -> str:
        """The bus of the board that it needs, as in BUS_PINS of the vents; "" for none."""
        return ""


class Thermistor(BaseModel):
    """An NTC thermistor in a divider. Give exactly one of coefficients, beta, points."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    coefficients: tuple[FiniteFloat, FiniteFloat, FiniteFloat] | None = Field(
        default=None, description="A, B, C of Steinhart-Hart, from the data sheet"
    )
    beta_k: FiniteFloat | None = Field(
        default=None, ge=1000.0, le=8000.0, description="beta in K; needs r25_ohm"
    )
    r25_ohm: FiniteFloat = Field(default=10000.0, ge=100.0, le=5e6, description="resistance at 25 °C, Ω")
    points: tuple[tuple[FiniteFloat, FiniteFloat], ...] | None = Field(
        default=None, description="three measured (temperature in °C, resistance in Ω) pairs"
    )
    series_ohm: FiniteFloat = Field(
        default=10000.0, ge=100.0, le=5e6, description="fixed resistor of the divider, Ω"
    )
    side: Literal["ground", "supply"] = Field(
        default="ground", description="where the thermistor sits in the divider"
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [name for name in ("coefficients", "beta_k", "points") if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(
                f"give exactly one of coefficients, beta_k, points (now: {', '.join(given) or 'none'})"
            )
        if self.points is not None:
            temps = [temp_c for temp_c, _ in self.points]
            ohms = [ohm for _, ohm in self.points]
            if len(self.points) != 3 or len(set(temps)) != 3 or len(set(ohms)) != 3 or min(ohms) <= 0.0:
                raise ValueError(
                    "points needs three pairs with different temperatures and resistances above 0"
                )
            if not all(COLDEST_POINT_C <= temp_c <= HOTTEST_POINT_C for temp_c in temps):
                raise ValueError(
                    f"points: each pair is (°C, Ω), {COLDEST_POINT_C:g} to {HOTTEST_POINT_C:g} °C; "
                    f"got {temps} °C"
                )
            if sorted(temps) != [temp for temp, _ in sorted(self.points, key=lambda pair: -pair[1])]:
                raise ValueError("points: the resistance of an NTC thermistor must fall as it gets hotter")
        return self


class Spi(ProbeBlock):
    """A chip on the SPI bus."""

    bus: int = Field(default=0, ge=0, le=10, description="/dev/spidevBUS.device")
    device: int = Field(default=0, ge=0, le=10, description="chip select: /dev/spidevbus.DEVICE")

    @property
    def wire(self) -> str | None:
        """The chip select belongs to one chip."""
        return self.select

    @property
    def select(self) -> str | None:
        """The file of the chip select."""
        return f"spi {self.bus}.{self.device}"

    @property
    def bus_name(self) -> str:
        """The SPI bus of the chip."""
        return f"SPI {self.bus}"


class SpiThermistor(Spi):
    """A thermistor on one channel of an MCP3208 (12 bit) or MCP3008 (10 bit)."""

    kind: Literal["mcp3208", "mcp3008"]
    channel: int = Field(ge=0, le=7, description="input of the chip")
    samples: int = Field(default=8, ge=1, le=64, description="conversions averaged into one reading")
    thermistor: Thermistor

    @property
    def wire(self) -> str | None:
        """Eight probes may share the chip, one a channel."""
        return f"{self.select} channel {self.channel}"


class I2cThermistor(ProbeBlock):
    """A thermistor on one input of an ADS1115 (16 bit)."""

    kind: Literal["ads1115"]
    bus: int = Field(default=1, ge=0, le=31, description="number of /dev/i2c-N")
    address: int = Field(default=0x48, ge=0x48, le=0x4B, description="I2C address, 0x48..0x4b")
    channel: int = Field(ge=0, le=3, description="input of the chip")
    supply_v: FiniteFloat = Field(
        default=3.3, ge=1.8, le=4.0, description="voltage on the divider, V, unless measured"
    )
    supply_channel: int | None = Field(
        default=None,
        ge=0,
        le=3,
        description="input that measures the voltage on the divider; better than a number",
    )
    thermistor: Thermistor

    @property
    def wire(self) -> str | None:
        """Four probes may share the chip, one an input."""
        return f"{self.select} channel {self.channel}"

    @property
    def select(self) -> str | None:
        """Bus and address."""
        return f"i2c {self.bus} {self.address:#x}"

    @property
    def bus_name(self) -> str:
        """The I2C bus of the chip."""
        return f"I2C {self.bus}"

    @property
    def supply_wire(self) -> str | None:
        """The input that measures the supply, which several probes may share; None when none does."""
        return None if self.supply_channel is None else f"{self.select} channel {self.supply_channel}"

    @model_validator(mode="after")
    def _own_input(self) -> Self:
        if self.supply_channel == self.channel:
            raise ValueError("supply_channel must be another input than channel")
        return self


class ThermocoupleK(Spi):
    """A type K thermocouple on a MAX31855, MAX31856 or MAX6675."""

    kind: Literal["max31855", "max31856", "max6675"]
    mains_hz: Literal[50, 60] = Field(
        default=50, description="mains frequency whose hum the chip rejects (max31856)"
    )


class PlatinumRtd(Spi):
    """A Pt100 or Pt1000 on a MAX31865."""

    kind: Literal["max31865"]
    r0_ohm: Literal[100, 1000] = Field(default=100, description="100 for Pt100, 1000 for Pt1000")
    ref_ohm: FiniteFloat = Field(
        default=430.0, ge=100.0, le=20000.0, description="reference resistor on the board, Ω"
    )
    wires: Literal[2, 3, 4] = Field(default=3, description="wires to the sensor")
    mains_hz: Literal[50, 60] = Field(default=50, description="mains frequency whose hum the chip rejects")

    @model_validator(mode="after")
    def _in_range(self) -> Self:
        least_ohm = 2.0 * self.r0_ohm  # the chip shows no more than its reference: 266 °C (IEC 60751)
        if self.ref_ohm < least_ohm:
            raise ValueError(
                f"ref_ohm must be {least_ohm:g} or more for a Pt{self.r0_ohm}, got {self.ref_ohm:g}: it "
                "shows no resistance above it; boards have 430 for Pt100 and 4300 for Pt1000"
            )
        return self


class OneWire(ProbeBlock):
    """A DS18B20 on the kernel's 1-Wire bus."""

    kind: Literal["ds18b20"]
    serial: Annotated[str, StringConstraints(pattern=r"^28-[0-9a-f]{12}$")] = Field(
        description="name of its folder under /sys/bus/w1/devices, 28-xxxxxxxxxxxx"
    )
    lowest_c: FiniteFloat = Field(default=-40.0, ge=-55.0, le=50.0, description="colder is a fault, °C")
    highest_c: FiniteFloat = Field(default=125.0, ge=60.0, le=125.0, description="hotter is a fault, °C")

    @property
    def wire(self) -> str | None:
        """One chip, one probe."""
        return f"1-wire {self.serial}"


class Topic(ProbeBlock):
    """A probe whose readings arrive on the broker, such as a wireless one behind a gateway."""

    kind: Literal["mqtt"]
    topic: Annotated[str, StringConstraints(pattern=r"^[^#+\x00]+$", max_length=512)] = Field(
        description="topic of the readings, no wildcards"
    )
    field: str = Field(
        default="",
        max_length=100,
        description="JSON field of the payload, dots for nested ones; empty: a bare number",
    )
    unit: Literal["c", "f"] = Field(default="c", description="unit of the payload")
    max_age_s: FiniteFloat = Field(
        default=30.0, ge=0.5, le=900.0, description="an older reading is a fault (stale), s"
    )

    @property
    def wire(self) -> str | None:
        """One field of one topic is one probe; the pit's as a core would have the food done early."""
        return f"topic {self.topic}, field '{self.field}'"


class Simulated(ProbeBlock):
    """A probe without hardware: a steady temperature with a little noise."""

    kind: Literal["simulated"]
    temp_c: FiniteFloat = Field(default=20.0, ge=-40.0, le=450.0, description="what it shows, °C")
    noise_c: FiniteFloat = Field(default=0.05, ge=0.0, le=5.0, description="spread of its noise, °C")


ProbeSettings = Annotated[
    SpiThermistor | I2cThermistor | ThermocoupleK | PlatinumRtd | OneWire | Topic | Simulated,
    Field(discriminator="kind"),
]


def _roles_and_wires(probes: dict[str, Any]) -> dict[str, Any]:
    if "pit" not in probes:
        raise ValueError("a probe named 'pit' is needed: the air at the grate, away from the coals")
    for name, block in probes.items():
        if name not in ROLES and _NO_FOOD.fullmatch(name):
            raise ValueError(
                f"probe '{name}' would be taken for a food probe: probes in the air are called pit, pit_2, "
                "dome (under the lid) or ambient (outside); give it that name, or one of the food"
            )
        if name in PIT_ROLES and block.max_age_s > PIT_AGE_MAX_S:
            raise ValueError(
                f"probe '{name}' tends the fire: its max_age_s may be {PIT_AGE_MAX_S:g} at most, "
                f"got {block.max_age_s:g}; let its gateway publish more often"
            )
        if name in PIT_ROLES and block.lowest_c > 0.0:
            raise ValueError(
                f"probe '{name}' is in a cold kettle before the fire: its lowest_c may be 0 °C at most, got "
                f"{block.lowest_c:g}; lower it or leave it out"
            )
    _own_wires(probes)
    return probes


def _own_wires(probes: dict[str, Any]) -> None:
    seen: dict[str, str] = {}
    chips: dict[str, str] = {}
    supplies = {block.supply_wire: name for name, block in probes.items() if isinstance(block, I2cThermistor)}
    for name, block in probes.items():
        wire, select = block.wire, block.select
        if wire is None:
            continue
        if wire in seen:
            raise ValueError(
                f"probes '{seen[wire]}' and '{name}' are on the same wire ({wire}); give each its own"
            )
        seen[wire] = name
        if wire in supplies:
            raise ValueError(
                f"probe '{name}' is on the input that measures the supply for '{supplies[wire]}' ({wire}); "
                "give it another channel"
            )
        if select is None:
            continue
        other = probes[chips.setdefault(select, name)]
        if other.kind != block.kind:
            raise ValueError(
                f"probes '{chips[select]}' ({other.kind}) and '{name}' ({block.kind}) are two chips on one "
                f"select ({select}); wire one to another and write its device"
            )


#: Section `[probes]`: name -> block.
ProbesSettings = Annotated[dict[ProbeName, ProbeSettings], AfterValidator(_roles_and_wires)]
