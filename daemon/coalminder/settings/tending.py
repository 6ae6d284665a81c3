"""Sections [grill], [band], [loop], [air], [lid] of the configuration, and the core Config they make."""

from __future__ import annotations

from dataclasses import replace
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from coalminder.core.config import AirConfig, Config, FireConfig, LidConfig, LoopConfig, SplitConfig
from coalminder.safety.limits import Limits
from coalminder.settings.quantities import Duration, Mass, Temperature

_LOOP, _AIR, _LID, _FIRE = LoopConfig(), AirConfig(), LidConfig(), FireConfig()


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class GrillSection(_Section):
    """[grill]: the kettle and its fuel."""

    name: str = Field(
        "kettle", pattern=r"^[a-z0-9_-]{1,32}$", description="name in MQTT topics; a-z, digits, _ and -"
    )
    charcoal: Mass = Field(_FIRE.charcoal_kg, ge=0.1, le=20.0, description="charcoal laid at the start, kg")
    ambient: Temperature = Field(
        _FIRE.ambient_c, ge=-30.0, le=45.0, description="air outside when there is no ambient probe, °C"
    )


class BandSection(_Section):
    """[band]: where the pit shall be."""

    # Limits of set_point here and of ambient above: those of a food plan (food/foodplan.py).
    set_point: Temperature = Field(93.0, ge=60.0, le=121.0, description="what the pit is held at, °C")
    low: Temperature = Field(80.0, ge=40.0, le=125.0, description="lower edge of the band, °C")
    high: Temperature = Field(105.0, ge=50.0, le=135.0, description="upper edge of the band, °C")
    # The core of wet food stays 3 K under a pit this cool (measured in the simulated kettle: 56.9 in 60).
    keep_warm: Temperature = Field(
        65.0,
        ge=62.0,
        le=100.0,
        description="set point while easing, °C; in less the core stays under the 57 °C of hot holding",
    )
    least_set_point: Temperature = Field(
        55.0,
        ge=50.0,
        le=125.0,
        description="no lower set point is accepted, °C; a live fire at less would be called out",
    )
    highest_set_point: Temperature = Field(
        110.0, ge=60.0, le=135.0, description="no higher set point is accepted, °C"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.low < self.set_point < self.high:
            raise ValueError(
                f"low < set_point < high is needed, got {self.low:g}, {self.set_point:g}, {self.high:g} °C"
            )
        if not self.least_set_point <= self.set_point <= self.highest_set_point:
            raise ValueError(
                f"set_point must lie in least_set_point..highest_set_point, got {self.set_point:g} "
                f"for {self.least_set_point:g}..{self.highest_set_point:g} °C"
            )
        if self.keep_warm < self.least_set_point:
            raise ValueError(
                f"keep_warm is a set point too, not under least_set_point: got {self.keep_warm:g}, "
                f"{self.least_set_point:g} °C; lower least_set_point or raise keep_warm"
            )
        return self


class LoopSection(_Section):
    """[loop]: gains, in ln(draught) per K; see docs/control.md."""

    kp: FiniteFloat = Field(_LOOP.kp, ge=0.05, le=4.0, description="proportional gain, 1/K")
    ki: FiniteFloat = Field(_LOOP.ki, ge=0.00001, le=0.1, description="integral gain, 1/(K s)")
    kd: FiniteFloat = Field(_LOOP.kd, ge=0.0, le=100.0, description="derivative gain, s/K")
    deadband: FiniteFloat = Field(
        _LOOP.deadband_v, ge=0.0, le=0.5, description="relative change of draught too small to move the servo"
    )
    recovery: Duration = Field(
        _LOOP.reference_lag_s, ge=10.0, le=3600.0, description="lag with which the set point is approached, s"
    )
    hold_opening: FiniteFloat = Field(
        _LOOP.hold_opening,
        gt=0.0,
        le=0.3,
        description="first guess of the draught that holds the set point, 0..1",
    )


class AirSection(_Section):
    """[air]: the floor that keeps the fire alive, and the upper vent."""

    floor: FiniteFloat = Field(
        _AIR.floor_frac, ge=0.0, le=0.7, description="least draught, as a part of what holds the pit"
    )
    upper_fixed: FiniteFloat | None = Field(
        None,
        ge=0.1,
        le=1.0,
        description="opening of an upper vent left by hand (without [vents.upper] half open is taken)",
    )


class LidSection(_Section):
    """[lid]: recognising a lifted lid."""

    recognise: bool = Field(_LID.recognise, description="recognise a lifted lid from the pit probe")
    drop: FiniteFloat = Field(
        _LID.drop_c,
        ge=1.0,
        le=30.0,
        description="lag between a slow and a fast filter that means 'lifted', K",
    )


def core_config(
    grill: GrillSection,
    band: BandSection,
    loop: LoopSection,
    air: AirSection,
    lid: LidSection,
    limits: Limits,
    *,
    upper_by_hand: bool,
) -> Config:
    """The core's Config from the sections. upper_by_hand: no servo moves the upper vent."""
    upper_fixed = air.upper_fixed
    if upper_fixed is None and upper_by_hand:
        upper_fixed = SplitConfig().upper_rest
    return Config(
        set_point_c=band.set_point,
        low_c=band.low,
        high_c=band.high,
        keep_warm_c=band.keep_warm,
        least_set_point_c=band.least_set_point,
        highest_set_point_c=band.highest_set_point,
        loop=replace(
            _LOOP,
            kp=loop.kp,
            ki=loop.ki,
            kd=loop.kd,
            deadband_v=loop.deadband,
            reference_lag_s=loop.recovery,
            hold_opening=loop.hold_opening,
        ),
        air=replace(_AIR, floor_frac=air.floor),
        lid=replace(_LID, recognise=lid.recognise, drop_c=lid.drop),
        split=SplitConfig(upper_fixed=upper_fixed),
        fire=replace(_FIRE, charcoal_kg=grill.charcoal, ambient_c=grill.ambient),
        limits=limits,
    )
