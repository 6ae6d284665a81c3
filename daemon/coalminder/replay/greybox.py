"""The simulated kettle fitted to a record: what differs from kettle to kettle, with intervals.

The kettle of coalminder.grill is driven with the recorded vents, lid and wood, in a steady wind, and a few
of its parameters are moved until its pit is the recorded one (least squares with what kettles are usually
like as a prior). It costs half a second of computing per three hours and trial, and in return it knows what
the plain model does not: weather, leaks, a bed that grows and dies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from coalminder.events import CharcoalAdded, WoodAdded
from coalminder.grill import Fittings, Kettle, KettleParameters, Weather
from coalminder.replay.fopdt import Floats
from coalminder.replay.identify import Interval
from coalminder.replay.series import lit_row
from coalminder.replay.whatif import Cook
from coalminder.values import Phase
from coalminder.vents.curve import DEFAULT_CURVE

WIND_M_PER_S = 3.0
EVERY_S = 60
COLD_C = 45.0  # a kettle colder than this is not lit yet, or only just
MODEL_ERROR_C = 3.0  # how far a fitted kettle is off where nothing is wrong: gusts and all that is left out
FAR_OFF_C = 3.0 * MODEL_ERROR_C  # a grill unlike it altogether is off by 8 °C (docs/replay.md)
_Z = 1.645


@dataclass(frozen=True, slots=True)
class Unknown:
    """A parameter to fit, as a multiple of the usual kettle's; `sd` of its logarithm is the prior."""

    name: str
    meaning: str
    sd: float


UNKNOWNS = (
    Unknown("lower_m2", "open area of the lower vent", 0.35),
    Unknown("leak_low_m2", "leaks that feed the coals", 0.4),
    Unknown("leak_rim_m2", "leaks round the lid", 0.4),
    Unknown("outside_still_w_per_m2k", "heat lost outside", 0.15),
    Unknown("spread_per_s", "how fast the bed lights", 0.35),
    Unknown("lit_frac", "coals lit at the start", 0.5),
)


@dataclass(frozen=True)
class GreyBox:
    """A fitted kettle. times: multiples of the usual kettle with 90 % intervals, by name.

    rms_c: root mean square error of its pit over the fitted rows. simulated_c: (n,) its pit.
    """

    times: dict[str, float]
    intervals: dict[str, Interval]
    rms_c: float
    simulated_c: Floats
    rows: int


def fit_kettle(cook: Cook, *, evaluations: int = 4) -> GreyBox:
    """Fit to the record from its lighting on. Raises ValueError for a record that begins later, or in which
    no fire was lit or the pit never read.
    """
    first = str(cook.series.phase[0])
    if first not in ("", Phase.COLD.value, Phase.LIGHTING.value):
        raise ValueError(
            f"the record begins in the phase {first}; the physical model needs it from the lighting on"
        )
    lit = lit_row(cook.series)
    if lit == len(cook.series):
        raise ValueError("no fire was lit in this record; the physical model needs one")
    good = np.isfinite(cook.series.pit_c) & ~cook.series.lid_off
    rows = lit + np.flatnonzero(good[lit:])[::EVERY_S]
    if not len(rows):
        raise ValueError("the pit was never read once the fire was lit; the physical model needs readings")
    begins_c = _begins_c(cook)
    if first == "" and begins_c >= COLD_C:
        raise ValueError(
            f"the record begins with the pit at {begins_c:.0f} °C; the physical model needs it from the "
            f"lighting on, under {COLD_C:g} °C"
        )
    sd = np.array([unknown.sd for unknown in UNKNOWNS])

    def misfit(logs: Floats) -> Floats:
        pit = simulate(cook, logs)
        # Rows follow each other within minutes: a handful of them say as much as one.
        off = (pit[rows] - cook.series.pit_c[rows]) / MODEL_ERROR_C / math.sqrt(5.0)
        return np.concatenate([np.clip(off, -20.0, 20.0), logs / sd])

    start = np.zeros(len(UNKNOWNS))
    found = least_squares(
        misfit, start, bounds=(-3 * sd, 3 * sd), diff_step=0.03, max_nfev=evaluations, loss="soft_l1"
    )
    spread = np.sqrt(np.diag(np.linalg.inv(found.jac.T @ found.jac + 1e-9 * np.eye(len(sd)))))
    pit = simulate(cook, found.x)
    return GreyBox(
        times={u.name: float(math.exp(x)) for u, x in zip(UNKNOWNS, found.x, strict=True)},
        intervals={
            u.name: Interval(float(math.exp(x - _Z * s)), float(math.exp(x + _Z * s)))
            for u, x, s in zip(UNKNOWNS, found.x, spread, strict=True)
        },
        rms_c=float(np.sqrt(np.mean((pit[rows] - cook.series.pit_c[rows]) ** 2))),
        simulated_c=pit,
        rows=len(rows),
    )


