"""The whole configuration: its sections, what they must be together, and the frozen values made of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import ClassVar, Self

from pydantic import Field, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from coalminder.core.config import Config
from coalminder.food.foodplan import FoodPlan
from coalminder.safety.limits import Limits
from coalminder.settings.food import FoodSettings
from coalminder.settings.journal import JournalSection
from coalminder.settings.mqtt import MqttSettings
from coalminder.settings.page import PageSettings
from coalminder.settings.probes import (
    PIT_ROLES,
    ROLES,
    I2cThermistor,
    ProbeBlock,
    ProbesSettings,
    Topic,
)
from coalminder.settings.quantities import Place
from coalminder.settings.safety import SafetySettings
from coalminder.settings.tending import (
    AirSection,
    BandSection,
    GrillSection,
    LidSection,
    LoopSection,
    core_config,
)
from coalminder.settings.vents import BUS_PINS, Pca9685Vent, VentsSettings

PREFIX = "COALMINDER_"
UNDER_CEILING_C = 8.0  # a pit swings after a lid lift (estimate; 0.1 K gave 46 alarms in 5 simulated hours)


class Settings(BaseSettings):
    """The whole configuration. Sections without a file have their defaults; probes and vents have none."""

    model_config: ClassVar[SettingsConfigDict] = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", extra="forbid", frozen=True
    )

    grill: GrillSection = GrillSection()
    band: BandSection = BandSection()
    loop: LoopSection = LoopSection()
    air: AirSection = AirSection()
    lid: LidSection = LidSection()
    safety: SafetySettings = SafetySettings()
    mqtt: MqttSettings = MqttSettings()
    journal: JournalSection = JournalSection()
    food: FoodSettings = FoodSettings()
    page: PageSettings = PageSettings()
    calibration_file: Place = Field(
        Path("/var/lib/coalminder/calibration.json"),
        description="what 'coalminder calibrate' found; left out: beside the records",
    )
    probes: ProbesSettings | None = Field(None, description="one block per probe; 'pit' is needed to tend")
    vents: VentsSettings | None = Field(None, description="'lower' is needed to tend, 'upper' may be there")

    @model_validator(mode="after")
    def _limits_fit_the_band(self) -> Self:
        band, ceiling_c = self.band, self.safety.ceiling_c
        if band.high > ceiling_c:
            raise ValueError(
                f"band.high must not lie over safety.ceiling_c: got {band.high:g}, {ceiling_c:g} °C; "
                "lower band.high or raise safety.ceiling_c"
            )
        if band.highest_set_point + UNDER_CEILING_C > ceiling_c:
            raise ValueError(
                f"band.highest_set_point must lie {UNDER_CEILING_C:g} K or more under safety.ceiling_c, or a "
                f"pit held there rings all the time: got {band.highest_set_point:g}, {ceiling_c:g} °C; lower "
                "band.highest_set_point or raise safety.ceiling_c"
            )
        if band.keep_warm >= band.set_point:
            raise ValueError(
                f"band.keep_warm (62 °C or more) must lie under band.set_point: got {band.keep_warm:g}, "
                f"{band.set_point:g} °C; raise band.set_point or lower band.keep_warm"
            )
        return self

    @model_validator(mode="after")
    def _the_page_waits_for_the_state(self) -> Self:
        old_after_s, every_s = self.page.old_after_s, self.mqtt.state_every_s
        if old_after_s < 2.0 * every_s:
            raise ValueError(
                f"page.old_after_s ({old_after_s:g} s) must be at least twice mqtt.state_every_s "
                f"({every_s:g} s), or the page calls sound figures old; raise the one or lower the other"
            )
        return self

    @model_validator(mode="after")
    def _probes_fit_the_rest(self) -> Self:
        hard_c = self.safety.hard_limit_c
        vents = self.vents.by_name() if self.vents is not None else {}
        if self.vents is not None:
            _own_pins(self.vents, dict(self.probes or {}))
        on_i2c = {(v.bus, v.address): name for name, v in vents.items() if isinstance(v, Pca9685Vent)}
        for name, block in (self.probes or {}).items():
            if name in PIT_ROLES and block.highest_c <= hard_c:
                raise ValueError(
                    f"probes.{name}.highest_c ({block.highest_c:g} °C) must lie over safety.hard_limit_c "
                    f"({hard_c:g} °C), or it cannot show a fire out of hand: raise it, take another probe (a "
                    "ds18b20 ends at 125), or lower hard_limit_c, ceiling_c and highest_set_point"
                )
            if isinstance(block, Topic) and not self.mqtt.enabled:
                raise ValueError(
                    f"probes.{name} (kind = 'mqtt') hears nothing with mqtt.enabled = false; enable it or "
                    "remove the probe"
                )
            vent = on_i2c.get((block.bus, block.address)) if isinstance(block, I2cThermistor) else None
            if vent is not None:
                raise ValueError(
                    f"probes.{name} (ads1115) and vents.{vent} (pca9685) are on one wire ({block.select}); "
                    "give one of the chips another address"
                )
        return self

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Environment over file; no dotenv, credentials are read by hand (library-independent names)."""
        return env_settings, init_settings

    def core(self) -> Config:
        """The core's Config, without a food plan; see `plan`."""
        by_hand = self.vents is not None and self.vents.upper is None
        return core_config(
            self.grill, self.band, self.loop, self.air, self.lid, self.limits(), upper_by_hand=by_hand
        )

    @property
    def wires(self) -> tuple[str, ...]:
        """The wires of the vents, each of which one program may use."""
        return self.vents.wires if self.vents is not None else ()

    def plan(self) -> FoodPlan:
        """The plan to follow, its times in Unix seconds. Raises UserError when its file cannot be used."""
        return self.food.plan(self.band.set_point, self.grill.ambient)

    def limits(self) -> Limits:
        """The cut-offs' limits, with the band of [band] and the ages that the probes may have."""
        probes, given = self.probes or {}, self.safety.limits()
        pit_s = [block.max_age_s for name, block in probes.items() if name in PIT_ROLES]
        other_s = [block.max_age_s for name, block in probes.items() if name in ("dome", "ambient")]
        food_s = [block.max_age_s for name, block in probes.items() if name not in ROLES]
        return replace(
            given,
            band_low_c=self.band.low,
            band_high_c=self.band.high,
            stale_s=max(given.stale_s, *pit_s, 0.0),
            other_stale_s=max(given.stale_s, *other_s, 0.0),
            food_stale_s=max(given.stale_s, *food_s, 0.0),
        )


def _own_pins(vents: VentsSettings, probes: dict[str, ProbeBlock]) -> None:
    """ValueError when the pulses of a vent would go over a wire of a bus in use."""
    users = {f"probes.{name}": block.bus_name for name, block in probes.items()}
    users |= {f"vents.{name}": block.bus_name for name, block in vents.by_name().items()}
    vent_of = {block.board_pin: name for name, block in vents.by_name().items()}
    for user, bus in users.items():
        for pin in BUS_PINS.get(bus, ()):
            if pin in vent_of:
                raise ValueError(
                    f"vents.{vent_of[pin]} (pin {pin}) is on a wire of {bus}, where {user} is; give the vent "
                    "another pin"
                )
