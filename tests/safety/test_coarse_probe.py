"""A probe that shows whole degrees is still under good control; a stuck one is still while the vents move."""

from __future__ import annotations

from dataclasses import replace

import pytest
from core.harness import Bench
from cutoffs import Watch, view

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


@pytest.mark.parametrize("step_c", [0.1, 0.25])
def test_a_heavy_kettle_held_well_stands_still_and_is_not_cut_off(step_c: float) -> None:
    """Vents that do not move say nothing of the probe; moved ones do, and an hour is too long in any case."""
    limits = Limits()
    view = View(Phase.TENDING, Reading(93.0), 93.0, 0.05, 0.6, 0.012)
    held = replace(
        evidence.start(0.0), now_s=1800.0, pit_c=93.0, finest_c=step_c, same_since_s=0.0, same_low=0.05,
        same_high=0.06,
    )  # fmt: skip
    assert pit_probe_stuck(view, held, limits, False) is False
    assert pit_probe_stuck(view, replace(held, same_low=0.025), limits, False) is True
    assert pit_probe_stuck(view, replace(held, now_s=3600.0), limits, False) is True


@pytest.mark.parametrize("step_c", [0.1, 0.25, 1.0])
def test_a_probe_that_sticks_exactly_at_the_set_point_is_found_by_asking(step_c: float) -> None:
    """There the loop has no reason to move a vent."""
    bench, told_s = Bench(), None
    bench.tending()
    for second in range(1, 3601):
        decision = bench.step(Reading(93.0 if second > 60 else 93.0 + step_c * (second % 2)))
        if "pit_probe_stuck" in [alarm.code for alarm in decision.alarms]:
            told_s = second
            break
    assert told_s is not None
    assert told_s < 60.0 + (660.0 if step_c < 0.4 else 1560.0)


def test_a_live_reading_is_asked_for_no_longer_than_it_stands() -> None:
    bench = Bench()
    bench.tending()
    for _ in range(290):
        still = bench.step(Reading(93.0))
    before = still.lower
    for _ in range(120):
        asked = bench.step(Reading(93.0))
    assert 0.5 * before < asked.lower < 0.9 * before
    bench.step(Reading(92.75))
    for second in range(30):
        back = bench.step(Reading(93.0 + 0.01 * (second % 3)))
    assert back.lower > 0.95 * before


def test_the_vents_answer_to_the_last_change_is_no_sign_of_a_stuck_probe() -> None:
    """A step of one degree moves a lively loop's vents a lot; after it all stands still, and rightly."""

    def held(s: float) -> View:
        return view(
            s, pit=Reading(92.0 if s < 60.0 else 93.0), lower=min(0.02 + 0.001 * max(s - 60.0, 0.0), 0.05)
        )

    watch = Watch()
    watch.run(1700.0, held)
    assert "pit_probe_stuck" not in watch.raised_s
    watch.run(600.0, lambda s: view(s, pit=Reading(93.0), lower=0.05 - min(1e-4 * s, 0.03)))
    assert "pit_probe_stuck" in watch.raised_s  # moved by half since, and nothing came of it
