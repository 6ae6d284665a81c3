"""What every probe on a chip does alike: open late, catch the bus, correct the number."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

Source = Callable[[], Sample]


@dataclass(frozen=True, slots=True)
class Correction:
    """true = gain * shown + offset_c."""

    gain: float = 1.0
    offset_c: float = 0.0

    def apply(self, sample: Sample) -> Sample:
        """The corrected reading; a fault as it is."""
        if isinstance(sample, ProbeFault):
            return sample
        return Reading(self.gain * sample.temp_c + self.offset_c, sample.age_s)


NO_CORRECTION = Correction()


class ChipProbe:
    """A `coalminder.seams.Probe` over a chip. `open_source` opens the bus, gives the function that reads it.

    The source is opened at the first reading and again after each failure, so that a bus that comes up later
    and a chip that lost its set-up are found without a restart. Any OSError is a fault of the kind `bus`.
    """

    blocking = True

    def __init__(
        self, name: str, open_source: Callable[[], Source], correction: Correction = NO_CORRECTION
    ) -> None:
        self.name = name
        self._open_source = open_source
        self._source: Source | None = None
        self._correction = correction

    def read(self) -> Sample:
        """One reading, or why there is none. Blocks as long as the bus does."""
        try:
            if self._source is None:
                self._source = self._open_source()
            sample = self._source()
        except OSError as error:
            self._source = None
            step = "check wiring and that the bus is enabled"
            if isinstance(error, PermissionError):
                step = "run it as the service's user, who is in the group of the bus: sudo -u coalminder ..."
            return ProbeFault(ProbeFaultKind.BUS, f"{error.strerror or error}; {step}")
        return self._correction.apply(sample)
