"""A configuration whose probes and vents are simulated, for commands that a test starts."""

from __future__ import annotations

from pathlib import Path

_GRILL = """
calibration_file = "{0}/calibration.json"
[mqtt]
enabled = false
[journal]
directory = "{0}"
[probes.pit]
kind = "simulated"
[vents.lower]
driver = "simulated"
stroke_s = 0.1
settle_s = 0.02
"""


def wiring(folder: Path) -> Path:
    """The file, in `folder`, where all that it names lies too."""
    path = folder / "coalminder.toml"
    path.write_text(_GRILL.format(folder), "utf-8")
    return path
