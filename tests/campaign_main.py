"""The program `coalminder` with faults that a campaign can switch on from outside, through a control file.

The process, its loop, journal and sockets are the real ones; only what a test cannot break for real is
falsified: the wall clock, the servos' supply, a vent driver's answer, a probe driver that hangs.
CAMPAIGN_CONTROL names a JSON file: clock_offset_s, supply_low, vents_failed, hang.
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

CONTROL = Path(os.environ["CAMPAIGN_CONTROL"])
_seen: dict[str, Any] = {"stamp": None, "values": {}}
_wall = time.time


def control(name: str, default: Any = None) -> Any:
    """What the campaign wants of `name` now."""
    try:
        stamp = CONTROL.stat().st_mtime_ns
        if stamp != _seen["stamp"]:
            _seen["values"] = json.loads(CONTROL.read_text("utf-8"))
            _seen["stamp"] = stamp
    except (OSError, ValueError):
        pass
    return _seen["values"].get(name, default)


def main() -> int:
    """Falsify, then run the program."""
    time.time = lambda: _wall() + float(control("clock_offset_s", 0.0))

    from coalminder.probes.simulated import SimulatedProbe
    from coalminder.rehearse.hardware import SimulatedHardware

    read_grill, read_probe = SimulatedHardware.read, SimulatedProbe.read

    async def read(self: SimulatedHardware, now_s: float) -> Any:
        self.supply_low = bool(control("supply_low", False))
        self.vents_failed = bool(control("vents_failed", False))
        return await read_grill(self, now_s)

    def hanging(self: SimulatedProbe) -> Any:
        while control("hang", False):
            time.sleep(0.05)
        return read_probe(self)

    SimulatedHardware.read = read  # type: ignore[method-assign]
    SimulatedProbe.read = hanging  # type: ignore[method-assign]
    SimulatedProbe.blocking = True

    from coalminder.cli import main as program

    return program(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
