"""Loads and checks the configuration; see settings/__init__.py."""

from __future__ import annotations

import difflib
import os
import re
import tomllib
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar, Self, get_args

from pydantic import Field, ValidationError, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict
from pydantic_settings import SettingsError as SourceError

from coalminder.core.config import Config
from coalminder.errors import SettingsError
from coalminder.food.foodplan import FoodPlan
from coalminder.places import DEFAULT_CONFIG, calibration_file, state_folder
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
    ProbeSettings,
    ProbesSettings,
    Topic,
)
from coalminder.settings.quantities import COMMA, POINT, Place, perhaps_fahrenheit
from coalminder.settings.safety import SafetySettings
from coalminder.settings.tending import (
    AirSection,
    BandSection,
    GrillSection,
    LidSection,
    LoopSection,
    core_config,
)
from coalminder.settings.vents import BUS_PINS, Pca9685Vent, VentSettings, VentsSettings

DEFAULT_PATH = DEFAULT_CONFIG
PREFIX = "COALMINDER_"
_BLOCKS: dict[str, tuple[str, Any]] = {"probes": ("kind", ProbeSettings), "vents": ("driver", VentSettings)}
_UNITS = {
    "_c_per_s": "°C/s",
    "_c": "°C",
    "_s": "s",
    "_us": "µs",
    "_mm": "mm",
    "_kg": "kg",
    "_k": "K",
    "_ohm": "Ω",
    "_v": "V",
    "_hz": "Hz",
    "_hours": "hours",
}  # the end of a name tells the unit of its number
_SLIPS = (
    (re.compile(r"=\s*[-+]?\d+,\d"), POINT),
    (re.compile("[“”„«»‘’\u00a0]"), 'write plain quotes (") and blanks'),
    (re.compile(r"=\s*(true|false|yes|no|on|off)\s*(#|$)", re.IGNORECASE), "write true or false"),
    (re.compile(r"=\s*[-+]?[\d.]*\s*[a-z°/~]", re.IGNORECASE), 'write texts and units in quotes: "93 C"'),
)  # in a line that is not TOML, and what to do
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


def load_settings(path: Path | None = None) -> Settings:
    """The settings from `path`, or the defaults (and environment) without one. Raises SettingsError."""
    data = {} if path is None else _read(path)
    where = "defaults" if path is None else str(path)
    _check_sections(data, where)
    _check_environment()
    _add_credentials(data, path or DEFAULT_PATH)
    _add_places(data, path or DEFAULT_PATH)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return Settings(**data)
    except ValidationError as error:
        raise SettingsError(f"{where}: {_explain(error, data)}") from None
    except SourceError as error:
        section = re.search(r'field "(\w+)"', str(error))
        raise SettingsError(
            f"{' or '.join(_variables((section.group(1),) if section else ()))}: cannot be read; write "
            f'{PREFIX}SECTION__SETTING=value, a list as in \'["a", "b"]\''
        ) from None


def _read(path: Path) -> dict[str, Any]:
    try:
        text = path.read_text("utf-8-sig")  # an editor's byte order mark is no error
    except FileNotFoundError:
        raise SettingsError(
            f"configuration '{path}' does not exist; "
            "copy config/coalminder.toml there or name yours with --config"
        ) from None
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise SettingsError(
            f"configuration '{path}' is not UTF-8 text (line {line}); save it as UTF-8"
        ) from None
    except OSError as error:
        raise SettingsError(
            f"configuration '{path}' cannot be read: {error.strerror}; name a file that you may read"
        ) from None
    try:
        return tomllib.loads(text)
    except ValueError as error:  # not TOML, or a number with thousands of digits
        raise SettingsError(f"configuration '{path}' is not TOML: {error}{_hint(text, str(error))}") from None
    except RecursionError:
        raise SettingsError(f"configuration '{path}' is nested too deeply; write one level of []") from None


def _hint(text: str, told: str) -> str:
    """What is usually meant by what stands in the line that the TOML error names."""
    found = re.search(r"at line (\d+)", told)
    lines = text.splitlines()
    if found is None or int(found.group(1)) > len(lines):
        return ""
    line = lines[int(found.group(1)) - 1]
    return next((f"; {hint}" for slip, hint in _SLIPS if slip.search(line)), "")


