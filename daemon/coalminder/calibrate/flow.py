"""The flow curve of the lower vent, learned from a recorded cook. Pure.

Over a quarter of an hour a low fire burns the air that it gets, so the heat of the pit goes with the flow:
flow ~ (pit - ambient) + tau * d(pit)/dt (balance of heat of the kettle, first order; tau is the one with
which the cook makes most sense). Against the position of the servo that gives the shape of the curve; its
scale does not matter. Only the range that the cook used is learned; outside it the old curve goes on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import exp, log, sqrt

from coalminder.errors import UserError
from coalminder.vents.curve import FlowCurve

WINDOW_S = 900.0  # longer than the lag of the bed
TAUS_S = tuple(float(tau_s) for tau_s in range(0, 2401, 150))  # time constants of a kettle that are tried
LEAST_WINDOWS = 6
LEAST_SPREAD = 1.4  # greatest over least position
GREATEST_SCATTER = 0.25  # of the flow, about the fit
GREATEST_BEND = 0.6  # exponent: more is no plate


@dataclass(frozen=True, slots=True)
class Moment:
    """One step of the cook. `steady`: tending, lid on, probe believed."""

    at_s: float
    opening: float
    pit_c: float
    ambient_c: float
    steady: bool


@dataclass(frozen=True, slots=True)
class Learned:
    """A new curve. bend: exponent of the change; scatter: relative, about the fit."""

    curve: FlowCurve
    windows: int
    lowest_position: float
    highest_position: float
    bend: float
    scatter: float


def learn(moments: Iterable[Moment], old: FlowCurve, window_s: float = WINDOW_S) -> Learned:
    """The curve that the cook shows. UserError when the cook does not show enough."""
    stretches = _windows(moments, old, window_s)
    if len(stretches) < LEAST_WINDOWS:
        raise UserError(
            f"this cook has {len(stretches)} quiet stretches of {window_s / 60:.0f} min, "
            f"{LEAST_WINDOWS} are needed; choose a longer cook with the lid on"
        )
    low = min(stretch.position for stretch in stretches)
    high = max(stretch.position for stretch in stretches)
    if high < LEAST_SPREAD * low:
        raise UserError(
            f"the vent stayed between {low:.3f} and {high:.3f} of its travel: too narrow to learn from; "
            "choose a cook with another set point half way"
        )
    bend, scatter = min((_fit(stretches, old, tau_s) for tau_s in TAUS_S), key=lambda fit: fit[1])
    if scatter > GREATEST_SCATTER or abs(bend) > GREATEST_BEND:
        raise UserError(
            f"heat and vent do not go together in this cook (scatter {scatter:.0%}, bend {bend:+.2f}): "
            "leaks, wind or the coals decide more than the plate; keep the curve in force, or choose a calm "
            "cook with set points far apart"
        )
    try:
        curve = _bent(old, low, high, bend)
    except ValueError as error:
        raise UserError(
            f"the curve in force, bent by {bend:+.2f} as this cook shows, is none: {error}; choose another "
            "cook, or begin with the curve left out of [vents.lower] and the stops found anew"
        ) from None
    return Learned(curve, len(stretches), low, high, bend, scatter)


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Means over a window: position, pit above ambient in °C, and its rate in °C/s."""

    position: float
    excess_c: float
    rate_c_per_s: float


def _windows(moments: Iterable[Moment], old: FlowCurve, window_s: float) -> list[_Stretch]:
    stretches: list[_Stretch] = []
    current: list[Moment] = []
    for moment in moments:
        if not moment.steady or (current and moment.at_s - current[-1].at_s > 30.0):
            current = []
        if not moment.steady:
            continue
        current.append(moment)
        if current[-1].at_s - current[0].at_s >= window_s:
            stretches += _stretch(current, old)
            current = []
    return stretches


def _stretch(window: Sequence[Moment], old: FlowCurve) -> list[_Stretch]:
    count = len(window)
    position = sum(old.position(moment.opening) for moment in window) / count
    excess_c = sum(moment.pit_c - moment.ambient_c for moment in window) / count
    tenth = max(1, count // 10)
    first_c = sum(moment.pit_c for moment in window[:tenth]) / tenth
    last_c = sum(moment.pit_c for moment in window[-tenth:]) / tenth
    rate = (last_c - first_c) / (0.9 * (window[-1].at_s - window[0].at_s))
    return [_Stretch(position, excess_c, rate)] if old.opening(position) > 0.0 and excess_c > 5.0 else []


def _fit(stretches: Sequence[_Stretch], old: FlowCurve, tau_s: float) -> tuple[float, float]:
    """Exponent and scatter of flow over old curve against position, both in logarithms."""
    points = [
        (
            log(one.position),
            log(max(1.0, one.excess_c + tau_s * one.rate_c_per_s) / old.opening(one.position)),
        )
        for one in stretches
    ]
    count = len(points)
    mean_x, mean_y = sum(x for x, _ in points) / count, sum(y for _, y in points) / count
    spread = sum((x - mean_x) ** 2 for x, _ in points)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / spread
    rest = sum((y - mean_y - slope * (x - mean_x)) ** 2 for x, y in points)
    return slope, sqrt(rest / max(1, count - 2))


def _bent(old: FlowCurve, low: float, high: float, bend: float) -> FlowCurve:
    def factor(position: float) -> float:
        return exp(bend * log(min(high, max(low, position))))

    # two points that are nearly one may be in the wrong order by a rounding
    positions = sorted({round(position, 4) for position in (*(at for at, _ in old.points), low, high)})
    whole = factor(1.0)
    points = [(p, old.opening(p) * factor(p) / whole) for p in positions]
    points = [(p, 0.0 if p == 0.0 else min(1.0, round(flow, 9))) for p, flow in points[:-1]]
    return FlowCurve((*points, (1.0, 1.0)))
