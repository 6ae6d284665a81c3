"""Section `[vents]`: one or two vents, each a servo on one of three kinds of wiring.

Every driver shares the fields of the stroke; each has its own fields for the wire. The defaults are
those of vents/defaults.py (a test holds them equal): `snuff` reads the block without this model.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, Strict, model_validator

#: pin -> channel, on boards with one PWM channel for two pins and with one for each: vents/kernel_pwm.py has
#: the same (a test holds them equal), but the page reads settings and must not reach the hardware.
PWM_CHANNELS: tuple[dict[int, int], ...] = ({12: 0, 18: 0, 13: 1, 19: 1}, {12: 0, 13: 1, 18: 2, 19: 3})

#: Wires of the board's buses, as GPIO numbers (Raspberry Pi's pin tables, from memory): a pulse on one takes
#: the bus from all its chips. The selects of SPI can be laid elsewhere and are left out.
BUS_PINS: dict[str, tuple[int, ...]] = {"I2C 1": (2, 3), "SPI 0": (9, 10, 11), "SPI 1": (19, 20, 21)}

Fraction = Annotated[FiniteFloat, Field(ge=0.0, le=1.0)]
_Point = Annotated[tuple[Fraction, Fraction], Strict(False)]  # a list in the file


class Servo(BaseModel):
    """What every servo vent has: its stroke, its stops, its manners.

    Strict: a number is a number and true is true, no text and no 1. `snuff` takes what the file says as it
    stands, and both must shut the vent at the same end.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    pulse_min_us: FiniteFloat = Field(
        default=1000.0, ge=400.0, le=2600.0, description="shortest pulse ever sent, µs"
    )
    pulse_max_us: FiniteFloat = Field(
        default=2000.0, ge=400.0, le=2600.0, description="longest pulse ever sent, µs"
    )
    reversed: bool = Field(default=False, description="true when the longest pulse is the shut end")
    stop_shut: Fraction = Field(
        default=0.0, description="where on the stroke (0..1 from the shut end) the plate is shut"
    )
    stop_open: Fraction = Field(
        default=1.0, description="where on the stroke (0..1 from the shut end) the plate is open"
    )
    curve: Annotated[tuple[_Point, ...], Strict(False)] | None = Field(
        default=None,
        description="(position, flow) pairs from (0, 0) to (1, 1); left out: a plate over round holes",
    )
    safe_opening: Annotated[FiniteFloat, Field(ge=0.0, le=0.02)] = Field(
        default=0.0,
        description="opening where it is left when the program ends; 0 is shut, and 0.05 a fire out of hand",
    )
    stroke_s: FiniteFloat = Field(
        default=0.4,
        ge=0.1,
        le=2.0,
        description="time for the whole stroke, s; moves are ramped at it",
    )
    settle_s: FiniteFloat = Field(
        default=0.15, ge=0.02, le=2.0, description="time from the last pulse change to power off, s"
    )
    hold: bool = Field(
        default=False,
        description="keep it powered at rest unless shut, for a vent that a spring shuts",
    )
    backlash: Annotated[FiniteFloat, Field(ge=0.0, le=0.2)] = Field(
        default=0.0, description="slack of the linkage, part of the stroke"
    )
    reassert_s: FiniteFloat = Field(
        default=300.0,
        ge=10.0,
        le=86400.0,
        description="push a resting vent to its place this often, s",
    )

    @property
    def wire(self) -> str:
        """What must not be shared with another vent; "" for none. `snuff` names it alike."""
        return "" if self.board_pin is None else f"pin {self.board_pin}"

    @property
    def board_pin(self) -> int | None:
        """GPIO number of its signal wire; None when that is not the board's."""
        return None

    @property
    def bus_name(self) -> str:
        """The bus of the board that it needs, as in BUS_PINS; "" for none."""
        return ""

    @property
    def ends_us(self) -> tuple[float, float]:
        """Pulses of the shut and of the open end of the whole stroke."""
        ends = (self.pulse_min_us, self.pulse_max_us)
        return ends[::-1] if self.reversed else ends

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.pulse_min_us + 100.0 > self.pulse_max_us:
            raise ValueError("pulse_max_us must be at least 100 above pulse_min_us")
        if self.stop_shut + 0.05 > self.stop_open:
            raise ValueError("stop_open must be at least 0.05 above stop_shut")
        return self


