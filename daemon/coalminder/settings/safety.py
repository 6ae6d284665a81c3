"""Settings of the cut-offs: section [safety] of the configuration."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, field_validator, model_validator

from coalminder.safety.faults import BY_CODE
from coalminder.safety.limits import Limits
from coalminder.values import Action

_DEFAULT = Limits()
HARD_OVER_CEILING_C = (
    25.0  # a flare after a lid lift goes that far over the ceiling and falls again (estimate)
)


class SafetySettings(BaseModel):
    """What the person may set of the limits; the rest is in safety/limits.py, with its sources."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    ceiling_c: FiniteFloat = Field(
        _DEFAULT.ceiling_c,
        ge=90.0,
        le=150.0,
        description="pit ceiling in °C: above it only the air floor is given",
    )
    hard_limit_c: FiniteFloat = Field(
        _DEFAULT.hard_limit_c,
        ge=110.0,
        le=250.0,
        description="pit in °C that is a fire out of hand: the vents are shut for good",
    )
    unattended_s: FiniteFloat = Field(
        _DEFAULT.unattended_s,
        ge=3600.0,
        le=43200.0,
        description="time in s without anybody acknowledging before the fire is put out; "
        "the notice comes 900 s before",
    )
    lid_off_s: FiniteFloat = Field(
        _DEFAULT.lid_off_s, ge=60.0, le=3600.0, description="time in s with the lid off before a warning"
    )
    stale_s: FiniteFloat = Field(
        _DEFAULT.stale_s,
        ge=3.0,
        le=60.0,
        description="age in s from which a reading is no reading; a probe's own max_age_s comes first",
    )
    stuck_s: FiniteFloat = Field(
        _DEFAULT.stuck_s,
        ge=120.0,
        le=3600.0,
        description="time in s of an unchanged pit reading that means a stuck probe when the vents moved; "
        "the probe's own stuck_s means it in any case",
    )
    disagree_c: FiniteFloat = Field(
        _DEFAULT.disagree_c,
        ge=15.0,
        le=100.0,
        description="difference in K of two pit probes that means that one is wrong; "
        "a sound grate makes up to 25",
    )
    broker_lost_s: FiniteFloat = Field(
        _DEFAULT.broker_lost_s, ge=30.0, le=86400.0, description="time in s without a broker before a warning"
    )
    exposure_s: FiniteFloat = Field(
        _DEFAULT.exposure_s,
        ge=1800.0,
        le=21600.0,
        description="time in s of food between 5 and 57 °C before a warning",
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
        if self.hard_limit_c < self.ceiling_c + HARD_OVER_CEILING_C:
            raise ValueError(
                f"hard_limit_c ({self.hard_limit_c:g} °C) must be {HARD_OVER_CEILING_C:g} K or more over "
                f"ceiling_c ({self.ceiling_c:g} °C), or a flare under the lid puts the fire out: raise "
                "hard_limit_c or lower ceiling_c"
            )
        return self

    def limits(self) -> Limits:
        """The limits of the fault table with these settings in place."""
        return Limits(**self.model_dump())
