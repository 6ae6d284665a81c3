"""A simulated kettle for the campaign: it writes down what its vents really do, outside the daemon's reach.

Like a real kettle it outlives the daemon: its state is kept in the folder and taken up again.
"""

from __future__ import annotations

import json
import math
import os
import pickle
import time
from pathlib import Path

from coalminder.grill.kettle import Kettle

KEEP_EVERY = 5


class CampaignGrill:
    """Follows coalminder.seams.Grill. `folder` holds trace.txt, kettle.pickle and control.json."""

    def __init__(self, folder: str) -> None:
        self._folder = Path(folder)
        self._kettle = Kettle(charcoal_kg=1.4, lit_frac=0.4, pit_c=93.0, seed=7)
        kept = self._folder / "kettle.pickle"
        if kept.exists():
            try:
                self._kettle.restore(pickle.loads(kept.read_bytes()))
            except (OSError, EOFError, pickle.UnpicklingError):
                pass  # killed while writing: a kettle like it will do
        self._trace = os.open(self._folder / "trace.txt", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        self._steps = 0

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        """Live, and write down when, for how long, where the vents stood, and the pit."""
        self._kettle.advance(seconds, lower, upper, lid_open)
        line = f"{time.monotonic():.3f} {seconds:.3f} {lower:.5f} {upper:.5f} {self._kettle.true_pit_c:.2f}\n"
        os.write(self._trace, line.encode())
        self._steps += 1
        if self._steps % KEEP_EVERY == 0:
            new = self._folder / "kettle.new"
            new.write_bytes(pickle.dumps(self._kettle.state))
            new.replace(self._folder / "kettle.pickle")

    def pit_c(self) -> float:
        """What the probe shows; not a number while the campaign has it unplugged."""
        try:
            control = json.loads((self._folder / "control.json").read_text("utf-8"))
        except (OSError, ValueError):
            control = {}
        return math.nan if control.get("unplugged") else self._kettle.pit_c()

    def core_c(self) -> float:
        """The food."""
        return self._kettle.core_c()

    def add_wood(self, kg: float, moisture: float = 0.2) -> None:
        """Passed on."""
        self._kettle.add_wood(kg, moisture)

    def add_charcoal(self, kg: float, lit: bool = False) -> None:
        """Passed on."""
        self._kettle.add_charcoal(kg, lit)


def grill(folder: str) -> CampaignGrill:
    """The factory for --simulate."""
    return CampaignGrill(folder)
