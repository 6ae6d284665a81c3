"""Defaults of a vent block, for `snuff`.

`snuff` must be quick and must work when the rest of the configuration is broken, so it reads the vent
block without the settings model; a test holds the two equal.
"""

from __future__ import annotations

from typing import Final

DRIVERS: Final = ("kernel_pwm", "pin", "pca9685", "simulated")

#: field -> default, for every number and flag that decides where a pulse goes.
VENT_DEFAULTS: Final[dict[str, float | int | bool]] = {
    "pulse_min_us": 1000.0,  # hobby servos: 1.0..2.0 ms in a frame of 20 ms (common practice)
    "pulse_max_us": 2000.0,
    "reversed": False,
    "stop_shut": 0.0,
    "stop_open": 1.0,
    "safe_opening": 0.0,
    "stroke_s": 0.4,  # 90° at 0.1..0.2 s for 60° without load (common practice), and a third more
    "settle_s": 0.15,
    "hold": False,
    "backlash": 0.0,
    "reassert_s": 300.0,
    "bus": 1,
    "address": 0x40,
    "frame_hz": 50.0,
}
