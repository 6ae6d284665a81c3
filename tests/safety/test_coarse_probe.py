"""A probe that shows whole degrees is still under good control; a stuck one is still while the vents move."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coalminder.core import Config
from coalminder.grill import kettle
from coalminder.rehearse.fast import run_fast
from coalminder.safety import evidence
from coalminder.safety.conditions import pit_probe_stuck
from coalminder.safety.limits import Limits
from coalminder.safety.view import View
from coalminder.values import Phase, Reading


class Dial:
    """A kettle read on a scale of `step_c`, by a probe that may stick."""

    def __init__(self, step_c: float, sticks_at_s: float = float("inf")) -> None:
        self._kettle = kettle(sky="calm", pit_noise_c=0.0, charcoal_kg=1.4, seed=3)
        self._step_c, self._sticks_at_s, self._held_c = step_c, sticks_at_s, 0.0

    def __getattr__(self, name: str) -> object:
        return getattr(self._kettle, name)

    def pit_c(self) -> float:
        if self._kettle.time_s < self._sticks_at_s:
            self._held_c = round(self._kettle.pit_c() / self._step_c) * self._step_c
        return self._held_c


@pytest.mark.parametrize("step_c", [0.25, 1.0, 2.0, 5.0])
def test_a_coarse_scale_alone_never_cuts_off(step_c: float) -> None:
    run = run_fast(Dial(step_c), Config(), (), 3 * 3600.0)  # type: ignore[arg-type]
    assert not [code for code, _ in run.trace.alarms if code == "pit_probe_stuck"]
    settled = [abs(pit - 93.0) for pit in run.trace.pit_c[5400:]]
    assert sum(settled) / len(settled) < max(2.0, step_c)


@pytest.mark.parametrize("sticks_at_s", [400.0, 500.0, 600.0, 2000.0])
def test_a_coarse_probe_that_sticks_is_found(sticks_at_s: float) -> None:
    """While lighting the vents stand wide open and stay there; later the loop moves them."""
    run = run_fast(Dial(1.0, sticks_at_s=sticks_at_s), Config(), (), 3 * 3600.0)  # type: ignore[arg-type]
    assert "pit_probe_stuck" in [code for code, _ in run.trace.alarms]


@pytest.mark.parametrize(("no_effect_s", "stuck"), [(0.0, False), (1e4, True)])
def test_vents_that_stand_wide_without_effect_count_like_moved_ones(no_effect_s: float, stuck: bool) -> None:
    """A probe that sticks while lighting: the vents are wide and stay so, they are never moved."""
    limits = Limits()
    view = View(Phase.SETTLING, Reading(71.0), 93.0, 1.0, 1.0, 0.012)
    still = replace(
        evidence.start(0.0), now_s=1e5, pit_c=71.0, finest_c=1.0, same_since_s=0.0, same_low=1.0,
        same_high=1.0, no_effect_s=no_effect_s,
    )  # fmt: skip
    assert pit_probe_stuck(view, still, limits, False) is stuck
