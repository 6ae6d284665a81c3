"""A probe that shows something new only every few seconds, as wireless ones do, is a good probe."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from cutoffs import Watch, reading, view

from coalminder.core import Config
from coalminder.errors import SettingsError
from coalminder.grill import kettle
from coalminder.grill.scenario import LidLift
from coalminder.rehearse.fast import run_fast
from coalminder.safety.limits import Limits
from coalminder.safety.view import View
from coalminder.settings import load_settings
from coalminder.values import Reading

PIT_PROBES = {
    "pit_probe_implausible",
    "pit_probe_noisy",
    "pit_probe_lost",
    "pit_probe_stale",
    "pit_probe_silent",
}


class Seldom:
    """A kettle whose probe shows something new every `every_s`."""

    def __init__(self, every_s: int) -> None:
        self._kettle = kettle(sky="calm", pit_noise_c=0.1, charcoal_kg=1.4, seed=3)
        self._every_s, self._shown_s, self._shown_c = every_s, -1, 0.0

    def __getattr__(self, name: str) -> object:
        return getattr(self._kettle, name)

    def pit_c(self) -> float:
        now_s = int(self._kettle.time_s)
        if now_s % self._every_s == 0 and now_s != self._shown_s:
            self._shown_s, self._shown_c = now_s, self._kettle.pit_c()
        return self._shown_c


@pytest.mark.parametrize("every_s", [5, 10, 20, 30])
def test_a_cook_with_lid_lifts_is_not_cut_off(every_s: int) -> None:
    lifts = (LidLift(4500.0, 90.0), LidLift(7200.0, 120.0))
    run = run_fast(Seldom(every_s), Config(), lifts, 3 * 3600.0)  # type: ignore[arg-type]
    assert not PIT_PROBES & {code for code, _ in run.trace.alarms}
    errors = sorted(abs(pit - 93.0) for pit in run.trace.pit_c[3600:])
    assert errors[len(errors) // 2] < 2.0


def by_steps(every_s: float, fall_c_per_s: float, at_s: float = 300.0) -> float | object:
    def make(s: float) -> View:
        shown_s = s - s % every_s
        return view(s, pit=reading(max(93.0 - fall_c_per_s * max(shown_s - at_s, 0.0), 30.0), shown_s))

    return make


@pytest.mark.parametrize("every_s", [5.0, 10.0, 30.0])
def test_a_fall_of_3_k_a_second_shown_at_once_is_no_jump(every_s: float) -> None:
    """Thin steel under a lid that is off falls so, by the energy balance of its air (estimate)."""
    watch = Watch()
    watch.run(600.0, by_steps(every_s, 3.0))  # type: ignore[arg-type]
    assert "pit_probe_implausible" not in watch.raised_s


@pytest.mark.parametrize("every_s", [1.0, 2.0])
def test_a_probe_that_falls_out_is_still_found(every_s: float) -> None:
    watch = Watch()
    watch.run(600.0, by_steps(every_s, 60.0))  # type: ignore[arg-type]
    assert watch.raised_s["pit_probe_implausible"] <= 300.0 + 20.0 + 2.0 + every_s


def test_a_probe_that_becomes_slow_is_known_again() -> None:
    watch = Watch()
    watch.run(300.0, view)
    watch.run(1200.0, by_steps(10.0, 3.0, at_s=900.0))  # type: ignore[arg-type]
    assert "pit_probe_implausible" not in watch.raised_s


def test_a_lid_lift_in_large_steps_is_no_noise() -> None:
    """20 K down every 10 s with the lid off, and up again: what a wireless probe shows of thin steel."""

    def lifted(s: float) -> View:
        shown_s = s - s % 10.0
        down_c = 2.0 * min(max(shown_s - 300.0, 0.0), max(360.0 - shown_s, 0.0), 30.0)
        return view(s, pit=Reading(93.0 - down_c), lid_off=300.0 <= s < 370.0)

    watch = Watch()
    watch.run(600.0, lifted)
    assert "pit_probe_noisy" not in watch.raised_s


@pytest.mark.parametrize("seed", range(6))
def test_noise_of_5_k_is_told_as_noise_and_is_no_jump(seed: int) -> None:
    rng = random.Random(seed)
    watch = Watch()
    watch.run(3600.0, lambda s: view(s, pit=Reading(93.0 + rng.gauss(0.0, 5.0))))
    assert "pit_probe_noisy" in watch.raised_s
    assert "pit_probe_implausible" not in watch.raised_s


# --- how old a reading may be


def loaded(path: Path, text: str) -> Limits:
    path.write_text(text, "utf-8")
    return load_settings(path).limits()


def test_a_wireless_probe_may_be_as_old_as_its_own_limit_says(tmp_path: Path) -> None:
    pit = '[probes.pit]\nkind = "mqtt"\ntopic = "grill/pit"\n'
    side = '[probes.side_1]\nkind = "mqtt"\ntopic = "grill/side"\nmax_age_s = 300\n'
    limits = loaded(tmp_path / "c.toml", pit + side)
    assert (limits.stale_s, limits.food_stale_s) == (30.0, 300.0)
    watch = Watch(limits)
    watch.run(900.0, lambda s: view(s, pit=Reading(93.0 + 0.1 * (s // 20 % 3), s % 20.0)))
    assert not watch.raised_s


def test_a_pit_probe_that_may_be_older_than_a_minute_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"pit.*60 at most, got 100"):
        loaded(tmp_path / "c.toml", '[probes.pit]\nkind = "mqtt"\ntopic = "a"\nmax_age_s = 100\n')


@pytest.mark.parametrize("seed", range(6))
def test_a_gateway_that_sends_now_and_then_makes_no_jump(seed: int) -> None:
    """A reading every 1 to 15 s of a pit that falls by 3 K/s with the lid off: 45 K at once, after 1 s."""
    rng, times = random.Random(seed), [0.0]
    while times[-1] < 1500.0:
        times.append(times[-1] + rng.choice((1.0, 1.0, 4.0, 9.0, 15.0)))

    def shown(s: float) -> View:
        at_s = max(t for t in times if t <= s)
        return view(s, pit=reading(93.0 - min(max(3.0 * (at_s - 900.0), 0.0), 45.0), at_s))

    watch = Watch()
    watch.run(1400.0, shown)
    assert "pit_probe_implausible" not in watch.raised_s
