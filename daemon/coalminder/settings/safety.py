"""Settings of the cut-offs: section [safety] of the configuration."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, field_validator, model_validator

from coalminder.safety.faults import BY_CODE
from coalminder.safety.limits import Limits
from coalminder.values import Action


class SafetySettings(BaseModel):
    """What the person may set of the limits; the rest is in safety/limits.py, with its sources."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    ceiling_c: FiniteFloat = Field(
        121.0, ge=90.0, le=150.0, description="pit ceiling in °C: above it only the air floor is given"
    )
    hard_limit_c: FiniteFloat = Field(
        150.0,
        ge=110.0,
        le=250.0,
        description="pit in °C that is a fire out of hand: the vents are shut for good",
    )
    band_low_c: FiniteFloat = Field(80.0, ge=40.0, le=140.0, description="low edge of the band in °C")
    band_high_c: FiniteFloat = Field(105.0, ge=50.0, le=145.0, description="high edge of the band in °C")
    unattended_s: FiniteFloat = Field(
        14400.0,
        ge=900.0,
        le=43200.0,
        description="time in s without anybody acknowledging before the fire is put out",
    )
    lid_off_s: FiniteFloat = Field(
        480.0, ge=60.0, le=3600.0, description="time in s with the lid off before a warning"
    )
    stale_s: FiniteFloat = Field(
        10.0, ge=3.0, le=60.0, description="age in s from which a reading is no reading"
    )
    stuck_s: FiniteFloat = Field(
        600.0,
        ge=120.0,
        le=3600.0,
        description="time in s of an unchanged pit reading that means a stuck probe",
    )
    disagree_c: FiniteFloat = Field(
        30.0, ge=5.0, le=100.0, description="difference in K of two pit probes that means that one is wrong"
    )
    broker_lost_s: FiniteFloat = Field(
        300.0, ge=30.0, le=86400.0, description="time in s without a broker before a warning"
    )
    exposure_s: FiniteFloat = Field(
        14400.0, ge=1800.0, le=21600.0, description="time in s of food between 5 and 57 °C before a warning"
    )
    out_of_service: tuple[str, ...] = Field(
        (), description="codes of alarms taken out of service; only those that note or warn"
    )

    @field_validator("out_of_service")
    @classmethod
    def _only_what_may_be_silent(cls, codes: tuple[str, ...]) -> tuple[str, ...]:
        for code in codes:
            if code not in BY_CODE:
                raise ValueError(f"no alarm is called '{code}'; the codes are in docs/safety.md")
            if BY_CODE[code].action.severity >= Action.THROTTLE.severity:
                raise ValueError(
                    f"'{code}' acts on the vents; only alarms that note or warn can be out of service"
                )
        return codes

    @model_validator(mode="after")
    def _in_order(self) -> SafetySettings:
        if not self.band_low_c < self.band_high_c <= self.ceiling_c < self.hard_limit_c:
            raise ValueError(
                f"want band_low_c < band_high_c <= ceiling_c < hard_limit_c, got {self.band_low_c:g}, "
                f"{self.band_high_c:g}, {self.ceiling_c:g}, {self.hard_limit_c:g} °C"
            )
        return self

    def limits(self) -> Limits:
        """The limits of the fault table with these settings in place."""
        return Limits(**self.model_dump())
