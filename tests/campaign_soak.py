"""72 simulated hours through core, cut-offs and journal in one process: memory and journal growth.

`python tests/campaign_soak.py 72` is the long form. Charcoal is laid on every few hours; alarms come and go.
"""

from __future__ import annotations

import gc
import os
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from coalminder.core import Config, State, initial, step
from coalminder.events import Acknowledge, CharcoalAdded, Event, Light
from coalminder.grill.kettle import Kettle
from coalminder.grill.weather import Weather
from coalminder.journal import Journal, Start
from coalminder.values import Inputs, Machine, Phase, ProbeFault, ProbeFaultKind, Reading
from coalminder.vents.curve import DEFAULT_CURVE

UTC_S = 1_775_000_000.0
WARM_UP_H = 4  # caches and pools fill in the first hours


@dataclass
class Soak:
    """Memory in MB at hour WARM_UP_H and at the end; journal in MB a day."""

    hours: int
    warm_mb: float
    end_mb: float
    journal_mb_per_day: float
    steps: int
    phase: Phase

    @property
    def growth_mb(self) -> float:
        """Growth after the warm-up."""
        return self.end_mb - self.warm_mb

    def text(self) -> str:
        """One line."""
        return (
            f"{self.hours} simulated hours, {self.steps} steps: memory {self.growth_mb:+.2f} MB "
            f"after the first {WARM_UP_H} h (from {self.warm_mb:.1f} to {self.end_mb:.1f} MB), "
            f"journal {self.journal_mb_per_day:.1f} MB a day"
        )


def resident_mb() -> float:
    """Memory of this process in use, MB."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def soak(folder: Path, hours: int) -> Soak:
    """Tend without an end; somebody acknowledges every two hours and lays on charcoal every three."""
    kettle = Kettle(weather=Weather(wind_m_per_s=4.0, gust_frac=0.3), charcoal_kg=1.5, seed=3)
    state: State = initial(Config())
    journal = Journal(folder, Start("soak", {}, UTC_S, state), None, commit_every_s=2.0)
    warm_mb = 0.0
    phase = Phase.COLD
    for second in range(hours * 3600):
        events: tuple[Event, ...] = (Light(),) if second == 0 else ()
        if second % 7200 == 7199:
            events = (Acknowledge(event_id=f"a{second}"),)
        if second % 10800 == 10799:
            kettle.add_charcoal(0.6, lit=True)
            events += (CharcoalAdded(event_id=f"c{second}", mass_kg=0.6, lit=True),)
        lost = second % 3600 in range(1000, 1008)
        inputs = Inputs(
            pit=ProbeFault(ProbeFaultKind.OPEN, "soak") if lost else Reading(kettle.pit_c()),
            foods=(("food", Reading(70.0)),),
            events=events,
            machine=Machine(under_voltage=second % 1800 in range(600, 660)),
        )
        state, decision = step(state, inputs, float(second))
        phase = decision.phase
        journal.record(float(second), UTC_S + second, inputs, decision, state)
        if second % 400 == 399:
            journal.flush(30.0)
        kettle.advance(1.0, DEFAULT_CURVE.position(decision.lower), DEFAULT_CURVE.position(decision.upper))
        if second == WARM_UP_H * 3600:
            gc.collect()
            warm_mb = resident_mb()
    journal.close(30.0)
    gc.collect()
    size = sum(f.stat().st_size for f in folder.iterdir())
    return Soak(hours, warm_mb, resident_mb(), size / 1e6 / hours * 24.0, hours * 3600, phase)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        result = soak(Path(place), int(sys.argv[1]) if len(sys.argv) > 1 else 72)
    print(result.text(), f"- ended in '{result.phase}'")
    sys.exit(1 if result.growth_mb >= 2.0 else 0)
