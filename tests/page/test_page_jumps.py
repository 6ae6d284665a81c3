"""A wall clock that was put right is told from one that runs, and from one that runs fast."""

from __future__ import annotations

import random

import pytest

from coalminder.page.jumps import Jumps


def run(jumps: Jumps, utc_s: float, mono_s: float, n: int, every_s: float, speed: float = 1.0) -> list[float]:
    chance = random.Random(1)
    return [
        jumps.jump_s(utc_s + speed * every_s * i, mono_s + every_s * i + chance.uniform(0.0, 0.4))
        for i in range(n)
    ]


@pytest.mark.parametrize("jump_s", [6 * 86_400.0, 95.0, -95.0, -7200.0])
@pytest.mark.parametrize("away_s", [5.0, 20.0])
def test_a_jump_is_seen_once_and_measured(jump_s: float, away_s: float) -> None:
    jumps = Jumps()
    assert not any(run(jumps, 0.0, 0.0, 20, 5.0))
    after = run(jumps, 95.0 + away_s + jump_s, 95.0 + away_s, 20, 5.0)
    assert after[0] == pytest.approx(jump_s, abs=1.0)
    assert not any(after[1:])


@pytest.mark.parametrize("speed", [1.0, 60.0, 400.0])
def test_a_clock_that_only_runs_is_left_alone(speed: float) -> None:
    jumps = Jumps()
    assert not any(run(jumps, 0.0, 0.0, 50, 1.0, speed))
    # a break of an hour: both clocks went on
    assert not any(run(jumps, 3600.0 + 50 * speed, 3650.0, 50, 1.0, speed))


def test_what_was_held_up_on_its_way_is_no_jump() -> None:
    jumps = Jumps()
    run(jumps, 0.0, 0.0, 10, 5.0)
    assert not any(jumps.jump_s(50.0 + 5 * i, 170.0 + 0.01 * i) for i in range(24))
    assert not any(run(jumps, 175.0, 175.0, 10, 5.0))
