"""What the cut-offs remember from step to step, seen in the alarms that come of it or stay away."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from cutoffs import Watch, settled, view

from coalminder.events import Acknowledge, CharcoalAdded, Reset
from coalminder.safety import evidence
from coalminder.safety.conditions import runaway
from coalminder.safety.evidence import start
from coalminder.safety.limits import Limits
from coalminder.safety.view import View
from coalminder.values import HEALTHY, AlarmState, Phase, ProbeFault, ProbeFaultKind, Reading

LOST = ProbeFault(ProbeFaultKind.OPEN)
KIND = ProbeFaultKind


def late(s: float) -> View:
    return view(s, machine=replace(HEALTHY, late_s=6.0))


# --- the food


@pytest.mark.parametrize(("on", "raised"), [(True, True), (None, True), (False, False)])
def test_a_core_probe_pulled_out_of_food_that_is_off_is_not_lost(on: bool | None, raised: bool) -> None:
    watch = settled()
    watch.run(60.0, lambda s: view(s, foods=(("char", LOST),), food_on=on))
    assert ("food_probe_lost" in watch.raised_s) is raised


@pytest.mark.parametrize(("on", "raised"), [(True, True), (None, True), (False, False)])
def test_only_food_on_the_grill_spends_time_in_the_danger_zone(on: bool | None, raised: bool) -> None:
    """FDA Food Code 3-501.19 (from memory): 4 h in all. What is off has its own clocks."""
    watch = settled()
    food = (("char", Reading(40.0)),)
    for _ in range(5):
        watch.run(3000.0, lambda s: view(s, foods=food, food_on=on), (Acknowledge(),))
    assert ("food_exposed" in watch.raised_s) is raised


def test_a_second_load_starts_with_a_fresh_clock() -> None:
    watch = settled()
    food = (("char", Reading(40.0)),)
    for loaded_s in (1200.0, 13200.0):
        for _ in range(4):
            watch.run(
                3000.0,
                lambda s, at=loaded_s: view(s, foods=food, food_on=True, food_loaded_s=at),
                (Acknowledge(),),
            )
    assert "food_exposed" not in watch.raised_s


def test_a_stored_state_that_knew_no_batches_keeps_what_the_food_has_spent() -> None:
    """After an upgrade in the middle of a cook: the food was laid on long before the first step."""
    watch = settled()
    old = replace(watch.state.evidence, exposed_s=(("char", 700.0),))
    watch.state = replace(watch.state, evidence=old)
    watch.step(view(0.0, foods=(("char", Reading(40.0)),), food_on=True, food_loaded_s=500.0))
    assert dict(watch.state.evidence.exposed_s)["char"] >= 700.0


# --- the pit


def test_a_fire_that_dies_long_after_a_lid_lift_is_no_probe_that_fell_out() -> None:
    watch = settled()
    watch.run(60.0, lambda s: view(s, 93.0 - 30.0 * s / 60.0, lid_off=True))
    watch.run(900.0, lambda s: view(s, min(63.0 + s / 6.0, 93.0)))
    watch.run(7200.0, lambda s: view(s, max(93.0 - s / 90.0, 30.0)))
    assert "fire_out" in watch.raised_s
    assert "pit_probe_out" not in watch.raised_s


@pytest.mark.parametrize("first_c", [92.0, 94.0], ids=["down", "up"])
def test_a_dial_of_whole_degrees_may_stand_still_for_an_hour_whichever_way_it_went_first(
    first_c: float,
) -> None:
    watch = Watch()
    watch.run(600.0, lambda s: view(s, pit=Reading(93.0)))
    watch.run(4000.0, lambda s: view(s, pit=Reading(first_c)))
    assert "pit_probe_stuck" not in watch.raised_s


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        (KIND.OPEN, "pit_probe_lost"),
        (KIND.SHORT, "pit_probe_lost"),
        (KIND.OUT_OF_RANGE, "pit_probe_lost"),
        (KIND.BUS, "pit_probe_lost"),
        (KIND.STALE, "pit_probe_stale"),
        (KIND.TIMEOUT, "pit_probe_stale"),
        (KIND.NOT_READY, "pit_probe_stale"),
        (KIND.STUCK, "pit_probe_stuck"),
        (KIND.IMPLAUSIBLE_RATE, "pit_probe_implausible"),
    ],
)
def test_each_fault_of_the_pit_probe_has_one_row_that_cuts_off(kind: ProbeFaultKind, code: str) -> None:
    """Four rows, four remedies: a cook must be sent to the right one."""
    watch = settled()
    watch.run(70.0, lambda s: view(s, pit=ProbeFault(kind, "channel 1")))
    assert {raised for raised in watch.raised_s if raised != "pit_probe_silent"} == {code}
    told = watch.alarm(code)
    assert told is not None
    assert f"({kind.value}: channel 1)" in told.message


def test_a_rise_towards_the_set_point_with_shut_vents_is_no_fault() -> None:
    """5 K under it to 5 K over it, by 3.5 K in five minutes; only from 6 K over it would it be told."""
    watch = settled()
    watch.run(860.0, lambda s: view(s, 88.0 + 0.7 * s / 60.0, lower=0.012))
    assert "rising_with_vents_shut" not in watch.raised_s
    watch.run(400.0, lambda s: view(s, 98.0 + 0.7 * s / 60.0, lower=0.012))
    assert "rising_with_vents_shut" in watch.raised_s


# --- what a message shows


@pytest.mark.parametrize(
    ("make", "code", "words"),
    [
        (lambda s: view(s, min(93.0 + 10.0 * s, 180.0)), "pit_over_hard_limit", "180 °C"),
        (lambda s: view(s, pit=Reading(93.0, age_s=s)), "pit_probe_silent", " s old"),
        (lambda s: view(s, pit=Reading(float("nan"))), "pit_probe_lost", "nan"),
        (lambda s: view(s, machine=replace(HEALTHY, blind_start=True, blind_s=95.0)), "was_blind", "95 s"),
    ],
)
def test_a_message_shows_the_figure_that_it_is_about(
    make: Callable[[float], View], code: str, words: str
) -> None:
    watch = settled()
    watch.run(70.0, make)
    alarm = watch.alarm(code)
    assert alarm is not None
    assert words in alarm.message


# --- reset


@pytest.mark.parametrize("begins_s", range(660, 720, 5))  # whenever in the minute of the trends
def test_a_flare_over_a_pit_that_fell_before_is_cut_off_at_once(begins_s: int) -> None:
    """Burning fat: up 5 K within 30 s, seen 30 s later for the smoothing, and 10 s of on-delay."""

    def flaring(s: float) -> View:
        fell_c = 132.0 - 0.01 * s
        return view(s, fell_c + min(max(0.4 * (s - begins_s), 0.0), 25.0), lower=0.012)

    watch = settled()
    watch.run(600.0, lambda s: view(s, 132.0, lower=0.012))
    flared_s = watch.now_s + begins_s
    watch.run(begins_s + 120.0, flaring)
    assert watch.raised_s["runaway"] - flared_s <= 58.0


def test_a_pit_that_fell_evenly_before_it_flares_can_be_judged() -> None:
    even = replace(start(0.0), now_s=900.0, shut_since_s=0.0, smooth_c=136.0, shown_c=136.0)
    even = replace(even, minutes=(130.0, 129.0, 128.0, 127.0, 126.0, 125.0))
    assert runaway(view(0.0, 136.0), even, Limits(), False) is True


def test_a_stuck_probe_that_moves_again_may_be_reset() -> None:
    watch = settled()
    watch.run(700.0, lambda s: view(s, pit=Reading(93.25), lower=0.05 + s * 3e-4))
    assert watch.verdict.cut_off
    assert not watch.step(view(0.0, pit=Reading(93.25)), Reset()).outcomes[0].accepted
    watch.run(30.0, lambda s: view(s))
    alarm = watch.alarm("pit_probe_stuck")
    assert alarm is not None
    assert alarm.state is AlarmState.LATCHED_UNACKNOWLEDGED
    assert watch.step(view(0.0), Reset()).outcomes[0].accepted
    assert not watch.verdict.cut_off


def test_a_machine_that_could_not_keep_up_may_be_reset_once_half_is_forgotten() -> None:
    """Lateness is forgotten at 1 s per 20 s, and counts for no more than four times the limit of 30 s."""
    watch = settled()
    watch.run(3600.0, late, ())
    assert watch.verdict.cut_off
    watch.run(20.0 * (4 * 30.0 - 15.0) - 20.0, lambda s: view(s))
    assert not watch.step(view(0.0), Reset()).outcomes[0].accepted
    watch.run(120.0, lambda s: view(s))
    assert watch.step(view(0.0), Reset()).outcomes[0].accepted


@pytest.mark.parametrize("gone_s", [60.0, 400.0])
def test_a_probe_that_comes_back_after_minutes_is_not_noisy_for_what_changed_meanwhile(gone_s: float) -> None:
    """docs/safety.md: noise is the root mean square of second-to-second changes."""
    watch = settled()
    watch.run(gone_s, lambda s: view(s, phase=Phase.CUT_OFF, pit=LOST))
    watch.run(300.0, lambda s: view(s, 60.0, phase=Phase.CUT_OFF))
    assert "pit_probe_lost" not in watch.raised_s, "suppressed: the vents are shut"
    assert "pit_probe_noisy" not in watch.raised_s


def test_a_second_probe_that_falls_out_while_it_stands_in_is_as_implausible_as_the_first() -> None:
    watch = settled()
    watch.run(120.0, lambda s: view(s, pit=LOST, pit_2=Reading(93.0 + s % 2)))
    watch.run(60.0, lambda s: view(s, pit=LOST, pit_2=Reading(20.0 + s % 2)))
    assert watch.verdict.cut_off
    assert watch.alarm("pit_probe_implausible") is not None


def test_a_lid_lift_before_a_fire_was_put_out_throttles_no_later_one() -> None:
    """Lighting wants air: throttled for a fall of the day before, the chimney's coals would die."""
    watch = settled()
    watch.run(60.0, lambda s: view(s, 30.0 + 63.0 * 0.94**s, lid_off=True))
    watch.run(3600.0, lambda s: view(s, 30.0, phase=Phase.SNUFFING, lower=0.0))
    watch.run(60.0, lambda s: view(s, 30.0, phase=Phase.LIGHTING, lower=1.0))
    assert watch.verdict.action is None


