"""What cooks know of charcoal kettles, measured on the simulated one.

Each figure has the range that common practice gives it. `python -m coalminder.grill.practice` prints
the table of docs/grill.md; tests/grill/test_grill_practice.py asserts it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass

from coalminder.grill.kettle import Kettle
from coalminder.grill.weather import Weather

AS_WEIGHED = 1.0 / 0.95  # dry charcoal to charcoal with the 5 % water it is sold with
SMOKE_SEEN_KG_PER_S = 0.3e-3 / 60.0  # 0.3 g/min of volatiles: thin smoke [estimate]
UPPER = 0.5


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured value and the range of common practice."""

    name: str
    value: float
    low: float
    high: float
    unit: str

    @property
    def ok(self) -> bool:
        """Inside the range."""
        return self.low <= self.value <= self.high


def hold(kettle: Kettle, pit_c: float, seconds: float, lower: float = 0.05) -> float:
    """Hold the pit with a plain slow loop on the lower vent; returns the mean position of the last half."""
    integral, total, count = lower, 0.0, 0
    steps = int(seconds / 10.0)
    for step in range(steps):
        error = pit_c - kettle.true_pit_c
        integral = min(0.6, max(0.0, integral + 2e-5 * error))
        position = min(1.0, max(0.0, integral + 2e-3 * error))
        kettle.advance(10.0, position, UPPER)
        if 2 * step >= steps:
            total, count = total + position, count + 1
    return total / max(count, 1)


def shut_at_120() -> list[Figure]:
    """(a) All vents shut at 120 °C."""
    kettle = Kettle()
    while kettle.true_pit_c < 120.0:
        kettle.advance(10.0, 0.3, 0.6)
    kettle.advance(600.0, 0.0, 0.0)
    after_10 = kettle.true_pit_c
    kettle.advance(600.0, 0.0, 0.0)
    after_20 = kettle.true_pit_c
    minutes = 20.0
    while kettle.alive and minutes < 240.0:
        kettle.advance(60.0, 0.0, 0.0)
        minutes += 1.0
    kettle.advance(1800.0, 0.0, 0.0)
    kettle.advance(3600.0, 1.0, 1.0)
    return [
        Figure("all vents shut at 120 °C: pit after 10 min", after_10, 50.0, 110.0, "°C"),
        Figure("... after 20 min", after_20, 30.0, 90.0, "°C"),
        Figure("... fire alive for", minutes, 20.0, 90.0, "min"),
        Figure("... shut 30 min more, then an hour wide open: pit", kettle.true_pit_c, 5.0, 20.0, "°C"),
    ]


def lid_off_2_min() -> list[Figure]:
    """(b) The lid off for 2 min, vents left as they were."""
    kettle = Kettle(pit_c=93.0)
    lower = hold(kettle, 93.0, 5400.0)
    before = kettle.true_pit_c
    kettle.advance(120.0, lower, UPPER, True)
    lowest, peak = kettle.value("pit_probe_k") - 273.15, 0.0
    for _ in range(360):
        kettle.advance(10.0, lower, UPPER)
        peak = max(peak, kettle.true_pit_c)
    return [
        Figure("lid off 2 min: pit probe drops by", before - lowest, 15.0, 60.0, "°C"),
        Figure("... then goes over where it was by", peak - before, 2.0, 30.0, "°C"),
    ]


def charcoal_for(pit_c: float) -> tuple[float, float]:
    """(c) Charcoal as weighed in kg/h, and lower vent position, that hold `pit_c` in the demo's breeze."""
    kettle = Kettle(charcoal_kg=1.8, pit_c=pit_c)
    hold(kettle, pit_c, 3600.0)
    burnt = kettle.burnt_kg
    position = hold(kettle, pit_c, 7200.0)
    return (kettle.burnt_kg - burnt) / 2.0 * AS_WEIGHED, position


