"""Loads and checks the configuration; see settings/__init__.py."""

from __future__ import annotations

import os
import re
import tomllib
import warnings
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_settings import SettingsError as SourceError

from coalminder.errors import SettingsError
from coalminder.places import DEFAULT_CONFIG, calibration_file, state_folder
from coalminder.settings.explain import explain, hint, no_setting, variables
from coalminder.settings.model import PREFIX, Settings


def load_settings(path: Path | None = None) -> Settings:
    """The settings from `path`, or the defaults (and environment) without one. Raises SettingsError."""
    data = {} if path is None else _read(path)
    where = "defaults" if path is None else str(path)
    _check_sections(data, where)
    _check_environment()
    _add_credentials(data, path or DEFAULT_CONFIG)
    _add_places(data, path or DEFAULT_CONFIG)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return Settings(**data)
    except ValidationError as error:
        raise SettingsError(f"{where}: {explain(error, data)}") from None
    except SourceError as error:
        section = re.search(r'field "(\w+)"', str(error))
        raise SettingsError(
            f"{' or '.join(variables((section.group(1),) if section else ()))}: cannot be read; write "
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
        raise SettingsError(f"configuration '{path}' is not TOML: {error}{hint(text, str(error))}") from None
    except RecursionError:
        raise SettingsError(f"configuration '{path}' is nested too deeply; write one level of []") from None


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
            raise SettingsError(f"{where}: {no_setting((name,))}")


def _check_environment() -> None:
    for name in variables(()):
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
    section = data.get("mqtt", {})
    if not isinstance(section, dict):
        return  # told by the model
    password, urls = _credential("mqtt_password", config), _credential("push_urls", config)
    if password:
        section.setdefault("password", password)
    if urls:
        section.setdefault("push_urls", urls.split())
    if section:
        data["mqtt"] = section


def _credential(name: str, config: Path) -> str:
    """What systemd hands over from a file that only root reads; empty: the unit's default without one."""
    directory = os.environ.get("CREDENTIALS_DIRECTORY")
    if not directory:
        return ""
    # by hand the variable may name the folder of all grills, where a further one's file bears its name
    named = Path(directory, f"{config.stem}_{name}")
    path = named if os.path.isfile(named) else Path(directory, name)
    if not os.path.isfile(path):
        return ""
    try:
        return path.read_text("utf-8").rstrip("\n")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"credential {path}: cannot be read ({error}); see docs/hardware.md") from None
