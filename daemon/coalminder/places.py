"""Where the files of a grill lie. A leaf: `snuff` has no settings, the page no vents, and both need it."""

from __future__ import annotations

from pathlib import Path
from typing import Final

DEFAULT_CONFIG: Final = Path("/etc/coalminder/coalminder.toml")
_STATE = Path("/var/lib/coalminder")


def state_folder(config: Path) -> Path:
    """Where records and calibration lie when `config` names no place.

    A further grill's file, NAME.toml beside the first one, has a folder of its own, as in coalminder@NAME.
    """
    further = config.absolute().parent == DEFAULT_CONFIG.parent and config.stem != DEFAULT_CONFIG.stem
    return _STATE / config.stem if further else _STATE