def charcoal() -> list[Figure]:
    """(c) at 80, 93 and 105 °C, and the vent travel at 93."""
    low, mid, high = charcoal_for(80.0), charcoal_for(93.0), charcoal_for(105.0)
    return [
        Figure("charcoal to hold 80 °C", low[0], 0.14, 0.25, "kg/h"),
        Figure("... 93 °C", mid[0], 0.15, 0.25, "kg/h"),
        Figure("... 105 °C", high[0], 0.15, 0.25, "kg/h"),
        Figure("lower vent that holds 93 °C", 100.0 * mid[1], 2.0, 9.0, "% of travel"),
    ]


def smoke_minutes(pieces: tuple[tuple[float, ...], ...]) -> float:
    """(d) Minutes of smoke from loads of wood, each laid on when the smoke of the last has gone."""
    kettle = Kettle(charcoal_kg=1.8, pit_c=93.0)
    lower = hold(kettle, 93.0, 3600.0)
    minutes = 0.0
    for load in pieces:
        for piece in load:
            kettle.add_wood(piece)
        quiet = 0
        while quiet < 10:
            made = kettle.value("smoke_kg")
            kettle.advance(60.0, lower, UPPER)
            seen = kettle.value("smoke_kg") - made >= 60.0 * SMOKE_SEEN_KG_PER_S
            minutes += seen
            quiet = 0 if seen else quiet + 1
    return minutes


def wood() -> list[Figure]:
    """(d) 60-100 g pieces, one or two at a time, little air."""
    return [
        Figure(
            "smoke: 60, 80, 100 g, one at a time", smoke_minutes(((0.06,), (0.08,), (0.1,))), 75, 110, "min"
        ),
        Figure("... two and two of 80 g", smoke_minutes(((0.08, 0.08), (0.08, 0.08))), 75, 110, "min"),
    ]


def pace() -> list[Figure]:
    """How fast the fire answers and how slowly it forgets; lighting; running away."""
    kettle = Kettle()
    minutes = 0.0
    while kettle.true_pit_c < 93.0 and minutes < 120.0:
        kettle.advance(10.0, 1.0, 1.0)
        minutes += 1.0 / 6.0
    wide = Kettle(charcoal_kg=2.5, lit_frac=0.5)
    hottest = 0.0
    for _ in range(60):
        wide.advance(60.0, 1.0, 1.0)
        hottest = max(hottest, wide.true_pit_c)
    pulse = Kettle(charcoal_kg=1.8, pit_c=93.0, weather=Weather(gust_frac=0.0))
    lower = hold(pulse, 93.0, 7200.0)
    start, top, answer = pulse.true_pit_c, 0.0, 0.0
    for step in range(60):
        pulse.advance(10.0, 4.0 * lower, UPPER)
        if answer == 0.0 and pulse.true_pit_c - start > 5.0:
            answer = (step + 1) / 6.0
        top = max(top, pulse.true_pit_c)
    forget = 0.0
    while pulse.true_pit_c - start > (top - start) / 2.718 and forget < 240.0:
        pulse.advance(60.0, lower, UPPER)
        forget += 1.0
    return [
        Figure("lit coals to 93 °C, vents open", minutes, 8.0, 20.0, "min"),
        Figure("hottest with vents wide open, 2.5 kg half lit", hottest, 220.0, 400.0, "°C"),
        Figure("vent x 4: 5 °C more after", answer, 0.5, 5.0, "min"),
        Figure("... vent back after 10 min: 63 % forgotten after", forget, 10.0, 60.0, "min"),
    ]


CHECKS: tuple[Callable[[], list[Figure]], ...] = (shut_at_120, lid_off_2_min, charcoal, wood, pace)


def main() -> int:
    """Print all figures as a Markdown table; 1 when one is out of its range."""
    figures = [figure for check in CHECKS for figure in check()]
    write = sys.stdout.write
    write("| practice | model | range | |\n|---|---:|---:|---|\n")
    for f in figures:
        write(
            f"| {f.name} | {f.value:.3g} {f.unit} | {f.low:g} to {f.high:g} | {'ok' if f.ok else 'OUT'} |\n"
        )
    return 0 if all(figure.ok for figure in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