def _begins_c(cook: Cook) -> float:
    """The first reading of the pit."""
    pit_c = cook.series.pit_c
    return float(pit_c[np.isfinite(pit_c)][0])


def simulate(
    cook: Cook, logs: Floats, *, wind_m_per_s: float = WIND_M_PER_S, warmer_k: float = 0.0
) -> Floats:
    """The pit of the kettle exp(logs) times the usual one, under the recorded vents, lid and wood."""
    times = {unknown.name: math.exp(x) for unknown, x in zip(UNKNOWNS, logs, strict=True)}
    usual_p, usual_f = KettleParameters(), Fittings()
    parameters = replace(
        usual_p, **{k: getattr(usual_p, k) * x for k, x in times.items() if hasattr(usual_p, k)}
    )
    fittings = replace(usual_f, lower_m2=usual_f.lower_m2 * times["lower_m2"], pit_noise_c=0.0)
    series, fire = cook.series, cook.state.config.fire
    air_c = float(np.nanmean(series.ambient_c)) if np.isfinite(series.ambient_c).any() else fire.ambient_c
    begins_c = _begins_c(cook)
    if not np.isfinite(series.ambient_c).any() and begins_c < COLD_C:
        air_c = begins_c  # a cold kettle is as warm as the air
    weather = Weather(wind_m_per_s=wind_m_per_s, gust_frac=0.0, ambient_c=air_c + warmer_k)
    kettle = Kettle(
        parameters,
        fittings,
        weather,
        charcoal_kg=fire.charcoal_kg,
        lit_frac=min(0.12 * times["lit_frac"], 0.9),
    )
    pit = np.empty(len(series))
    lit = lit_row(series)
    for i, seen in enumerate(cook.inputs):
        pit[i] = kettle.pit_c()
        for event in seen.events:
            if isinstance(event, WoodAdded):
                kettle.add_wood(event.mass_kg)
            elif isinstance(event, CharcoalAdded):
                kettle.add_charcoal(event.mass_kg, event.lit)
        if i < lit:
            continue
        span = cook.now_s[i + 1] - cook.now_s[i] if i + 1 < len(cook.now_s) else 1.0
        lower, upper = (DEFAULT_CURVE.position(float(x)) for x in (series.lower[i], series.upper[i]))
        kettle.advance(min(span, 60.0), lower, upper, bool(series.lid_off[i]))
    return pit


def weather_shift(
    cook: Cook, fitted: GreyBox, *, wind_m_per_s: float | None = None, warmer_k: float = 0.0
) -> Floats:
    """What other weather adds to the recorded pit under the recorded vents (n,), by the fitted kettle."""
    logs = np.log([fitted.times[unknown.name] for unknown in UNKNOWNS])
    other = simulate(
        cook, logs, wind_m_per_s=WIND_M_PER_S if wind_m_per_s is None else wind_m_per_s, warmer_k=warmer_k
    )
    return np.asarray(other - fitted.simulated_c)
