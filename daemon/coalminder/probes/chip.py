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


class SetUpChip:
    """Reads a chip that converts only while it keeps a setting: sets it up, and again when it has forgotten.

    set_up: writes the setting. sample: one reading, `not_ready` when the setting is not there. A chip that
    never has it does not hear us: that is no dip of its supply.
    """

    def __init__(self, name: str, set_up: Callable[[], object], sample: Callable[[], Sample]) -> None:
        self._set_up, self._sample = set_up, sample
        self._starting = ProbeFault(ProbeFaultKind.NOT_READY, f"{name} is starting")
        self._deaf = ProbeFault(
            ProbeFaultKind.BUS,
            f"{name} takes no setting: check its wire SDI (from data out), its supply, and that it is one",
        )
        self._ready = self._fresh = self._refused = False

    def read(self) -> Sample:
        """One reading. The first after set-up is not ready: a conversion takes a while."""
        if not self._ready:
            self._set_up()
            self._ready = self._fresh = True
            return self._deaf if self._refused else self._starting
        outcome = self._sample()
        self._ready = not (isinstance(outcome, ProbeFault) and outcome.kind is ProbeFaultKind.NOT_READY)
        self._refused = self._fresh and not self._ready
        self._fresh = False
        return self._deaf if self._refused else outcome


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