def test_a_fall_under_wide_vents_is_judged_afresh_after_charcoal() -> None:
    """Cold charcoal cools a pit for minutes; then ten minutes tell, though the vents were wide before."""
    watch = settled()
    watch.run(900.0, lambda s: view(s, 87.0))
    watch.run(900.0, lambda s: view(s, 87.0, lower=0.3))
    charcoal_s = watch.now_s
    watch.run(1500.0, lambda s: view(s, 87.0 - 0.45 * s / 60.0, lower=0.3), (CharcoalAdded(mass_kg=0.3),))
    judged_s = watch.raised_s["falling_with_vents_open"] - charcoal_s
    assert judged_s >= watch.limits.lid_quiet_s + 600.0


# --- the clock


def test_what_is_remembered_is_the_same_on_a_clock_that_reads_less() -> None:
    """No rule knows an hour: moved evidence and a moved clock give moved evidence, whatever it remembers."""
    limits, by_s, moved = Limits(), -5000.0, set[str]()
    e = evidence.start(10_000.0)
    for second in range(1200):
        seen = view(
            second,
            70.0 if second > 1190 else 93.0 - (second % 400 > 300) * (second % 400 - 300) / 3.0,
            lid_off=300 < second % 400 < 330,
            lower=0.3 if second < 600 else 0.0,
            pit_2=Reading(93.0),
        )
        now_s, events = e.now_s + 1.0, (Acknowledge(),) if second % 500 == 0 else ()
        after = evidence.advance(e, seen, limits, events, now_s)
        back = evidence.shift(e, by_s)
        assert evidence.advance(back, seen, limits, events, now_s + by_s) == evidence.shift(after, by_s)
        differs = {name for name in e.__slots__ if getattr(e, name) != getattr(back, name)}
        assert {getattr(back, name) - getattr(e, name) for name in differs} == {by_s}
        moved |= differs
        e = after
    assert {"shut_since_s", "wide_since_s", "lid_since_s", "fallen_since_s", "first_since_s"} < moved
