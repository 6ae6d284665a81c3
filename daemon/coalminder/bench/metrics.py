"""What a cook is judged by: the same window and the same pit for every controller. Pure.

The pit is the true air at the grate, without the probe's lag and noise. The window opens at a fixed time
after lighting, whatever the controller does, and leaves out a fixed allowance after each change of the
set point; all else counts, the minutes with the lid off too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coalminder.bench.plant import Exogenous, Floats

#: The window opens this long after lighting. A kettle with a normal fire is at 93 °C after 15 to 40 min.
SETTLED_S = 2700
#: After a change of the set point by d K: this long is not counted: 10 min and 1 min per K (a kettle
#: with shut vents falls about 1 K a minute, common practice).
CHANGE_S, CHANGE_S_PER_K = 600, 60
LOW_K, HIGH_K = -13.0, 12.0
CEILING_C = 121.0
FUEL_LEFT_KG = 0.1


@dataclass(frozen=True, slots=True)
class Score:
    """One cook. Temperatures in °C or K, travel in full strokes of a servo.

    in_band_frac: share of the window within set point -13/+12 K (80 to 105 °C at 93). mae_c: mean
    |pit - set point| in the window. peak_c: highest pit of the whole cook. died: no glow at the end
    though fuel remains. travel: both servos in the window; travel_all: in the whole cook (the way from
    wide open at lighting, the same for all, included). settled_s: first
    time within 5 K of the set point, the cook's length when never.
    """

    in_band_frac: float
    mae_c: float
    peak_c: float
    lowest_c: float
    alive: bool
    died: bool
    travel: float
    travel_all: float
    fuel_kg: float
    settled_s: float


def window(known: Exogenous) -> np.ndarray:
    """Which seconds count."""
    counts = np.ones(known.seconds, dtype=bool)
    counts[:SETTLED_S] = False
    changes = np.flatnonzero(np.diff(known.set_point_c)) + 1
    for at in changes:
        by = abs(float(known.set_point_c[at] - known.set_point_c[at - 1]))
        counts[at : at + CHANGE_S + round(CHANGE_S_PER_K * by)] = False
    return counts


def score(
    known: Exogenous,
    pit_c: Floats,
    lower: Floats,
    upper: Floats,
    *,
    alive: bool,
    fuel_left_kg: float,
    burnt_kg: float,
    upper_moves: bool,
) -> Score:
    """Judge one cook from its second-by-second pit and commands."""
    counts = window(known)
    error = (pit_c - known.set_point_c)[counts]
    moved = np.abs(np.diff(lower, prepend=lower[0]))
    if upper_moves:
        moved = moved + np.abs(np.diff(upper, prepend=upper[0]))
    near = np.flatnonzero(np.abs(pit_c - known.set_point_c) < 5.0)
    return Score(
        in_band_frac=float(np.mean((error >= LOW_K) & (error <= HIGH_K))),
        mae_c=float(np.mean(np.abs(error))),
        peak_c=float(np.max(pit_c)),
        lowest_c=float(np.min(pit_c[counts])),
        alive=alive,
        died=not alive and fuel_left_kg > FUEL_LEFT_KG,
        travel=float(np.sum(moved[SETTLED_S:])),
        travel_all=float(np.sum(moved)),
        fuel_kg=burnt_kg,
        settled_s=float(near[0]) if len(near) else float(known.seconds),
    )
