"""A probe without hardware, for `check`, rehearsals and tests."""

from __future__ import annotations

import random

from coalminder.values import ProbeFault, Reading, Sample


class SimulatedProbe:
    """A `coalminder.seams.Probe` that shows what it is set to, with Gaussian noise from a seed."""

    blocking = False  # the reader may call it without a thread

    def __init__(self, name: str, temp_c: float = 20.0, noise_c: float = 0.0, seed: int = 0) -> None:
        self.name = name
        self.sample: Sample = Reading(temp_c)
        self._noise_c = noise_c
        self._random = random.Random(f"{name}/{seed}")  # noise, no secret

    def set(self, sample: Sample | float) -> None:
        """Show this from now on: a temperature in °C, a Reading, or a ProbeFault."""
        self.sample = sample if isinstance(sample, Reading | ProbeFault) else Reading(float(sample))

    def read(self) -> Sample:
        """What it was set to, with noise."""
        if isinstance(self.sample, ProbeFault):
            return self.sample
        return Reading(self.sample.temp_c + self._random.gauss(0.0, self._noise_c), self.sample.age_s)
