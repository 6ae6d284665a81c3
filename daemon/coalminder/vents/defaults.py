"""The numbers of a vent block that `snuff` needs: field -> (default, least, most).

`snuff` must be quick and must work when the rest of the configuration is broken, so it reads the vent
block without the settings model; a test holds the two equal.
"""

from __future__ import annotations

from typing import Final

VENT_NUMBERS: Final[dict[str, tuple[float, float, float]]] = {
    "pulse_min_us": (1000.0, 400.0, 2600.0),  # hobby servos: 1.0..2.0 ms in 20 ms (common practice)
    "pulse_max_us": (2000.0, 400.0, 2600.0),
    "stop_shut": (0.0, 0.0, 1.0),
    "stop_open": (1.0, 0.0, 1.0),
    "stroke_s": (0.4, 0.1, 2.0),  # 90° at 0.1..0.2 s for 60° without load (common practice), a third more
    "settle_s": (0.15, 0.02, 2.0),
    "bus": (1, 0, 31),
    "address": (0x40, 0x40, 0x7F),
    "frame_hz": (50.0, 40.0, 100.0),
}
