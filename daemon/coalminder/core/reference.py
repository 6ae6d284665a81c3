"""The reference: what the pit should show now on its way to the set point.

It starts at the pit's own temperature when the loop takes over (after lighting, a lid lift, a gap) and
approaches the set point with one lag, so that recovery from a dip is led, not chased.
"""

from __future__ import annotations


def pulled_along(reference_c: float, pit_c: float, set_point_c: float) -> float:
    """The reference with a pit ahead of it: up to there, but not past the set point.

    After a lid lift a pit that comes back faster than the reference is good news, not an error to brake.
    """
    if set_point_c >= reference_c:
        return min(max(reference_c, pit_c), set_point_c)
    return max(min(reference_c, pit_c), set_point_c)
