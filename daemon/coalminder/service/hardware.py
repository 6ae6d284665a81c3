"""What the service needs of a grill: all samples at once, vents moved. Real hardware behind threads.

`Hardware` is the port; rehearse/hardware.py has the simulated one.
"""

from __future__ import annotations

from typing import Protocol

from coalminder.values import Inputs


class Hardware(Protocol):
    """Never raises for a fault of a probe or a vent: a probe's becomes a sample, a vent's `vents_failed`."""

    @property
    def vents_failed(self) -> bool:
        """A vent's driver failed or hangs."""
        ...

    @property
    def supply_low(self) -> bool:
        """The servos' supply is low, where that can be seen."""
        ...

    async def read(self, now_s: float) -> Inputs:
        """All samples, within the deadline of a step; events and machine are for the caller to add."""
        ...

    async def move(self, lower: float, upper: float) -> None:
        """Send both vents to their openings, 0..1."""
        ...

    async def make_safe(self) -> None:
        """Send both vents to their safe opening, at the start and at the end."""
        ...

    async def close(self) -> None:
        """Give the hardware back."""
        ...
