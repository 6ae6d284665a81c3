"""Probes that are neither whole nor broken: frozen and flaky, two half ones, slow ones after a start.

Common practice: a broken probe is rarely broken all the time.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest
from cutoffs import reading, settled, view

from coalminder.safety.limits import Limits
from coalminder.safety.view import View
from coalminder.values import HEALTHY, Phase, ProbeFault, ProbeFaultKind, Reading

KIND = ProbeFaultKind
LOST = ProbeFault(KIND.OPEN)
STARTED = replace(HEALTHY, blind_s=3.0, blind_start=True)


@pytest.mark.parametrize(
    "break_it",
    [lambda _s: {"pit": ProbeFault(KIND.CHECKSUM)}, lambda _s: {"machine": STARTED}],
    ids=["a bad frame now and then", "the daemon killed now and then"],
)
def test_a_frozen_probe_is_found_though_something_breaks_its_row(
    break_it: Callable[[float], dict[str, object]],
) -> None:
    watch = settled()

    def frozen(s: float) -> View:
        seen = {"pit": Reading(89.0), "lower": min(0.04 + s * 1e-3, 0.9)}
        return view(s, **(seen | (break_it(s) if s % 240 == 239 else {})))

    watch.run(900.0, frozen)
    assert "pit_probe_stuck" in watch.raised_s
    assert watch.verdict.cut_off


def test_a_frozen_probe_is_found_on_a_grill_that_lives_on_a_hair_of_air() -> None:
    """The core asks by lowering the draught; here there is hardly any to take away."""
    watch = settled()
    watch.run(700.0, lambda s: view(s, pit=Reading(93.0), lower=max(0.0043 - s * 1e-5, 0.0)))
    assert "pit_probe_stuck" in watch.raised_s


def test_a_second_probe_that_stands_in_is_watched_like_the_first() -> None:
    watch = settled()
    watch.run(600.0, lambda s: view(s, pit=LOST, pit_2=reading(93.0, s)))
    watch.run(900.0, lambda s: view(s, pit=LOST, pit_2=Reading(92.7), lower=min(0.04 + s * 1e-3, 0.9)))
    assert "pit_probe_stuck" in watch.raised_s


def test_a_fire_that_dies_under_the_second_probe_is_told() -> None:
    watch = settled()
    watch.run(1200.0, lambda s: view(s, pit=LOST, pit_2=reading(max(93.0 - s / 10.0, 10.0), s), lower=0.3))
    assert "fire_out" in watch.raised_s


def test_a_grill_that_burns_away_under_the_second_probe_is_told() -> None:
    watch = settled()
    watch.run(300.0, lambda s: view(s, pit=LOST, pit_2=reading(93.0, s), lower=0.0))
    watch.run(1200.0, lambda s: view(s, pit=LOST, pit_2=reading(93.0 + s / 20.0, s), lower=0.0))
    assert "rising_with_vents_shut" in watch.raised_s


@pytest.mark.parametrize("every_s", [4, 60, 300])
def test_a_reading_missed_now_and_then_leaves_the_trends_alone(every_s: int) -> None:
    """A wireless probe misses some; the second pit probe, 25 K cooler, does not take over for each."""
    watch = settled()

    def burning(s: float) -> View:
        pit_c = 93.0 + min(s / 20.0, 55.0)
        pit = LOST if s % every_s == every_s - 1 else reading(pit_c, s)
        return view(s, pit=pit, pit_2=reading(pit_c - 25.0, s), lower=0.0)

    watch.run(1200.0, burning)
    assert "rising_with_vents_shut" in watch.raised_s
    assert watch.verdict.cut_off, "a runaway"


def test_a_probe_that_falls_out_and_misses_some_is_found_all_the_same() -> None:
    watch = settled()

    def fallen(s: float) -> View:
        pit = LOST if s % 30 == 29 else reading(40.0, s)
        return view(s, pit=pit, pit_2=reading(88.0, s))

    watch.run(100.0, fallen)
    assert "pit_probe_implausible" in watch.raised_s


def test_the_first_probe_is_watched_again_once_it_has_been_good_for_a_minute() -> None:
    watch = settled()
    watch.run(120.0, lambda s: view(s, pit=LOST, pit_2=reading(70.0, s)))
    assert watch.state.evidence.on_second
    watch.run(30.0, lambda s: view(s, pit_2=reading(70.0, s)))
    assert watch.state.evidence.on_second
    watch.run(60.0, lambda s: view(s, pit_2=reading(70.0, s)))
    assert not watch.state.evidence.on_second


@pytest.mark.parametrize(
    "kinds",
    [(KIND.OPEN, KIND.IMPLAUSIBLE_RATE), (KIND.BUS, KIND.TIMEOUT), (KIND.STALE, KIND.STUCK)],
)
def test_no_reading_for_a_minute_cuts_off_whatever_the_kind_of_each_fault(
    kinds: tuple[ProbeFaultKind, ProbeFaultKind],
) -> None:
    watch = settled()
    watch.run(100.0, lambda s: view(s, pit=ProbeFault(kinds[int(s / 15.0) % 2])))
    assert watch.verdict.cut_off


def test_a_probe_that_misses_two_readings_of_five_is_tended_by() -> None:
    watch, rng, throttled = settled(), random.Random(7), 0
    for second in range(3600):
        pit = LOST if rng.random() < 0.4 else reading(93.0, second)
        watch.step(view(float(second), pit=pit))
        throttled += watch.verdict.action is not None
        assert not watch.verdict.cut_off
    assert throttled < 0.25 * 3600


def test_a_probe_that_shows_nothing_is_not_tended_by() -> None:
    watch = settled()
    watch.run(7.0, lambda s: view(s, pit=LOST))
    assert watch.verdict.action is not None, "after 5 s"


def test_a_plug_that_is_off_every_other_six_seconds_is_told() -> None:
    watch = settled()
    watch.run(120.0, lambda s: view(s, pit=LOST if s % 12 < 6 else reading(93.0, s)))
    assert "pit_probe_silent" in watch.raised_s


def test_one_stall_is_no_machine_that_cannot_keep_up() -> None:
    watch = settled()
    watch.step(view(0.0, machine=replace(HEALTHY, late_s=120.0)))
    watch.run(120.0, lambda s: view(s))
    assert "loop_cannot_keep_up" not in watch.raised_s
    for _ in range(6):
        watch.step(view(0.0, machine=replace(HEALTHY, late_s=12.0)))
    assert "loop_cannot_keep_up" in watch.raised_s


@pytest.mark.parametrize(("silent_s", "cut_off"), [(59.0, False), (115.0, True)])
def test_a_slow_probe_has_its_time_after_a_start(silent_s: float, cut_off: bool) -> None:
    watch = settled(Limits(stale_s=60.0))
    quiet = ProbeFault(KIND.NOT_READY)
    watch.step(view(0.0, pit=quiet, machine=STARTED), by_s=1.0)
    watch.run(silent_s, lambda s: view(s, pit=quiet))
    watch.run(5.0, lambda s: view(s))
    assert watch.verdict.cut_off is cut_off


def test_a_probe_that_is_gone_is_found_though_the_daemon_dies_all_the_time() -> None:
    """What was seen of it counts together; the time in which nobody looked does not."""
    watch = settled()
    for _ in range(7):
        watch.step(view(0.0, pit=LOST, machine=STARTED))
        watch.run(9.0, lambda s: view(s, pit=LOST))
        watch.now_s += 3.0
    assert watch.verdict.cut_off


def test_what_was_pending_when_the_daemon_died_goes_on_from_there() -> None:
    watch = settled()
    watch.run(6.0, lambda s: view(s, pit=LOST))
    watch.now_s += 70.0
    watch.step(view(0.0, pit=LOST, machine=replace(STARTED, blind_s=70.0)))
    watch.run(60.0, lambda s: view(s))
    assert "pit_probe_lost" not in watch.raised_s


@pytest.mark.parametrize("every_s", [1, 12, 30, 59])
def test_a_dome_probe_that_sends_now_and_then_knows_better_all_the_same(every_s: int) -> None:
    watch = settled(Limits(other_stale_s=60.0))
    watch.run(150.0, lambda s: view(s, dome=Reading(250.0, s % every_s)))
    assert "other_probe_hotter" in watch.raised_s


def test_a_probe_taken_away_after_the_cook_is_no_alarm() -> None:
    watch = settled()
    watch.run(600.0, lambda s: view(s, pit=LOST, phase=Phase.SNUFFING, lower=0.0))
    assert "pit_probe_silent" not in watch.raised_s


def test_probes_may_be_as_old_as_they_were_configured(tmp_path) -> None:  # type: ignore[no-untyped-def]
    from coalminder.settings import load_settings

    path = tmp_path / "c.toml"
    path.write_text(
        "[probes.pit]\nkind='simulated'\n[probes.dome]\nkind='mqtt'\ntopic='a/b'\nmax_age_s=60\n"
        "[probes.char]\nkind='mqtt'\ntopic='a/c'\nmax_age_s=120\n",
        "utf-8",
    )
    limits = load_settings(path).limits()
    assert (limits.stale_s, limits.other_stale_s, limits.food_stale_s) == (10.0, 60.0, 120.0)