def _add_places(data: dict[str, Any], path: Path) -> None:
    """A further grill keeps its files in a folder of its own, by hand as in its unit."""
    data["calibration_file"] = calibration_file(path, data)
    section = data.setdefault("journal", {})
    if isinstance(section, dict):
        section.setdefault("directory", str(state_folder(path)))


def _check_sections(data: dict[str, Any], where: str) -> None:
    """SettingsError for a name at the top that is not ours to the letter.

    The library takes [Vents.lower] for [vents.lower]; `snuff` and the places of files would not.
    """
    for name in data:
        if name not in Settings.model_fields:
            raise SettingsError(f"{where}: {_no_setting((name,))}")


def _is_ours(variable: str) -> bool:
    return variable.upper().startswith(PREFIX)  # whatever its letters: the library reads it, too


def _check_environment() -> None:
    for name in filter(_is_ours, os.environ):
        section = name[len(PREFIX) :].split("__")[0].lower()
        if section == "vents":
            raise SettingsError(
                f"environment variable {name}: the vents are set in the configuration file only, where "
                "'snuff' finds them; write it there and unset the variable"
            )
        if section not in Settings.model_fields:
            known = ", ".join(f"{PREFIX}{field.upper()}__..." for field in Settings.model_fields)
            raise SettingsError(f"environment variable {name} sets nothing; known: {known}; unset it")


def _add_credentials(data: dict[str, Any], config: Path) -> None:
    directory = os.environ.get("CREDENTIALS_DIRECTORY")
    if not directory:
        return
    # by hand the variable may name the folder of all grills, where a further one's file bears its name
    named = Path(directory, f"{config.stem}_mqtt_password")
    path = named if os.path.isfile(named) else Path(directory, "mqtt_password")
    if os.path.isfile(path):
        try:
            password = path.read_text("utf-8").rstrip("\n")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(
                f"credential {path}: cannot be read ({error}); see docs/hardware.md"
            ) from None
        section = data.setdefault("mqtt", {})
        if password and isinstance(section, dict):  # empty: the unit's default, when there is no such file
            section.setdefault("password", password)


def _explain(error: ValidationError, data: dict[str, Any]) -> str:
    found = error.errors(include_url=False)
    first = found[0]
    place = ".".join(str(part) for part in _written(first["loc"])) or "settings"
    if first["type"].startswith("union_tag"):
        text = f"{place}.{_tag_trouble(first['ctx'])}"
    elif first["type"] == "extra_forbidden":
        text = _no_setting(first["loc"])
    elif place.endswith(".[key]"):
        text = (
            f"'{place.removesuffix('.[key]')}' is no name of a probe: a-z, digits and _, a letter first, "
            "32 at most; rename it"
        )
    else:
        shown = None if _is_secret(first["loc"]) else first.get("input")
        if isinstance(shown, str) and "@" in shown:  # a URL may hold a password
            shown = None
        got = f" (got {shown!r})" if isinstance(shown, str | int | float | bool) else ""
        why = _no_number(first) or _wrong_form(first, place) or first["msg"].removeprefix("Value error, ")
        accepted = _range(first["loc"], _as_written(first["loc"], data))
        if first["type"] == "value_error" and "accepted: " not in accepted:
            accepted = ""  # our own words are whole
        text = f"{place}: {why}{got}{accepted}"
    text = text if len(found) == 1 else f"{text} (and {len(found) - 1} more)"
    names = _variables(_written(first["loc"])) if first["loc"] else ()
    return f"{text}; the environment goes before the file: {', '.join(names)}" if names else text


def _variables(place: tuple[int | str, ...]) -> list[str]:
    """The environment variables that set `place`, a part of it, or what it is a part of; all for ()."""
    words = [str(part).lower() for part in place]
    parts = {name: name[len(PREFIX) :].lower().split("__") for name in os.environ if _is_ours(name)}
    return [name for name, said in parts.items() if all(a == b for a, b in zip(said, words, strict=False))]


