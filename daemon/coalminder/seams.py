"""The seams: what a probe, a vent and a grill must offer. Any object with these methods will do.

docs/seams.md explains each with an example.
"""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from coalminder.values import Sample


@runtime_checkable
class Probe(Protocol):
    """A source of one temperature. `read` may block (the shell calls it in a thread with a deadline)."""

    name: str

    def read(self) -> Sample:
        """A Reading in °C, or a ProbeFault. Never NaN, never the last good value."""
        ...


@runtime_checkable
class Vent(Protocol):
    """One vent. Above this line an opening is linear in flow; the driver knows the curve of the plate."""

    def move(self, opening: float) -> None:
        """Go to `opening`, 0 (shut) .. 1 (open). May block; raises OSError when the driver fails."""
        ...


@runtime_checkable
class Grill(Protocol):
    """What `rehearse` tends in place of a real grill. `lower`, `upper` are servo positions 0..1, not flow.

    Optional attributes `fuel_kg: float` and `alive: bool` improve the summary and are never needed.
    """

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        """Let `seconds` pass with the vents and the lid where they are."""
        ...

    def pit_c(self) -> float:
        """The pit in °C, as its probe shows it."""
        ...

    def core_c(self) -> float:
        """The core of the thickest piece in °C."""
        ...

    def add_wood(self, kg: float, moisture: float = 0.2) -> None:
        """Lay wood on the coals; `moisture` is a wet-basis fraction 0..1."""
        ...

    def add_charcoal(self, kg: float, lit: bool = False) -> None:
        """Lay charcoal on the bed."""
        ...
