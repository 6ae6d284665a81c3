"""Where the files of a grill lie. A leaf: `snuff` has no settings, the page no vents, and both need it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

DEFAULT_CONFIG: Final = Path("/etc/coalminder/coalminder.toml")
_STATE = Path("/var/lib/coalminder")


def state_folder(config: Path) -> Path:
    """Where records and calibration lie when `config` names no place.

    A further grill's file, NAME.toml beside the first one, has a folder of its own, as in coalminder@NAME.
    """
    return _STATE / config.stem if is_of_a_further(config) else _STATE


def is_of_a_further(config: Path) -> bool:
    """Whether `config` is that of a further grill of this board, NAME.toml beside the first one's."""
    return config.absolute().parent == DEFAULT_CONFIG.parent and config.stem != DEFAULT_CONFIG.stem


def records_folder(config: Path, data: Mapping[str, Any]) -> Path:
    """Where the records lie by the environment, by `data` of `config`, or by the name of `config`.

    The calibration lies there too, unless a place of its own is named: what is tried out with records of its
    own leaves the calibration of the grill alone.
    """
    journal = data.get("journal")
    given = journal.get("directory") if isinstance(journal, Mapping) else None
    said = (v for k, v in os.environ.items() if k.upper() == "COALMINDER_JOURNAL__DIRECTORY")
    named = next(said, None) or given
    folder = Path(os.path.expanduser(str(named))) if named else state_folder(config)
    return folder if folder.is_absolute() else state_folder(config)  # the settings refuse a relative one


def calibration_file(config: Path, data: Mapping[str, Any]) -> object:
    """Where the calibration lies by `data` of `config`; whatever a person wrote, or a Path."""
    return data.get("calibration_file", records_folder(config, data) / "calibration.json")
