"""The calibration file: what `coalminder calibrate` found out, kept apart from what a person wrote.

One JSON file, written whole and atomically. It corrects the configuration and never replaces it: a
probe or vent that is not named in it is used as configured.
"""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, ValidationError

from coalminder.errors import SettingsError

HOW_MAX = 200
Fraction = Annotated[FiniteFloat, Field(ge=0.0, le=1.0)]


class Entry(BaseModel):
    """One calibration: when (UTC, ISO 8601), how, and the figures before and after."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    made_at: str = Field(max_length=40, description="UTC, ISO 8601")
    how: str = Field(
        max_length=HOW_MAX, description="ice point, boiling point, three points, end stops, cook"
    )
    before: dict[str, FiniteFloat | str] = Field(default_factory=dict, description="figures before")
    after: dict[str, FiniteFloat | str] = Field(default_factory=dict, description="figures after")


class ProbeCorrection(BaseModel):
    """True temperature = gain * shown + offset_c."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    gain: FiniteFloat = Field(default=1.0, ge=0.8, le=1.25, description="slope, 1 without correction")
    offset_c: FiniteFloat = Field(default=0.0, ge=-30.0, le=30.0, description="°C")
    ice_shown_c: FiniteFloat | None = Field(default=None, description="what it showed in ice water, °C")
    boil_shown_c: FiniteFloat | None = Field(default=None, description="what it showed in boiling water, °C")
    boil_true_c: FiniteFloat | None = Field(default=None, description="what boiling water was, °C")
    thermistor: tuple[FiniteFloat, FiniteFloat, FiniteFloat] | None = Field(
        default=None, description="A, B, C of Steinhart-Hart, in place of the configured ones"
    )


class VentCorrection(BaseModel):
    """Stops and flow curve as found on the kettle, in place of the configured ones."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    stop_shut: Fraction | None = Field(default=None, description="part of the stroke where the plate is shut")
    stop_open: Fraction | None = Field(default=None, description="part of the stroke where the plate is open")
    ends_us: tuple[FiniteFloat, FiniteFloat] | None = Field(
        default=None,
        description="pulses of the shut and the open end of the stroke that the stops are parts of",
    )
    curve: tuple[tuple[Fraction, Fraction], ...] | None = Field(
        default=None, description="(position, flow) pairs"
    )


class Calibration(BaseModel):
    """All that was calibrated."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    version: Literal[1] = 1
    probes: dict[str, ProbeCorrection] = Field(default_factory=dict)
    vents: dict[str, VentCorrection] = Field(default_factory=dict)
    log: tuple[Entry, ...] = Field(default=(), description="every calibration ever made, oldest first")


NOTHING = Calibration()


def load_calibration(path: Path) -> Calibration:
    """The calibration at `path`; nothing when there is no such file. SettingsError when it cannot be used."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return NOTHING
    except PermissionError:
        raise SettingsError(
            f"calibration file {path}: not yours to read; as the service's user: sudo -u coalminder ..."
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"calibration file {path}: cannot be read ({error}); mend it, or delete it and calibrate again"
        ) from error
    try:
        return Calibration.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        raise SettingsError(
            f"calibration file {path}: {where}: {first['msg']}; mend it, or delete it and calibrate again"
        ) from error


def save_calibration(path: Path, calibration: Calibration) -> None:
    """Write `path` whole or not at all, even if power is lost. SettingsError when it cannot be written."""
    text = json.dumps(calibration.model_dump(mode="json", exclude_none=True), indent=2, ensure_ascii=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".new")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text + "\n")
                file.flush()
                # a map of probe errors is no secret; snuff may run as another user
                os.fchmod(file.fileno(), 0o644)
                os.fsync(file.fileno())
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)  # the rename itself must reach the card
        finally:
            os.close(folder)
    except OSError as error:
        raise SettingsError(f"calibration file {path}: cannot be written ({error.strerror})") from error
