"""What one step of the cut-offs promises, example by example."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import pytest
from cutoffs import Watch, settled, view

from coalminder.codec import from_plain, to_plain
from coalminder.events import Acknowledge, LidNotice, Reset, SetPoint, Shelve, Tend
from coalminder.safety.assess import SafetyState, Verdict
from coalminder.safety.limits import Limits
from coalminder.safety.view import View
from coalminder.values import HEALTHY, Action, AlarmState, Phase, ProbeFault, ProbeFaultKind, Reading

LOST = ProbeFault(ProbeFaultKind.OPEN)


def trouble(**flags: object) -> View:
    return view(0.0, machine=replace(HEALTHY, **flags))  # type: ignore[arg-type]


def rise_to(pit_c: float, s: float, **changes: object) -> View:
    """Up from 93 °C at 10 K/s: fast, but not as fast as only a broken probe is."""
    return view(s, min(93.0 + 10.0 * s, pit_c), **changes)


def hot(watch: Watch, pit_c: float = 180.0, for_s: float = 35.0) -> None:
    watch.run(for_s, lambda s: rise_to(pit_c, s))


def test_quiet_tending_says_nothing() -> None:
    watch = Watch()
    assert watch.run(3600.0, lambda s: view(s)) == Verdict()


def test_over_temperature_cuts_off_and_stays_when_the_pit_has_cooled() -> None:
    watch = settled()
    hot(watch)
    assert watch.verdict.cut_off
    assert watch.verdict.action is Action.SNUFF
    watch.run(3600.0, lambda s: view(s, 60.0, phase=Phase.CUT_OFF, lower=0.0))
    assert watch.verdict.cut_off
    alarm = watch.alarm("pit_over_hard_limit")
    assert alarm is not None
    assert alarm.state is AlarmState.LATCHED_UNACKNOWLEDGED
    assert not alarm.active
    assert alarm.cleared_s is not None


def test_reset_is_refused_while_the_cause_is_there_and_says_which() -> None:
    watch = settled()
    hot(watch)
    verdict = watch.step(view(0.0, 180.0), Reset(event_id="r1"))
    assert verdict.cut_off
    (outcome,) = verdict.outcomes
    assert (outcome.event_id, outcome.accepted) == ("r1", False)
    assert "pit_over_hard_limit" in outcome.reason
    assert "still there" in outcome.reason


def test_reset_is_refused_while_nobody_can_tell() -> None:
    watch = settled()
    hot(watch)
    verdict = watch.step(view(0.0, pit=LOST), Reset(event_id="r2"))
    assert not verdict.outcomes[0].accepted
    assert "without a reading" in verdict.outcomes[0].reason
    assert verdict.cut_off


def test_reset_is_refused_while_another_fault_of_the_probe_hides_whether_the_cause_is_gone() -> None:
    watch = settled()
    watch.run(700.0, lambda s: view(s, pit=Reading(93.25), lower=0.05 + s * 3e-4))
    watch.run(30.0, view)
    (stuck,) = watch.verdict.alarms
    assert (stuck.code, stuck.active) == ("pit_probe_stuck", False)
    verdict = watch.step(view(0.0, pit=LOST), Reset())
    assert "without a reading" in verdict.outcomes[0].reason
    assert verdict.cut_off


def test_reset_within_the_deadband_is_refused() -> None:
    watch = settled()
    hot(watch)
    assert not watch.step(view(0.0, 163.0), Reset()).outcomes[0].accepted


def test_reset_after_the_cause_is_gone_ends_the_cut_off() -> None:
    watch = settled()
    hot(watch)
    verdict = watch.step(view(0.0, 170.0 - 14.0), Reset(event_id="r3"))
    assert verdict.outcomes[0].accepted
    assert not verdict.cut_off
    assert watch.alarm("pit_over_hard_limit") is None


def test_one_cause_that_is_still_there_keeps_all_latched() -> None:
    watch = settled()
    hot(watch)
    watch.run(10.0, lambda s: trouble(vent_driver_failed=True))
    verdict = watch.step(trouble(vent_driver_failed=True), Reset())
    assert not verdict.outcomes[0].accepted
    assert watch.alarm("pit_over_hard_limit") is not None
    assert watch.alarm("vent_driver_failed") is not None


def test_reset_with_nothing_latched_says_so() -> None:
    watch = settled()
    (outcome,) = watch.step(view(0.0), Reset(event_id="r4")).outcomes
    assert not outcome.accepted
    assert outcome.reason == "nothing is latched"


def test_a_reset_ends_no_cut_off_that_came_after_it_was_asked_for() -> None:
    """A word held back by the network: nobody has looked at that fault."""
    watch, held_back_s = settled(), 25
    hot(watch)
    raised_s = watch.raised_s["pit_over_hard_limit"]
    watch.run(held_back_s, lambda s: view(0.0, 170.0 - 14.0))
    before = Reset(age_s=watch.now_s - raised_s + 1.0)
    (outcome,) = watch.step(view(0.0, 170.0 - 14.0), before).outcomes
    assert not outcome.accepted
    assert "pit_over_hard_limit" in outcome.reason
    assert watch.verdict.cut_off
    after = Reset(age_s=watch.now_s - raised_s - 1.0)
    assert watch.step(view(0.0, 170.0 - 14.0), after).outcomes[0].accepted
    assert not watch.verdict.cut_off


def test_acknowledging_never_ends_an_action() -> None:
    watch = settled()
    hot(watch)
    verdict = watch.step(view(0.0, 180.0), Acknowledge(code=""))
    assert verdict.outcomes[0].accepted
    assert verdict.cut_off
    alarm = watch.alarm("pit_over_hard_limit")
    assert alarm is not None
    assert alarm.state is AlarmState.ACKNOWLEDGED


@pytest.mark.parametrize("held_back_s", [0, 1, 20])
def test_acknowledging_all_leaves_what_was_raised_after_it_was_asked_for(held_back_s: int) -> None:
    """A word held back by the network, or heard in the step of the alarm: nobody has seen that one."""
    watch, looping = settled(), trouble(restarts_in_10_min=9)
    hot(watch)
    for _ in range(held_back_s):
        watch.step(looping)
    verdict = watch.step(looping, Acknowledge(code="", age_s=float(held_back_s)))
    assert verdict.outcomes[0].accepted
    states = {alarm.code: alarm.state for alarm in verdict.alarms}
    assert states["pit_over_hard_limit"] in (AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)
    assert states["restart_loop"] is AlarmState.UNACKNOWLEDGED
    watch.step(looping, Acknowledge(code=""))
    after = watch.alarm("restart_loop")
    assert after is not None
    assert after.state is AlarmState.ACKNOWLEDGED


def test_a_lost_probe_does_not_clear_an_over_temperature() -> None:
    watch = settled()
    watch.run(25.0, lambda s: rise_to(130.0, s))
    watch.run(600.0, lambda s: view(s, pit=LOST))
    alarm = watch.alarm("pit_over_ceiling")
    assert alarm is not None
    assert alarm.active


def test_a_flickering_probe_does_not_hold_an_over_temperature_back() -> None:
    """The delay goes on while the probe is away for moments."""
    watch = settled()
    watch.run(50.0, lambda s: rise_to(180.0, s) if int(s) % 3 else view(s, pit=LOST))
    assert "pit_over_hard_limit" in watch.raised_s


def test_alarm_with_a_short_dip_does_not_chatter() -> None:
    watch = settled()
    watch.run(60.0, lambda s: rise_to(123.0, s))
    states = set()
    for second in range(300):
        watch.step(view(second, 123.0 if second % 20 else 116.0))
        alarm = watch.alarm("pit_over_ceiling")
        states.add(None if alarm is None else alarm.state)
    assert states == {AlarmState.UNACKNOWLEDGED}


def test_shelved_alarm_acts_on_and_comes_back_when_its_time_is_over() -> None:
    watch = settled()
    watch.run(25.0, lambda s: rise_to(130.0, s))
    assert watch.step(view(0.0, 130.0), Shelve(code="pit_over_ceiling", for_s=60.0)).outcomes[0].accepted
    alarm = watch.alarm("pit_over_ceiling")
    assert alarm is not None
    assert alarm.state is AlarmState.SHELVED
    assert watch.verdict.action is Action.THROTTLE
    watch.run(62.0, lambda s: view(s, 130.0))
    alarm = watch.alarm("pit_over_ceiling")
    assert alarm is not None
    assert alarm.state is AlarmState.UNACKNOWLEDGED


def test_shelf_can_be_emptied_early_and_a_quiet_alarm_may_be_shelved_ahead() -> None:
    watch = settled()
    assert watch.step(view(0.0), Shelve(code="food_probe_lost", for_s=600.0)).outcomes[0].accepted
    watch.run(60.0, lambda s: view(s, foods=(("char", LOST),)))
    alarm = watch.alarm("food_probe_lost")
    assert alarm is not None
    assert alarm.state is AlarmState.SHELVED
    watch.step(view(0.0, foods=(("char", LOST),)), Shelve(code="food_probe_lost", for_s=0.0))
    alarm = watch.alarm("food_probe_lost")
    assert alarm is not None
    assert alarm.state is AlarmState.UNACKNOWLEDGED


def test_a_quiet_alarm_taken_from_the_shelf_is_quiet() -> None:
    watch = settled()
    watch.step(view(0.0), Shelve(code="food_probe_lost", for_s=600.0))
    assert watch.step(view(0.0), Shelve(code="food_probe_lost", for_s=0.0)).outcomes[0].accepted
    assert watch.alarm("food_probe_lost") is None
    watch.step(view(0.0), Shelve(code="food_probe_lost", for_s=60.0))
    watch.run(70.0, lambda s: view(s))
    assert watch.alarm("food_probe_lost") is None


@pytest.mark.parametrize(("lost", "state"), [(True, AlarmState.UNACKNOWLEDGED), (False, None)])
def test_an_alarm_put_back_in_service_calls_again(lost: bool, state: AlarmState | None) -> None:
    """A restart with another configuration: the list of what is out of service has changed."""
    watch = settled(Limits(out_of_service=("food_probe_lost",)))
    watch.run(60.0, lambda s: view(s, foods=(("char", LOST),)))
    food = (("char", LOST if lost else Reading(40.0)),)
    watch.run(60.0, lambda s: view(s, foods=food))
    watch.limits = Limits()
    watch.step(view(0.0, foods=food))
    alarm = watch.alarm("food_probe_lost")
    assert (alarm.state if alarm else None) is state


@pytest.mark.parametrize(
    ("event", "word"),
    [
        (Shelve(code="pit_over_hard_limit"), "cannot be shelved"),
        (Shelve(code="loop_late", for_s=1e6), "for_s"),
        (Shelve(code="loop_late", for_s=-1.0), "for_s"),
        (Shelve(code="loop_late", for_s=float("nan")), "for_s"),
        (Shelve(code=""), "all of them"),
        (Shelve(code="loop_late", for_s=0.0), "not on the shelf"),
        (Shelve(code="no_such"), "no alarm is called"),
        (Acknowledge(code="no_such"), "no alarm is called"),
        (Acknowledge(code="loop_late"), "not raised"),
    ],
    ids=lambda value: str(value)[:60],
)
def test_refusal_says_why(event: object, word: str) -> None:
    (outcome,) = settled().step(view(0.0), event).outcomes
    assert not outcome.accepted
    assert word in outcome.reason


def test_out_of_service_alarm_is_listed_but_does_not_call() -> None:
    watch = settled(Limits(out_of_service=("food_probe_lost",)))
    watch.run(60.0, lambda s: view(s, foods=(("char", LOST),)))
    alarm = watch.alarm("food_probe_lost")
    assert alarm is not None
    assert alarm.state is AlarmState.OUT_OF_SERVICE


def test_what_acts_on_the_vents_cannot_be_taken_out_of_service() -> None:
    watch = settled(Limits(out_of_service=("pit_over_hard_limit", "pit_over_ceiling")))
    hot(watch)
    assert watch.verdict.cut_off
    alarm = watch.alarm("pit_over_ceiling")
    assert alarm is not None
    assert alarm.state is AlarmState.UNACKNOWLEDGED


def test_cooling_alarms_are_suppressed_by_design_while_snuffing() -> None:
    watch = settled()
    watch.run(3600.0, lambda s: view(s, max(93.0 - s / 60.0, 20.0), phase=Phase.SNUFFING, lower=0.0))
    assert watch.verdict.alarms == ()


def test_alarm_that_stands_when_snuffing_begins_is_suppressed_and_ends_quietly() -> None:
    watch = settled()
    watch.run(720.0, lambda s: view(s, 85.0 - s / 120.0, lower=0.3))
    assert watch.alarm("falling_with_vents_open") is not None
    watch.step(view(0.0, 79.0, phase=Phase.SNUFFING, lower=0.0))
    alarm = watch.alarm("falling_with_vents_open")
    assert alarm is not None
    assert alarm.state is AlarmState.SUPPRESSED
    assert watch.verdict.action is None


def test_first_out_is_the_first_that_acts() -> None:
    watch = settled()
    watch.run(3.0, lambda s: trouble(clock_jump_s=100.0))  # a note does not act
    watch.run(10.0, lambda s: trouble(servo_supply_low=True))
    watch.run(40.0, lambda s: rise_to(180.0, s, machine=replace(HEALTHY, servo_supply_low=True)))
    first = [alarm.code for alarm in watch.verdict.alarms if alarm.first_out]
    assert first == ["servo_supply_low"]


def test_of_faults_in_one_step_the_cause_is_first_out() -> None:
    watch = settled()
    watch.run(8.0, lambda s: trouble(servo_supply_low=True, vent_driver_failed=True))
    assert [alarm.code for alarm in watch.verdict.alarms if alarm.first_out] == ["vent_driver_failed"]


def test_an_alarm_that_is_over_is_no_first_out_any_more() -> None:
    """Docs/safety.md: first while no other acts; one that nobody acknowledged yet acts on nothing."""
    watch = settled()
    watch.run(10.0, lambda s: trouble(servo_supply_low=True))
    watch.run(120.0, lambda s: view(s))
    low = watch.alarm("servo_supply_low")
    assert low is not None
    assert not low.active
    watch.run(10.0, lambda s: trouble(vent_driver_failed=True))
    assert [alarm.code for alarm in watch.verdict.alarms if alarm.first_out] == ["vent_driver_failed"]


def test_a_flood_holds_back_what_is_low_and_lets_it_go_afterwards() -> None:
    """ISA-18.2 ch. 16 (from memory): a flood starts over 10 new alarms in 10 min and ends under 5."""
    watch = settled()
    many = replace(
        HEALTHY,
        servo_supply_low=True, under_voltage=True, board_hot=True, disk_failed=True, journal_corrupt=True,
        broker_lost_s=1000.0, late_s=6.0, vent_driver_failed=True, clock_jump_s=50.0,
    )  # fmt: skip
    watch.run(60.0, lambda s: rise_to(180.0, s, machine=many))
    assert watch.state.flood
    watch.run(40.0, lambda s: view(s, 180.0, machine=many, foods=(("char", LOST),)))
    low = watch.alarm("food_probe_lost")
    assert low is not None
    assert low.state is AlarmState.SUPPRESSED
    high = watch.alarm("pit_over_hard_limit")
    assert high is not None
    assert high.state is AlarmState.UNACKNOWLEDGED
    watch.run(700.0, lambda s: view(s, 180.0, machine=many, foods=(("char", LOST),)))
    assert not watch.state.flood
    low = watch.alarm("food_probe_lost")
    assert low is not None
    assert low.state is AlarmState.UNACKNOWLEDGED


def test_a_few_alarms_are_no_flood() -> None:
    watch = settled()
    watch.run(60.0, lambda s: trouble(servo_supply_low=True, under_voltage=True, disk_failed=True))
    assert not watch.state.flood


def test_latched_fault_survives_being_stored_and_a_clock_that_starts_again() -> None:
    watch = settled()
    hot(watch)
    plain = json.loads(json.dumps(to_plain(watch.state)))
    later = Watch(state=from_plain(SafetyState, plain), now_s=0.0)
    verdict = later.step(view(0.0, 93.0, machine=replace(HEALTHY, blind_start=True, blind_s=100.0)))
    assert verdict.cut_off
    assert later.alarm("was_blind") is not None
    for _ in range(1000):
        later.step(view(0.0, 60.0, phase=Phase.CUT_OFF))
    assert later.verdict.cut_off


def test_delays_go_on_after_a_clock_that_starts_again() -> None:
    watch = settled()
    watch.run(25.0, lambda s: rise_to(180.0, s))
    watch.now_s = 0.0
    watch.run(8.0, lambda s: view(s, 180.0))
    assert watch.verdict.cut_off


def test_a_fault_that_waits_out_its_delay_is_forgotten_where_it_means_nothing() -> None:
    """A minute without the pit over a fire shuts the vents for good; over one just snuffed it is nothing."""
    watch = settled()
    lost = ProbeFault(ProbeFaultKind.OPEN)
    watch.run(50.0, lambda s: view(s, pit=lost))
    watch.run(60.0, lambda s: view(s, pit=lost, phase=Phase.SNUFFING, lower=0.0))
    assert watch.alarm("pit_probe_lost") is None
    assert not watch.verdict.cut_off


def test_trends_start_afresh_after_being_blind() -> None:
    """What the pit did while nobody looked is no trend."""
    watch = settled()
    watch.step(view(0.0, 93.0, lower=0.3))
    watch.now_s += 900.0
    watch.step(view(0.0, 70.0, lower=0.3, machine=replace(HEALTHY, blind_start=True, blind_s=900.0)))
    watch.run(240.0, lambda s: view(s, 70.0, lower=0.3))
    assert "falling_with_vents_open" not in watch.raised_s


def test_time_in_the_danger_zone_counts_while_blind() -> None:
    watch = settled()
    food = (("char", Reading(30.0)),)
    watch.run(3600.0, lambda s: view(s, foods=food), (SetPoint(),))
    watch.now_s += 3.2 * 3600.0
    watch.run(
        5.0, lambda s: view(s, foods=food, machine=replace(HEALTHY, blind_start=s < 1, blind_s=3.2 * 3600))
    )
    assert "food_exposed" in watch.raised_s


def test_any_word_of_a_person_counts_as_somebody_being_there() -> None:
    watch = settled()
    for _ in range(4):
        watch.run(3.5 * 3600.0, lambda s: view(s), (SetPoint(event_id="phone", temp_c=93.0),))
    assert "unattended" not in watch.raised_s


def test_the_same_set_point_again_and_again_hides_no_trend() -> None:
    watch = settled()
    watch.run(600.0, lambda s: view(s, 100.0, lower=0.012), (SetPoint(event_id="phone", temp_c=93.0),))
    for minute in range(20):
        watch.run(
            60.0,
            lambda s, begun_s=60.0 * minute: view(s, 100.0 + 0.7 * (begun_s + s) / 60.0, lower=0.012),
            (SetPoint(event_id=f"hub {minute}", temp_c=93.0), Tend(event_id=f"too {minute}")),
        )
    assert "rising_with_vents_shut" in watch.raised_s


def test_a_new_set_point_starts_trends_afresh() -> None:
    watch = settled()
    assert watch.state.evidence.minutes
    watch.run(1.0, lambda s: view(s, set_point_c=85.0), (SetPoint(temp_c=85.0),))
    assert watch.state.evidence.minutes == ()


def test_a_switch_is_nobody() -> None:
    watch = settled()
    for _ in range(5):
        watch.run(3000.0, lambda s: view(s), (LidNotice(lid_open=False),))
    assert "unattended" in watch.raised_s


def test_lid_lift_of_two_minutes_with_overshoot_cuts_nothing_off() -> None:
    """Common practice: a lid lift drops the pit by 15 to 60 K in two minutes, and it overshoots after."""
    watch = settled()

    def lift(s: float) -> View:
        if s < 120.0:
            return view(s, 93.0 - 60.0 * s / 120.0, lid_off=True, lower=0.02)
        if s < 600.0:
            return view(s, 33.0 + 107.0 * (s - 120.0) / 480.0, lower=0.012)
        return view(s, 140.0 - min(47.0, (s - 600.0) / 20.0), lower=0.012)

    watch.run(2400.0, lift)
    assert not watch.verdict.cut_off
    assert set(watch.raised_s) <= {"pit_over_ceiling", "rising_with_vents_shut"}


def test_a_further_lost_probe_behind_an_acknowledged_one_asks_again_and_both_are_named() -> None:
    def foods(*lost: str) -> Callable[[float], View]:
        return lambda s: view(s, foods=tuple((n, LOST if n in lost else Reading(40.0)) for n in ("a", "b")))

    watch = settled()
    watch.run(40.0, foods("a"))
    assert "(a)" in watch.alarm("food_probe_lost").message
    watch.step(foods("a")(0.0), Acknowledge(code="food_probe_lost"))
    first_s = watch.alarm("food_probe_lost").raised_s
    watch.run(100.0, foods("a"))
    assert watch.alarm("food_probe_lost").state is AlarmState.ACKNOWLEDGED
    watch.run(1.0, foods("a", "b"))
    alarm = watch.alarm("food_probe_lost")
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert alarm.raised_s > first_s
    assert "(a; b)" in alarm.message
    watch.step(foods("a", "b")(0.0), Acknowledge(code="food_probe_lost"))
    watch.run(1.0, foods("b"))  # one fewer is no news
    alarm = watch.alarm("food_probe_lost")
    assert alarm.state is AlarmState.ACKNOWLEDGED
    assert "(b)" in alarm.message


def test_a_second_limit_of_the_food_asks_again() -> None:
    watch = settled()
    watch.run(2.0, lambda s: view(s, food_over=("raw and warm",)))
    watch.step(view(0.0, food_over=("raw and warm",)), Acknowledge(code="food_limit_over"))
    watch.run(2.0, lambda s: view(s, food_over=("raw and warm", "histamine")))
    alarm = watch.alarm("food_limit_over")
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert "histamine" in alarm.message
