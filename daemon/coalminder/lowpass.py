"""The one filter that the core and the cut-offs are made of. Pure."""

from __future__ import annotations


def low_pass(y: float, x: float, lag_s: float, dt_s: float) -> float:
    """`y`, `dt_s` > 0 later, on its way to `x` with the time constant `lag_s`, however long the step is."""
    return y + (x - y) * dt_s / (lag_s + dt_s)
