"""The flow curve of a vent: from an opening that is linear in flow to the position of the servo.

Pure. A plate that uncovers round holes lets through little at first and most in the middle of its
travel, so a loop that thinks in positions would have a gain that changes ten-fold. Above this module
all openings are linear in flow; below it all positions are parts of the servo's travel.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from itertools import pairwise
from math import acos, isfinite, pi, sqrt


@dataclass(frozen=True, slots=True)
class FlowCurve:
    """Straight lines between `points` of (position 0..1, flow 0..1).

    The first point is (0, 0) and the last (1, 1). Positions rise strictly. Flows rise strictly too, but
    for one flat part at each end: at 0 where the plate still overlaps its holes, at 1 where it
    uncovers no more. Raises ValueError for anything else.
    """

    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        trouble = curve_trouble(self.points)
        if trouble:
            raise ValueError(trouble)

    def position(self, opening: float) -> float:
        """The lowest servo position that gives `opening`; fully shut for 0. Clamps; ValueError for NaN."""
        wanted = _clamped(opening)
        if wanted == 0.0:
            return 0.0
        flows = [flow for _, flow in self.points]
        return self._between(bisect_left(flows, wanted), wanted, to_position=True)

    def opening(self, position: float) -> float:
        """The flow-linear opening at a servo position. Clamps; ValueError for NaN."""
        at = _clamped(position)
        if at == 0.0:
            return 0.0
        positions = [where for where, _ in self.points]
        return self._between(bisect_left(positions, at), at, to_position=False)

    def _between(self, upper_index: int, x: float, *, to_position: bool) -> float:
        before, after = self.points[upper_index - 1], self.points[upper_index]
        (y0, x0), (y1, x1) = (before, after) if to_position else (before[::-1], after[::-1])
        # Written so that the end of the piece comes out exactly, without rounding.
        return y1 - (y1 - y0) * (x1 - x) / (x1 - x0)


def curve_trouble(points: tuple[tuple[float, float], ...]) -> str:
    """Why `points` are no flow curve, in one line; "" when they are one."""
    if len(points) < 2 or tuple(points[0]) != (0.0, 0.0) or tuple(points[-1]) != (1.0, 1.0):
        return "a flow curve needs at least two points, from (0, 0) to (1, 1)"
    if not all(isfinite(value) for point in points for value in point):
        return "a flow curve has finite numbers only"
    for (position_a, flow_a), (position_b, flow_b) in pairwise(points):
        if position_b <= position_a:
            return f"positions of a flow curve must rise: {position_b:g} comes after {position_a:g}"
        flat_end = flow_a == flow_b and flow_a in (0.0, 1.0)
        if flow_b <= flow_a and not flat_end:
            return f"flows of a flow curve must rise: {flow_b:g} comes after {flow_a:g}"
    return ""


def round_hole_share(position: float) -> float:
    """Open share 0..1 of a round hole behind a plate with an equal hole, `position` 0 (shut) .. 1 (in line).

    Area common to two equal circles whose centres are 2r·(1 - position) apart (plane geometry: two
    circular segments). Near shut it grows with position to the power 1.5.
    """
    apart = 1.0 - _clamped(position)
    return 2.0 / pi * (acos(apart) - apart * sqrt(1.0 - apart * apart))


def _clamped(value: float) -> float:
    if value != value:
        raise ValueError("an opening or position must be a number")
    return min(1.0, max(0.0, value))


_POSITIONS = (
    0.0, 0.01, 0.02, 0.035, 0.05, 0.075, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0,
)  # fmt: skip

#: A rotating or sliding plate over round holes. Dense near shut: a low fire lives there.
DEFAULT_CURVE = FlowCurve(tuple((at, round_hole_share(at)) for at in _POSITIONS))