class _OnBoard(Servo):
    """A servo whose signal wire is one of the board's."""

    pin: int = Field(ge=0, le=27, description="GPIO number of the signal wire")

    @property
    def board_pin(self) -> int | None:
        """See Servo."""
        return self.pin


class KernelPwmVent(_OnBoard):
    """A servo on one of the board's own PWM pins, through the kernel (recommended)."""

    driver: Literal["kernel_pwm"]
    pin: Literal[12, 13, 18, 19] = Field(description="GPIO number of the signal wire")
    pwm_chip: int | None = Field(
        default=None,
        ge=0,
        le=31,
        description="number of /sys/class/pwm/pwmchipN; left out: found by its address",
    )
    pwm_channel: int | None = Field(default=None, ge=0, le=15, description="left out: follows from the pin")


class PinVent(_OnBoard):
    """A servo on any GPIO, pulses timed by software (plain wiring; trembles a little)."""

    driver: Literal["pin"]


class Pca9685Vent(Servo):
    """A servo on a 16-channel PWM chip on the I2C bus."""

    driver: Literal["pca9685"]
    channel: int = Field(ge=0, le=15, description="output of the chip")
    bus: int = Field(default=1, ge=0, le=31, description="number of /dev/i2c-N")
    address: int = Field(default=0x40, ge=0x40, le=0x7F, description="I2C address, 0x40..0x7f")
    frame_hz: FiniteFloat = Field(
        default=50.0,
        ge=40.0,
        le=100.0,
        description="pulses per second; above 60 for digital servos only",
    )

    @property
    def wire(self) -> str:
        """What must not be shared with another vent."""
        return f"bus {self.bus} address {self.address:#x} channel {self.channel}"

    @property
    def bus_name(self) -> str:
        """The I2C bus of the chip."""
        return f"I2C {self.bus}"


class SimulatedVent(Servo):
    """A vent without hardware."""

    driver: Literal["simulated"]


VentSettings = Annotated[KernelPwmVent | PinVent | Pca9685Vent | SimulatedVent, Field(discriminator="driver")]


class VentsSettings(BaseModel):
    """Section `[vents]`. The lower vent feeds the fire; an upper one is optional."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    lower: VentSettings = Field(description="the vent below the coals")
    upper: VentSettings | None = Field(default=None, description="the vent in the lid; left out: set by hand")

    @model_validator(mode="after")
    def _two_wires(self) -> Self:
        if self.upper is not None and "" != self.upper.wire == self.lower.wire:
            raise ValueError(f"lower and upper are on the same wire ({self.lower.wire}); give each its own")
        if isinstance(self.lower, KernelPwmVent) and isinstance(self.upper, KernelPwmVent):
            _own_channels(self.lower, self.upper)
        chips = [vent for vent in (self.lower, self.upper) if isinstance(vent, Pca9685Vent)]
        one_chip = len(chips) == 2 and len({(vent.bus, vent.address) for vent in chips}) == 1
        if one_chip and chips[0].frame_hz != chips[1].frame_hz:
            raise ValueError("two vents on one chip share its frame_hz; give both the same")
        return self

    def by_name(self) -> dict[str, VentSettings]:
        """The vents that there are: name -> settings."""
        vents = {"lower": self.lower}
        if self.upper is not None:
            vents["upper"] = self.upper
        return vents

    @property
    def wires(self) -> tuple[str, ...]:
        """The wires that there are."""
        return tuple(vent.wire for vent in self.by_name().values() if vent.wire)


def _own_channels(lower: KernelPwmVent, upper: KernelPwmVent) -> None:
    """ValueError when, on any board that it may be, one channel would make the pulses of both."""
    if None not in (lower.pwm_chip, upper.pwm_chip) and lower.pwm_chip != upper.pwm_chip:
        return
    for by_pin in PWM_CHANNELS:
        shared, other = (
            by_pin[vent.pin] if vent.pwm_channel is None else vent.pwm_channel for vent in (lower, upper)
        )
        if shared == other:
            raise ValueError(
                f"lower (pin {lower.pin}) and upper (pin {upper.pin}) share PWM channel {shared}: take pins "
                "18 and 19, or 12 and 13; where each pin has its own (Pi 5), write pwm_channel in both"
            )