def _tag_trouble(context: dict[str, Any]) -> str:
    """What is wrong with the line that says which kind of block it is, after the block's name."""
    tag = context["discriminator"].strip("'")
    union = get_args(dict(_BLOCKS.values())[tag])[0]
    known = [word for block in get_args(union) for word in get_args(block.model_fields[tag].annotation)]
    found = f"'{context['tag']}' is not known" if "tag" in context else "is missing"
    return f"{tag} {found}; accepted: {', '.join(known)}"


def _written(loc: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """`loc` without the kind of a probe's block or the driver of a vent's, which is no part of the name."""
    return (*loc[:2], *loc[3:]) if loc[:1] in {("probes",), ("vents",)} and loc[2:3] != ("[key]",) else loc


def _as_written(loc: tuple[int | str, ...], data: Any) -> Any:
    """What the file has at `loc`, before units are worked out; None when the value came from elsewhere."""
    for part in _written(loc):
        data = data.get(part) if isinstance(data, dict) else None
    return data


def _no_number(error: Any) -> str:
    """What to write in place of what is no number, or neither true nor false; empty for other errors."""
    if error["type"] in {"bool_type", "bool_parsing"}:
        return "write true or false, without quotes"
    if error["type"] not in {"float_parsing", "int_parsing", "float_type", "int_type"}:
        return ""
    if error["type"] == "int_type" and isinstance(error["input"], float):
        return "write a whole number, without a point"
    if COMMA.search(str(error["input"])):
        return POINT
    name = str(error["loc"][-1])
    unit = next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
    return f"write a number in {unit}, without the unit" if unit else "write a number"


def _wrong_form(error: Any, place: str) -> str:
    """What to write in place of a value of another form; empty for other errors."""
    if error["type"] == "string_type":
        return "write it in quotes"
    if error["type"] in {"model_type", "dict_type"}:
        return f"write a section: [{place}] on a line of its own, its settings below"
    return ""


def _fields(loc: tuple[int | str, ...]) -> dict[str, Any]:
    model: Any = Settings
    if len(loc) > 3 and loc[0] in _BLOCKS:
        tag, union = _BLOCKS[str(loc[0])]
        known = get_args(get_args(union)[0])
        model = next(block for block in known if loc[2] in get_args(block.model_fields[tag].annotation))
        loc = loc[3:]
    for part in loc[:-1]:
        field = getattr(model, "model_fields", {}).get(str(part))
        if field is None or not hasattr(field.annotation, "model_fields"):
            return {}
        model = field.annotation
    return dict(getattr(model, "model_fields", {}))


def _is_secret(loc: tuple[int | str, ...]) -> bool:
    """Whether the setting at `loc`, or the one that it lies in, holds a secret."""
    fields = (_fields(loc[:depth]).get(str(loc[depth - 1])) for depth in range(1, len(loc) + 1))
    return any(field is not None and "SecretStr" in str(field.annotation) for field in fields)


def _no_setting(loc: tuple[int | str, ...]) -> str:
    place = ".".join(str(part) for part in _written(loc))
    return f"'{place}' is not a setting{_did_you_mean(loc)}; remove or correct it"


def _did_you_mean(loc: tuple[int | str, ...]) -> str:
    fields = _fields(loc)
    near = difflib.get_close_matches(str(loc[-1]).lower(), fields, 1)
    if near:
        return f"; did you mean '{near[0]}'?"
    return f"; known here: {', '.join(fields)}" if fields else ""


def _range(loc: tuple[int | str, ...], value: object) -> str:
    field = _fields(loc).get(str(loc[-1])) if loc else None
    if field is None:
        return ""
    bounds = {type(part).__name__.lower(): part for part in field.metadata}
    low, high = bounds.get("ge") or bounds.get("gt"), bounds.get("le") or bounds.get("lt")
    if low is None or high is None:
        return f"; {field.description}" if field.description else ""
    least: float = low.ge if hasattr(low, "ge") else low.gt
    most: float = high.le if hasattr(high, "le") else high.lt
    hot = perhaps_fahrenheit(field.metadata, value, least, most)
    fahrenheit = f'; a temperature in °F needs its unit: "{value} F"' if hot else ""
    return f"; accepted: {least:g} to {most:g} ({field.description}){fahrenheit}"
