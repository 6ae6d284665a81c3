"""The core as a whole: pure, bumpless, safe."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from core.harness import Bench
from foreign_grill import OTHER_MAKING, ForeignGrill

from coalminder.core import Config, advice, air, initial, step, under
from coalminder.core.air import opening
from coalminder.core.config import AdviceConfig, SplitConfig
from coalminder.core.drive import drive
from coalminder.core.phases import FIRE_TENDED
from coalminder.events import (
    CharcoalAdded,
    Ease,
    Event,
    FoodStep,
    LidNotice,
    Light,
    Reset,
    SetPoint,
    Snuff,
    Tend,
    WoodAdded,
)
from coalminder.food import ensemble as slabs
from coalminder.food.foodplan import FoodPlan, PlanStep
from coalminder.grill import demo
from coalminder.grill.scenario import apply, lid_open
from coalminder.safety.limits import Limits
from coalminder.values import Decision, Inputs, Machine, Phase, ProbeFault, ProbeFaultKind, Reading
from coalminder.vents.curve import DEFAULT_CURVE

LOST = ProbeFault(ProbeFaultKind.OPEN, "pit: open circuit")


def cook(seconds: int) -> list[object]:
    scene = demo()
    kettle = scene.kettle(3)
    state = initial(Config())
    decisions: list[object] = []
    for second in range(seconds):
        events = (Light(),) if second == 0 else ()
        inputs = Inputs(pit=Reading(kettle.pit_c()), events=events)
        state, decision = step(state, inputs, float(second))
        apply(kettle, scene.disturbances, second, second + 1)
        kettle.advance(
            1.0, DEFAULT_CURVE.position(decision.lower), DEFAULT_CURVE.position(decision.upper),
            lid_open(scene.disturbances, second),
        )  # fmt: skip
        decisions.append((state, decision))
    return decisions


def test_same_inputs_give_same_decisions_bit_for_bit() -> None:
    assert cook(1500) == cook(1500)


def test_step_leaves_its_arguments_alone() -> None:
    state = initial(Config())
    inputs = Inputs(pit=Reading(20.0), events=(Light(),))
    before = (repr(state), repr(inputs))
    step(state, inputs, 0.0)
    assert (repr(state), repr(inputs)) == before


def test_cold_grill_keeps_its_vents_shut() -> None:
    decision = Bench().run(15.0, 30)
    assert decision.phase is Phase.COLD
    assert (decision.lower, decision.upper) == (0.0, 0.0)


def test_lighting_opens_wide_and_ends_before_the_set_point() -> None:
    bench = Bench()
    assert bench.step(20.0, Light()).lower == 1.0
    bench.run(lambda t: 20.0 + 0.2 * t, 400)
    first = next(d for d in bench.decisions if d.phase is Phase.SETTLING)
    assert first.pit_c is not None
    assert first.pit_c < 93.0 - 8.0


def test_hand_over_from_lighting_to_the_loop_starts_at_what_holds() -> None:
    bench = Bench()
    bench.step(20.0, Light())
    bench.run(lambda t: 20.0 + 0.05 * t, 1300)
    first = next(d for d in bench.decisions if d.phase is Phase.SETTLING)
    config = bench.config
    assert abs(first.terms.p) < 0.03  # the reference starts where the pit is: no kick
    assert opening(first.terms.i, config.split.leak_opening) == pytest.approx(
        config.loop.hold_opening, rel=0.02
    )


def test_a_new_set_point_makes_no_step_in_the_vents() -> None:
    bench = Bench()
    before = bench.tending()
    after = bench.step(93.0, SetPoint(temp_c=100.0))
    assert after.set_point_c == 100.0
    assert after.lower == pytest.approx(before.lower, rel=0.05)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_is_a_lost_probe_and_never_reaches_the_loop(bad: float) -> None:
    bench = Bench()
    bench.tending()
    before = bench.state.loop
    decision = bench.step(bad, pit_2=Reading(bad))
    assert not decision.probe_ok
    assert bench.state.loop == before
    after = bench.run(93.0, 60)
    assert after.pit_c == pytest.approx(93.0, abs=0.5)


def test_the_integral_does_not_wind_up_while_the_vents_are_at_a_stop() -> None:
    bench = Bench()
    bench.tending()
    bench.run(lambda t: max(93.0 - 0.05 * t, 70.0), 3600)  # too cold for an hour: the vents end wide open
    assert bench.decisions[-1].lower == pytest.approx(1.0)
    assert bench.state.loop.integral_v <= 0.0
    bench.run(lambda t: min(70.0 + 0.2 * t, 97.0), 200)  # back: down within a minute, no long unwinding
    assert bench.decisions[-1].lower < 0.3


def test_the_integral_stands_still_while_the_lid_is_off() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, LidNotice(lid_open=True))
    before = bench.state.loop.integral_v
    bench.run(lambda t: max(93.0 - 0.5 * t, 50.0), 100)
    assert bench.decisions[-1].phase is Phase.LID_OFF
    assert bench.state.loop.integral_v == before


def test_the_draught_rests_at_its_floor_while_the_lid_is_off_and_then_holds() -> None:
    """Coals in the open need no more air (common practice); a lid off for long must not put the fire out."""
    bench = Bench()
    bench.tending()
    air, loop = (
        replace(bench.state.air, hold_v=-2.3, applied_v=-2.3),
        replace(bench.state.loop, integral_v=-2.3),
    )
    bench.state = replace(bench.state, air=air, loop=loop)
    bench.step(93.0, LidNotice(lid_open=True))
    bench.run(lambda t: max(93.0 - 0.5 * t, 60.0), 70)
    assert bench.state.air.applied_v == pytest.approx(-2.3 + math.log(bench.config.air.floor_frac), abs=0.01)
    bench.run(lambda t: 60.0 + 2.0 * math.sin(t / 15.0), round(bench.config.lid.floor_until_s) + 60)
    assert bench.decisions[-1].phase is Phase.LID_OFF
    assert bench.state.air.applied_v == pytest.approx(-2.3, abs=0.01)


def test_a_quick_return_under_the_lid_is_braked() -> None:
    """Wood laid on under the open lid flares as the lid comes back: the quicker the rise, the less air."""
    ends = []
    for rise_c_per_s in (0.1, 0.6):
        bench = Bench()
        bench.tending()
        bench.step(93.0, LidNotice(lid_open=True))
        bench.run(lambda t: max(93.0 - 0.8 * t, 60.0), 60)
        bench.step(60.0, LidNotice(lid_open=False))
        while bench.state.pit.smooth_c < 85.0:
            bench.step(bench.state.pit.raw_c + rise_c_per_s)
        assert bench.state.lid.back_s is not None
        ends.append(bench.decisions[-1].terms)
    slow, quick = ends
    assert quick.d < 3.0 * slow.d < 0.0


def test_an_overshoot_never_starves_the_fire_below_its_floor_at_once() -> None:
    bench = Bench()
    bench.tending()
    bench.state = replace(bench.state, air=replace(bench.state.air, hold_v=-2.3, applied_v=-2.3))
    decision = bench.run(lambda t: 93.0 + min(0.05 * t, 6.0), 120)
    least_v = bench.state.air.hold_v + math.log(bench.config.air.floor_frac)
    assert decision.lower == pytest.approx(opening(least_v, bench.config.split.leak_opening), rel=0.05)
    assert decision.lower > 0.0


def test_vents_shut_when_the_pit_nears_its_ceiling() -> None:
    bench = Bench()
    bench.tending()
    decision = bench.run(lambda t: min(93.0 + 0.2 * t, 119.0), 200)
    assert decision.lower == 0.0


def test_vent_goes_to_its_floor_then_shut_when_the_pit_probe_is_lost() -> None:
    bench = Bench()
    before = bench.tending()
    for _ in range(8):
        decision = bench.step(LOST)
    assert not decision.probe_ok
    assert decision.lower <= before.lower
    for _ in range(60):
        decision = bench.step(LOST)
    assert decision.phase is Phase.CUT_OFF
    assert (decision.lower, decision.upper) == (0.0, 0.0)
    bench.run(93.0, 60)  # the probe is back: still shut, until a person resets
    assert bench.decisions[-1].phase is Phase.CUT_OFF
    assert bench.decisions[-1].lower == 0.0


def test_reset_ends_a_cut_off_only_once_its_cause_is_gone() -> None:
    bench = Bench()
    bench.tending()
    for _ in range(70):
        bench.step(LOST)
    refused = bench.step(LOST, Reset(event_id="r1"))
    assert [o.accepted for o in refused.outcomes if o.event_id == "r1"] == [False]
    bench.run(93.0, 30)
    accepted = bench.step(93.0, Reset(event_id="r2"))
    assert [o.accepted for o in accepted.outcomes if o.event_id == "r2"] == [True]
    assert bench.run(93.0, 3).phase is Phase.SNUFFING
    assert bench.decisions[-1].lower == 0.0  # opening again takes a second word
    assert bench.step(93.0, Light(event_id="l")).outcomes[0].accepted


def test_the_second_pit_probe_stands_in_for_a_lost_one() -> None:
    bench = Bench()
    bench.tending()
    for _ in range(120):
        decision = bench.step(LOST, pit_2=Reading(93.0))
    assert decision.phase in FIRE_TENDED
    assert decision.probe_ok


def test_snuff_is_obeyed_in_every_phase_and_shuts_both_vents() -> None:
    for prepare in (lambda b: b.step(20.0), lambda b: b.step(20.0, Light()), lambda b: b.tending()):
        bench = Bench()
        prepare(bench)
        decision = bench.step(90.0, Snuff(event_id="s"))
        assert decision.phase is Phase.SNUFFING
        assert (decision.lower, decision.upper) == (0.0, 0.0)
        assert decision.outcomes[0].accepted


def test_snuffing_becomes_out_when_the_pit_has_cooled() -> None:
    bench = Bench()
    bench.tending()
    bench.burnt_out()
    assert bench.decisions[-1].phase is Phase.OUT


def test_easing_lets_the_pit_fall_to_keep_warm_and_tend_brings_it_back() -> None:
    bench = Bench()
    bench.tending()
    eased = bench.step(93.0, Ease(event_id="e"))
    assert (eased.phase, eased.set_point_c) == (Phase.EASING, bench.config.keep_warm_c)
    back = bench.step(70.0, Tend(event_id="t"))
    assert (back.phase, back.set_point_c) == (Phase.SETTLING, 93.0)


@pytest.mark.parametrize(("wanted_c", "taken"), [(54.9, False), (55.0, True), (110.0, True), (110.1, False)])
def test_set_points_outside_the_configured_range_are_refused_with_it(wanted_c: float, taken: bool) -> None:
    bench = Bench()
    bench.tending()
    (outcome,) = bench.step(93.0, SetPoint(event_id="x", temp_c=wanted_c)).outcomes
    assert outcome.accepted is taken
    if not taken:
        assert "55 to 110 °C" in outcome.reason


def test_a_late_step_throttles_and_an_endless_one_cuts_off() -> None:
    bench = Bench()
    before = bench.tending()
    late = bench.step(93.0, machine=Machine(late_s=6.0))
    assert "loop_late" in [a.code for a in late.alarms]
    assert late.lower <= before.lower
    for _ in range(20):
        decision = bench.step(93.0, machine=Machine(late_s=6.0), dt_s=7.0)
    assert decision.phase is Phase.CUT_OFF


@pytest.mark.parametrize("trouble", ["late", "silent"])
def test_a_throttle_of_a_moment_leaves_the_loop_what_it_has_learned(trouble: str) -> None:
    bench = Bench()
    before = bench.tending()
    held_v = bench.state.loop.integral_v
    if trouble == "late":
        bench.step(93.0, machine=Machine(late_s=6.0))
    for _ in range(10 if trouble == "silent" else 0):
        bench.step(LOST)
    throttled = bench.run(93.0, 2)
    assert throttled.lower < 0.9 * before.lower
    after = bench.run(93.0, 90)
    assert bench.state.loop.integral_v == pytest.approx(held_v, abs=0.1)
    assert after.lower == pytest.approx(before.lower, rel=0.2)


def test_time_that_runs_backwards_is_refused() -> None:
    bench = Bench()
    bench.step(20.0)
    bench.now_s = -5.0
    with pytest.raises(ValueError, match="backwards"):
        bench.step(20.0)


def test_vents_go_down_when_the_pit_does_not_rise_while_lighting() -> None:
    bench = Bench()  # the probe hangs outside the grill
    bench.step(15.0, Light())
    assert bench.run(15.0, 600).lower == 1.0
    assert bench.run(15.0, 700).lower < 0.2


def test_a_throttling_fault_counts_while_lighting_too() -> None:
    bench = Bench()
    bench.step(20.0, Light())
    decision = bench.run(30.0, 60, pit_2=Reading(140.0))
    assert "pit_over_ceiling" in [alarm.code for alarm in decision.alarms]
    assert decision.lower < 0.1


def test_a_lid_off_just_after_the_throttling_leaves_the_delay_unmeasured() -> None:
    """Lid off at the first step of settling, back on 40 s later: a pit that rises again is no answer."""
    bench = Bench()
    bench.step(20.0, Light())
    pit_c = 20.0
    while bench.decisions[-1].phase is Phase.LIGHTING:
        pit_c += 0.25
        bench.step(pit_c)
    assert bench.state.response.started_s is not None
    bench.step(pit_c, LidNotice(lid_open=True))
    bench.run(pit_c - 5.0, 40)
    bench.step(pit_c - 5.0, LidNotice(lid_open=False))
    bench.run(pit_c, 300)
    assert bench.state.response.started_s is None
    assert bench.state.response.delay_s is None


def test_a_dial_that_shows_one_degree_more_does_not_light_dying_coals() -> None:
    bench = Bench()
    for pit_c in (82.0, 81.0, 82.0):
        for _ in range(120):
            assert bench.step(pit_c).phase is Phase.COLD


@pytest.mark.parametrize(("rate", "top_c"), [(0.005, 60.0), (-0.01, 85.0)], ids=["sun", "dying coals"])
def test_a_grill_that_nobody_lit_stays_shut(rate: float, top_c: float) -> None:
    bench = Bench()
    start_c = 20.0 if rate > 0 else top_c
    bench.run(lambda t: min(start_c + rate * t, top_c), 3 * 3600 if rate > 0 else 1800)
    assert {d.lower for d in bench.decisions} == {0.0}


def with_two_probes(seconds: int) -> Bench:
    """Tending for `seconds` with a second probe that shows 20 K less."""
    bench = Bench()
    bench.tending()
    for second in range(seconds):
        bench.step(93.0 + 0.01 * (second % 5), pit_2=Reading(73.0))
    return bench


def test_changing_to_the_second_probe_is_no_step_and_no_lid() -> None:
    bench = with_two_probes(900)
    before = bench.decisions[-1].lower
    for _ in range(300):
        decision = bench.step(LOST, pit_2=Reading(73.0))
        assert decision.phase in (Phase.TENDING, Phase.SETTLING)
    assert decision.lower == pytest.approx(before, rel=0.3)
    assert decision.pit_c == pytest.approx(93.0, abs=1.0)


def test_a_probe_that_comes_and_goes_does_not_drive_the_vents() -> None:
    bench = with_two_probes(600)
    before = bench.decisions[-1].lower
    for second in range(900):
        good = second % 10 < 5
        bench.step(93.0 + 0.01 * (second % 7) if good else LOST, pit_2=Reading(73.0 + 0.01 * (second % 7)))
    assert bench.decisions[-1].lower == pytest.approx(before, rel=0.3)


def test_a_word_that_the_lid_is_on_ends_a_lift_that_was_only_recognised() -> None:
    bench = Bench()
    bench.tending()
    bench.run(lambda t: max(93.0 - 0.8 * t, 55.0), 60)
    assert bench.decisions[-1].phase is Phase.LID_OFF
    bench.step(55.0, LidNotice(lid_open=False))
    assert bench.step(55.0).phase is not Phase.LID_OFF


def test_a_lid_that_was_told_off_stays_off_while_the_pit_creeps_up() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, LidNotice(lid_open=True))
    bench.run(lambda t: max(93.0 - 0.8 * t, 60.0), 60)
    assert bench.run(lambda t: 60.0 + min(0.05 * t, 10.0), 300).phase is Phase.LID_OFF


def test_a_leap_of_the_pit_says_that_a_lid_is_on_again_and_a_word_later_ends_the_doubt() -> None:
    """Fish in both hands: "lid off" was said, "back on" was not."""
    bench = Bench()
    bench.tending()
    bench.step(93.0, LidNotice(lid_open=True))
    bench.run(lambda t: max(93.0 - 0.8 * t, 60.0), 60)
    assert bench.run(lambda t: 60.0 + min(0.3 * t, 15.0), 60).phase is not Phase.LID_OFF
    assert bench.state.lid.back_unsaid
    bench.step(75.0, LidNotice(lid_open=False))
    assert not bench.state.lid.back_unsaid
    assert bench.state.lid.lifts == 1


def test_a_pit_that_comes_up_while_the_lid_is_about_to_come_off_is_no_leap() -> None:
    bench = Bench()
    bench.tending(70.0, Phase.SETTLING)
    bench.step(70.0, LidNotice(lid_open=True))
    assert bench.run(lambda t: 70.0 + 0.4 * t, 45).phase is Phase.LID_OFF
    bench.run(lambda t: max(88.0 - 0.8 * t, 55.0), 60)
    assert bench.run(lambda t: 55.0 + 0.1 * t, 150).phase is Phase.LID_OFF, "a fire in the open"


@pytest.mark.parametrize("name", ["as it is", "tight", "square vent", "heavy walls", "gusts", "noisy probe"])
def test_lids_that_were_only_said_to_be_off_cost_little_more_than_those_said_to_be_back(name: str) -> None:
    """Walls hold heat: under its lid the pit comes back within a minute or two (common practice)."""
    config, errors_c = Config(), []
    for said_back in (True, False):
        grill, state, error_c = ForeignGrill(**OTHER_MAKING[name], seed=1), initial(config), 0.0  # type: ignore[arg-type]
        for second in range(9000):
            open_s = (second - 4500) % 1500 if second >= 4500 else 1500
            events: tuple[Event, ...] = (Light(),) if second == 0 else ()
            if open_s == 0 or (open_s == 60 and said_back):
                events = (LidNotice(lid_open=open_s == 0),)
            state, decision = step(state, Inputs(pit=Reading(grill.pit_c()), events=events), float(second))
            grill.advance(1.0, decision.lower, decision.upper, open_s < 60)
            error_c += abs(grill.true_pit_c - config.set_point_c) if second >= 4500 else 0.0
        errors_c.append(error_c)
        assert state.lid.lifts == 3
    assert errors_c[1] < 1.25 * errors_c[0]


def test_a_word_before_the_lid_comes_off_is_not_overruled_by_its_switch() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, LidNotice(lid_open=True), lid_open=False)
    for _ in range(20):
        decision = bench.step(93.0, lid_open=False)
    assert decision.phase is Phase.LID_OFF
    bench.step(90.0, lid_open=True)
    assert bench.step(88.0, lid_open=True).phase is Phase.LID_OFF


def test_tend_comes_back_to_the_set_point_before_easing() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, SetPoint(temp_c=100.0))
    bench.step(93.0, Ease())
    assert bench.step(90.0, Tend()).set_point_c == 100.0


def test_a_set_point_asked_for_while_easing_ends_the_easing() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, Ease())
    decision = bench.step(90.0, SetPoint(temp_c=95.0))
    assert (decision.phase, decision.set_point_c) == (Phase.SETTLING, 95.0)


def test_a_set_point_asked_for_with_the_lid_off_while_easing_ends_the_easing_too() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, Ease())
    bench.step(90.0, LidNotice(lid_open=True))
    bench.step(80.0, SetPoint(temp_c=85.0))
    decision = bench.step(80.0, LidNotice(lid_open=False))
    assert (decision.phase, decision.set_point_c) == (Phase.SETTLING, 85.0)
    assert bench.step(80.0, Tend()).set_point_c == 85.0


def test_keeping_warm_ends_with_its_fire() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, SetPoint(temp_c=88.0))
    bench.step(90.0, Ease())
    assert bench.step(90.0, Snuff()).set_point_c == bench.config.keep_warm_c
    bench.run(lambda t: max(93.0 - 0.05 * t, 25.0), 2200)
    assert bench.step(25.0, Light()).set_point_c == 88.0


def test_the_next_fire_starts_afresh() -> None:
    bench = Bench()
    fresh_v = bench.state.air.hold_v
    bench.tending()
    bench.step(93.0, FoodStep(step="loaded"))
    done = replace(bench.state.food, done=True)
    bench.state = replace(bench.state, food=done, air=replace(bench.state.air, hold_v=-0.1))
    bench.burnt_out()
    assert bench.decisions[-1].phase is Phase.OUT
    bench.step(25.0, Light())
    assert bench.state.air.hold_v == pytest.approx(fresh_v, abs=0.01)
    assert bench.state.food.loaded_s is None  # what was done was eaten since
    assert bench.step(25.0, FoodStep(step="loaded", event_id="a")).outcomes[0].accepted


def test_wood_is_asked_for_once_and_only_for_food_on_the_grill() -> None:
    """'Wood, piece 2: one piece on glowing coals' stood beside 'Add wood now: ... on the edge of the coals',
    and that went on after the food was off.
    """
    piece = PlanStep("wood", "Wood, piece 1", "one piece", 0.0, "loaded", 0.0, "wood")
    for plan, asked in ((FoodPlan(), True), (FoodPlan(steps=(piece,)), False)):
        bench = Bench(Config(plan=plan))
        bench.tending()
        bench.step(93.0, FoodStep(step="loaded"))
        assert ("add_wood" in bench.run(93.0, 60).advice) is asked
        bench.step(93.0, FoodStep(step="off"))
        assert "add_wood" not in bench.run(93.0, 5).advice


def test_the_hour_on_the_table_is_a_reminder_and_the_cooling_rule_an_alarm() -> None:
    """docs/food.md. At 61 min 'the food is over a limit ...; when in doubt throw it out' was pushed 6 times,
    beside 'eat it, put it in the refrigerator'; 57 to 21 °C may take 2 h (Food Code 3-501.14).
    """
    bench = Bench()
    table = {"foods": (("core", Reading(45.0)),)}
    bench.step(93.0, FoodStep(step="loaded"))
    warm = slabs.start(replace(bench.config.plan.food(), start_c=45.0))
    bench.state = replace(bench.state, food=replace(bench.state.food, done=True, family=warm))
    bench.step(20.0, FoodStep(step="off"), **table)
    told = {}
    while bench.now_s < 2.2 * 3600.0:
        decision = bench.step(20.0 + 0.01 * (bench.now_s % 70.0), dt_s=10.0, **table)
        told[bench.now_s / 60.0] = {alarm.code for alarm in decision.alarms if alarm.active}
    first = [
        min(minute for minute, codes in told.items() if code in codes)
        for code in ("food_limit_near", "food_limit_over")
    ]
    assert first == pytest.approx([45.0, 120.0], abs=1.5)


def test_light_and_a_report_in_one_step_are_answered_as_they_are_carried_out() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, FoodStep(step="loaded"))
    bench.state = replace(bench.state, food=replace(bench.state.food, done=True))
    bench.burnt_out()
    decision = bench.step(25.0, Light(event_id="a"), FoodStep(step="loaded", event_id="b"))
    assert [outcome.accepted for outcome in decision.outcomes] == [True, True]
    assert bench.state.food.loaded_s == bench.now_s - 1.0


def test_an_ambient_probe_on_the_hot_grill_puts_nothing_out() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, Snuff())
    decision = bench.run(lambda t: max(93.0 - 0.05 * t, 70.0), 3600, ambient=Reading(60.0))
    assert decision.phase is Phase.SNUFFING


def test_food_that_is_not_done_stays_on_when_the_fire_is_lit_again() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, FoodStep(step="loaded"))
    loaded_s = bench.state.food.loaded_s
    bench.burnt_out()
    bench.step(25.0, Light())
    assert bench.state.food.loaded_s == loaded_s


def test_a_snuffed_grill_in_the_sun_of_a_hot_day_is_out_some_time() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, Snuff())
    decision = bench.run(lambda t: max(93.0 - 0.05 * t, 48.0), 3600, ambient=Reading(34.0))
    assert decision.phase is Phase.OUT


def test_tending_needs_a_reading() -> None:
    bench = Bench()
    bench.step(LOST, Light())
    decision = bench.step(LOST, Tend(event_id="t"))
    assert not decision.outcomes[0].accepted
    assert "probe" in decision.outcomes[0].reason


@pytest.mark.parametrize(
    ("changed", "said_c", "now_c"),
    [
        ({}, 100.0, 100.0),
        ({"set_point_c": 85.0}, 100.0, 85.0),
        ({"highest_set_point_c": 96.0}, 100.0, 96.0),
        ({"set_point_c": 85.0, "highest_set_point_c": 88.0}, None, 85.0),
    ],
    ids=["what a person said stays", "a new set point counts", "within the new range", "both"],
)
def test_a_cook_goes_on_under_a_changed_configuration(
    changed: dict[str, float], said_c: float | None, now_c: float
) -> None:
    bench = Bench()
    bench.tending()
    if said_c is not None:
        bench.step(93.0, SetPoint(temp_c=said_c))
    state = under(bench.state, replace(bench.config, **changed))
    assert state.set_point_c == now_c
    assert state.config.highest_set_point_c == changed.get("highest_set_point_c", 110.0)


def test_keeping_warm_goes_on_under_a_changed_configuration() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, Ease())
    bench.state = under(bench.state, replace(bench.config, keep_warm_c=70.0, set_point_c=88.0))
    assert bench.step(90.0).set_point_c == 70.0
    assert bench.step(90.0, Tend()).set_point_c == 88.0


def test_two_reports_in_one_step_are_answered_as_they_are_carried_out() -> None:
    bench = Bench()
    bench.tending()
    decision = bench.step(
        93.0, FoodStep(step="loaded", event_id="a"), FoodStep(step="off", event_id="b"),
        FoodStep(step="rotated", event_id="c"),
    )  # fmt: skip
    assert [outcome.accepted for outcome in decision.outcomes] == [True, True, False]
    assert bench.state.food.off_s is not None


@pytest.mark.parametrize("again", ["loaded", "chilled"])
def test_a_report_that_is_refused_resets_no_clock_of_the_food(again: str) -> None:
    """FDA Food Code 3-501.19 (from memory): four hours in all, whatever the phone says meanwhile."""
    bench = Bench()
    bench.tending()
    food = (("char", Reading(40.0)),)
    bench.step(93.0, FoodStep(step="loaded"), foods=food)
    bench.run(93.0, 600, foods=food)
    refused = bench.step(93.0, FoodStep(step=again, event_id="a"), foods=food).outcomes
    assert [outcome.accepted for outcome in refused] == [False]
    bench.run(93.0, 60, foods=food)
    assert dict(bench.state.safety.evidence.exposed_s)["char"] == pytest.approx(661.0, abs=3.0)


def test_food_that_is_put_back_keeps_the_time_it_has_spent() -> None:
    bench = Bench()
    bench.tending()
    food = (("char", Reading(40.0)),)
    bench.step(93.0, FoodStep(step="loaded"), foods=food)
    bench.run(93.0, 900, foods=food)
    bench.step(93.0, FoodStep(step="off"), foods=food)
    bench.run(93.0, 60, foods=food)
    bench.step(93.0, FoodStep(step="loaded"), foods=food)
    bench.run(93.0, 60, foods=food)
    assert dict(bench.state.safety.evidence.exposed_s)["char"] > 900.0


def test_an_upper_vent_left_by_hand_is_shown_where_it_is() -> None:
    bench = Bench(replace(Config(), split=SplitConfig(upper_fixed=0.4)))
    assert bench.step(20.0).upper == 0.4
    bench.tending()
    assert bench.step(93.0, Snuff()).upper == 0.4


def test_a_second_cook_starts_with_fresh_charcoal() -> None:
    bench = Bench()
    bench.tending()
    bench.run(93.0, 3600)
    used = bench.state.fire.fuel_kg
    bench.burnt_out()
    bench.step(25.0, Light())
    assert used < bench.config.fire.charcoal_kg
    assert bench.state.fire.fuel_kg == pytest.approx(bench.config.fire.charcoal_kg, abs=1e-3)


@pytest.mark.parametrize("laid_kg", [0.0, 0.8])
def test_charcoal_reported_over_no_fire_is_there_for_the_next_one_and_for_no_other(laid_kg: float) -> None:
    """More was laid than [grill] charcoal and reported while the grill was cold: lighting forgot it."""
    bench = Bench()
    usual_kg = bench.config.fire.charcoal_kg
    for more_kg in (laid_kg, laid_kg, 0.0):
        if more_kg:
            bench.step(25.0, CharcoalAdded(mass_kg=more_kg))
        bench.step(25.0, Light())
        assert bench.state.fire.fuel_kg == pytest.approx(usual_kg + more_kg, abs=1e-3)
        bench.run(lambda t: min(25.0 + 0.25 * t, 93.0), 900)
        bench.burnt_out()


def test_food_that_waits_for_another_fire_is_told_to_light_it() -> None:
    """A fire lit too early, or by a wrong tap, and snuffed: the plan's 'Light' never came again."""
    plan = FoodPlan(steps=(PlanStep("light", "Light", "at one end", 9000.0),))
    bench = Bench(Config(plan=plan))
    bench.tending()
    assert bench.state.food.view.next_step is None
    bench.burnt_out()
    assert bench.decisions[-1].phase is Phase.OUT
    assert bench.state.food.view.next_step == plan.steps[0]


def test_charcoal_reported_while_the_fire_goes_out_is_counted_once_when_it_is_kept() -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, Snuff())
    before_kg = bench.state.fire.fuel_kg
    bench.step(93.0, CharcoalAdded(mass_kg=0.5))
    bench.step(92.0, Light())
    assert bench.state.fire.fuel_kg == pytest.approx(before_kg + 0.5, abs=1e-3)
    bench.burnt_out()
    bench.step(25.0, Light())
    assert bench.state.fire.fuel_kg == pytest.approx(bench.config.fire.charcoal_kg, abs=1e-3)


def test_the_plans_times_go_with_a_wall_clock_that_is_put_right() -> None:
    plan = FoodPlan(steps=(PlanStep("light", "Light", "now", 7200.0),))
    bench = Bench(Config(plan=plan))
    bench.run(20.0, 5)
    assert bench.state.food.view.next_due_s == 7200.0
    # the board began an hour late: by the true time of day only an hour is left
    bench.step(20.0, machine=Machine(clock_jump_s=3600.0))
    bench.run(20.0, 20)
    assert bench.state.food.view.next_due_s == 3600.0


def test_a_lost_probe_never_shows_its_last_number() -> None:
    bench = Bench()
    bench.tending()
    for _ in range(5):
        shown = bench.step(LOST)
    assert shown.pit_c is not None
    lost = bench.step(LOST)
    assert (lost.pit_c, lost.in_band, lost.probe_ok) == (None, False, False)
    again = bench.step(92.0)
    assert again.pit_c is not None


def unsaid_lid(told: bool, seconds: int = 600) -> float:
    """The widest lower vent while an open, growing fire warms the pit by a few kelvin in ten minutes."""
    bench = Bench()
    bench.tending()
    bench.step(93.0, *((LidNotice(lid_open=True),) if told else ()))
    bench.run(lambda t: max(93.0 - 0.6 * t, 45.0), 100)
    if told:
        bench.step(45.0, LidNotice(lid_open=False))
    return max(bench.step(45.0 + 0.015 * t + 0.01 * (t % 7)).lower for t in range(seconds))


def test_a_lid_that_only_the_pit_saw_come_back_opens_no_vent_wide() -> None:
    """The coals may be growing in the open still, and a lid put on a bed fed so would flare."""
    assert unsaid_lid(told=False) < 0.6 * unsaid_lid(told=True)


def test_a_pit_that_has_made_good_most_of_its_fall_is_under_its_lid_again() -> None:
    """Unlit charcoal was laid on: the pit comes to 76 °C at once, stays there, and needs wide vents."""
    bench = Bench()
    bench.tending()
    bench.run(lambda t: max(93.0 - 0.6 * t, 45.0), 100)
    bench.run(lambda t: min(45.0 + t, 76.0), 60)
    stays = [bench.step(76.0 + 0.01 * (t % 7)).lower for t in range(500)]
    assert bench.state.lid.lifts == 1
    assert bench.state.lid.back_unsaid
    assert max(stays) > unsaid_lid(told=True) / 2.0


@pytest.mark.parametrize("wood_before_s", [None, 30, 600])
def test_the_end_of_a_wood_fire_is_no_lid_for_long(wood_before_s: int | None) -> None:
    """The coals starved under the flames: ten minutes at the floor would put them out. Wood laid on with the
    lid in the hand, or none, explains no fall."""
    bench = Bench()
    bench.tending()
    if wood_before_s is not None:
        bench.step(93.0, WoodAdded(mass_kg=0.1))
        bench.run(93.0, wood_before_s)
    bench.run(lambda t: max(93.0 - 0.4 * t, 60.0), 100)
    falls_on = [bench.step(60.0 - 0.02 * t - 0.01 * (t % 7)) for t in range(300)]
    assert bench.state.lid.lifts == 1
    fed = max(decision.lower for decision in falls_on[200:])
    held = air.share(bench.state.air.hold_v, bench.config.split)[0]
    assert (fed > 1.5 * held) is (wood_before_s == 600)
    assert fed < 3.0 * held  # it may be a lid all the same


@pytest.mark.parametrize(("laid", "rises"), [(False, False), (False, True), (True, False), (True, True)])
def test_cold_food_reported_laid_in_keeps_the_coals_short_of_air_for_three_minutes_only(
    laid: bool, rises: bool
) -> None:
    """It keeps the pit down under its lid for a quarter of an hour; a pit that rises is under its lid."""
    bench = Bench()
    bench.tending()
    held = air.share(bench.state.air.hold_v, bench.config.split)[0]
    bench.run(lambda t: max(93.0 - 0.6 * t, 60.0), 60)
    bench.step(60.0, *((FoodStep(step="loaded"),) if laid else ()))
    bench.run(lambda t: 60.0 - 0.15 * t, 60)
    slope = 0.06 if rises else -0.02
    course = [bench.step(51.0 + slope * t + 0.01 * (t % 7)) for t in range(400)]
    assert bench.state.lid.lifts == 1
    assert bench.state.lid.doubt is (laid and not rises)
    fed = max(decision.lower for decision in course)
    assert (fed > 3.0 * held) is (laid and rises)
    assert (fed > 1.5 * held) is (laid or rises)


@pytest.mark.parametrize("wood_before_s", [None, 600])
def test_a_lid_left_off_is_told_until_the_pit_is_back(wood_before_s: int | None) -> None:
    """Common practice: a lid comes off for 1 to 3 min; the loop gives it up sooner than the person may."""
    bench = Bench()
    bench.tending()
    if wood_before_s is not None:
        bench.step(93.0, WoodAdded(mass_kg=0.1))
        bench.run(93.0, wood_before_s)
    bench.run(lambda t: max(93.0 - 0.4 * t, 60.0), 100)
    told = [
        "lid_off_long" in {alarm.code for alarm in bench.step(60.0 - 0.01 * (t % 7)).alarms if alarm.active}
        for t in range(1500)
    ]
    assert not any(told[:300])
    assert all(told[500:])
    back = bench.run(lambda t: min(60.0 + 0.3 * t, 84.0), 200)
    assert "lid_off_long" not in {alarm.code for alarm in back.alarms if alarm.active}


def test_a_lid_that_only_the_pit_saw_come_back_is_not_doubted_for_ever() -> None:
    assert unsaid_lid(told=False, seconds=900) > 2.0 * unsaid_lid(told=False)


@pytest.mark.parametrize("odd_c", [math.nan, math.inf, -math.inf])
def test_air_outside_without_a_number_spoils_nothing(odd_c: float) -> None:
    """What is once in the account of the fire, or in what holds the pit, would stay there."""
    odd, lost = Bench(), Bench()
    for bench, sample in ((odd, Reading(odd_c)), (lost, LOST)):
        bench.tending()
        bench.step(93.0, ambient=sample)
        bench.run(93.0, 60)
    assert odd.state.fire == lost.state.fire
    assert odd.state.air == lost.state.air


def test_wood_is_asked_for_only_while_food_is_on_the_grill() -> None:
    bench = Bench()
    bench.tending()
    assert "add_wood" not in bench.decisions[-1].advice
    bench.step(93.0, FoodStep(step="loaded"))
    assert "add_wood" in bench.run(93.0, 60).advice
    bench.step(93.0, FoodStep(step="off"))
    assert "add_wood" not in bench.run(93.0, 60).advice
    bench.step(93.0, FoodStep(step="loaded"))  # another batch
    assert "add_wood" in bench.run(93.0, 60).advice


def test_a_fire_whose_food_is_off_is_to_be_snuffed_unless_that_food_may_go_back() -> None:
    """Charcoal burnt on under an empty grate, and no line told of it."""
    raw, no_probe = {"foods": (("food", Reading(7.0)),)}, {}
    for foods, over in ((raw, False), (no_probe, True)):
        bench = Bench()
        bench.tending()
        bench.step(93.0, FoodStep(step="loaded"))
        assert "fire_not_needed" not in bench.run(93.0, 120, **foods).advice
        bench.step(93.0, FoodStep(step="off"), **foods)
        assert ("fire_not_needed" in bench.run(93.0, 20, **foods).advice) is over
    bench.burnt_out()  # and the next fire is for other food
    bench.step(25.0, Light())
    decision = bench.run(lambda t: min(25.0 + 0.25 * t, 93.0), 900)
    assert decision.phase in (Phase.SETTLING, Phase.TENDING)
    assert "fire_not_needed" not in decision.advice


@pytest.mark.parametrize(("event", "fed"), [(None, False), (Ease(), True)], ids=["tending", "kept warm"])
def test_charcoal_is_asked_for_over_food_that_is_done_only_to_keep_it_warm(
    event: Event | None, fed: bool
) -> None:
    bench = Bench()
    bench.tending()
    bench.step(93.0, FoodStep(step="loaded"))
    bench.state = replace(bench.state, fire=replace(bench.state.fire, fuel_kg=0.05))
    assert "charcoal_low" in bench.run(93.0, 5).advice
    bench.state = replace(bench.state, food=replace(bench.state.food, done=True))
    if event is not None:
        bench.step(93.0, event)
    assert ("charcoal_low" in bench.run(93.0, 60).advice) is fed


def test_advice_to_relight_must_last_and_not_follow_a_lid_lift() -> None:
    config, codes = AdviceConfig(), ("relight", "charcoal_low")
    since: advice.Since = ()
    shown = {}
    for now_s in range(0, 1200, 10):
        since, asks = advice.lasting(config, since, codes, -9e3, 0.0, float(now_s))
        shown[now_s] = asks
        assert "charcoal_low" in asks
    first_s = min(now_s for now_s, asks in shown.items() if "relight" in asks)
    assert first_s == config.after_lid_s + config.lasting_s
    since, asks = advice.lasting(config, since, ("charcoal_low",), -9e3, 0.0, 1200.0)  # a break
    assert "relight" not in advice.lasting(config, since, codes, -9e3, 0.0, 1210.0)[1]


def test_a_bed_that_takes_five_minutes_to_answer_wide_vents_is_not_told_to_be_lit_again() -> None:
    """Cold fish, unlit charcoal, rain: it comes up by itself. A dying bed is told before its alarm."""
    config, shown = AdviceConfig(), {}
    since: advice.Since = ()
    for now_s in range(0, 1200, 10):
        since, asks = advice.lasting(config, since, ("relight",), -9e3, None, float(now_s))
        shown[now_s] = asks
    assert shown[300] == ()
    assert shown[Limits().fall_window_s // 10 * 10] == ("relight",)


def test_a_young_fire_is_not_told_to_be_lit_again() -> None:
    config = AdviceConfig()
    since: advice.Since = ()
    for now_s in range(0, 1200, 10):
        since, asks = advice.lasting(config, since, ("relight",), 0.0, None, float(now_s))
        assert asks == ()


def test_the_cut_offs_see_whether_the_vents_are_shut() -> None:
    bench = Bench()
    bench.tending()
    assert bench.decisions[-1].lower > 1.2 * opening(bench.state.air.floor_v, bench.config.split.leak_opening)
    assert bench.state.safety.evidence.shut_since_s is None
    bench.step(93.0, Snuff())
    bench.run(93.0, 10)
    assert bench.state.safety.evidence.shut_since_s is not None


def test_charcoal_burns_from_lighting_to_snuffing_and_nothing_is_told_of_a_cold_grill() -> None:
    bench = Bench()
    cold = bench.run(lambda t: 60.0 + 5.0 * math.sin(t / 200.0), 600)  # a dark lid in the sun
    assert (bench.state.fire.fuel_kg, cold.fire.fuel_left_min) == (bench.config.fire.charcoal_kg, None)
    bench.step(60.7, Light())
    lit = bench.run(lambda t: 60.7 + 0.015 * t, 600)
    assert lit.phase is Phase.LIGHTING
    assert bench.state.fire.fuel_kg < bench.config.fire.charcoal_kg
    assert lit.fire.heat_w
    assert lit.fire.fuel_left_min is None, "not at the rate of coals that come up"


def test_how_long_charcoal_lasts_is_not_told_by_coals_that_come_up_nor_by_a_bed_that_fails() -> None:
    """'More than a day' of 1.4 kg ten minutes after lighting; 17 h beside 'the fire is out' and 'relight'.
    Common practice: 0.15 to 0.25 kg an hour at 93 °C.
    """
    bench = Bench()
    kg = bench.config.fire.charcoal_kg
    bench.step(15.0, Light())
    while bench.now_s < 3600.0:
        told = bench.run(lambda t: min(15.0 + 0.15 * bench.now_s, 93.0), 30).fire
        assert told.fuel_left_low_min is None or told.fuel_left_low_min < 60.0 * kg / 0.15
    assert told.fuel_left_min is not None
    wide = replace(bench.state.air, applied_v=0.0)
    bench.state = replace(bench.state, air=wide)
    failing = bench.run(lambda t: 93.0 - 0.03 * t, 1500)
    assert "falling_with_vents_open" in {alarm.code for alarm in failing.alarms if alarm.active}
    assert failing.fire.fuel_left_min is None
    assert bench.run(lambda t: 48.0 - 0.01 * t, 2400).fire.fuel_left_min is None


def test_a_fire_is_never_called_out_without_a_reading() -> None:
    bench = Bench()
    bench.step(LOST, Snuff())
    for _ in range(1200):
        decision = bench.step(LOST)
    assert decision.phase in (Phase.SNUFFING, Phase.CUT_OFF)


def test_a_new_set_point_keeps_what_the_loop_has_learned() -> None:
    """What holds is learned slowly; the loop's own integral knows better, and a new set point is no start."""
    bench = Bench()
    before = bench.tending()
    bench.state = replace(bench.state, air=replace(bench.state.air, hold_v=bench.state.air.hold_v - 1.0))
    bench.step(93.0, SetPoint(temp_c=93.5))
    after = bench.run(93.0, 20)
    assert after.phase is Phase.SETTLING
    assert after.lower == pytest.approx(before.lower, rel=0.1)


def test_the_food_is_foretold_from_the_pit_as_it_is() -> None:
    finish = []
    for pit_c, phase in ((93.0, Phase.TENDING), (83.0, Phase.SETTLING)):
        bench = Bench()
        bench.tending(pit_c, phase)
        bench.step(pit_c, FoodStep(step="loaded"))
        bench.run(pit_c, 600)
        finish.append(bench.state.food.view.finish_min)
    hot, cool = finish
    assert hot is not None
    assert cool is not None
    assert cool > 1.05 * hot


@pytest.mark.parametrize("word", [SetPoint(temp_c=85.0), Ease()])
def test_heavy_walls_on_the_way_down_do_not_starve_the_coals(word: SetPoint | Ease) -> None:
    bench = Bench(replace(Config(), set_point_c=105.0, keep_warm_c=85.0))
    bench.tending(105.0)
    bench.run(105.0, 1800)
    held_v = bench.state.air.hold_v
    bench.step(105.0, word)
    bench.step(105.0, word)  # a hub may say it twice
    bench.run(lambda t: 105.0 - 0.012 * t, 1500)  # ceramic walls: 20 K in half an hour
    assert bench.state.air.lowered_s is not None
    assert bench.state.air.hold_v == pytest.approx(held_v, abs=0.01)
    least = opening(held_v + math.log(0.5), Config().split.leak_opening)
    assert bench.decisions[-1].lower >= 0.95 * least
    bench.run(lambda t: 87.0 - 0.012 * t, 150)
    assert bench.state.air.lowered_s is None


def test_a_pit_that_stays_over_its_lower_set_point_gets_less_air_all_the_same() -> None:
    bench = Bench(replace(Config(), set_point_c=105.0))
    bench.tending(105.0)
    bench.step(105.0, SetPoint(temp_c=98.0))
    before_v = bench.state.air.hold_v
    bench.run(105.0, 3600)
    assert bench.state.air.hold_v < before_v - 0.3


def cooled_unmeasured(plan_c: float, measured_c: float | None) -> Bench:
    """A cooked batch five hours off the grill, on a plan for a day of `plan_c`; nobody measures its core."""
    ambient = None if measured_c is None else Reading(measured_c)
    bench = Bench(replace(Config(), plan=FoodPlan(ambient_c=plan_c)))
    bench.tending()
    bench.step(93.0, FoodStep(step="loaded"), ambient=ambient)
    for second in range(2 * 180):
        bench.step(93.0 + 0.01 * (second % 7), dt_s=20.0, ambient=ambient)
    bench.step(93.0, FoodStep(step="off"), ambient=ambient)
    for second in range(5 * 180):
        bench.step(93.0 + 0.01 * (second % 7), dt_s=20.0, ambient=ambient)
    return bench


def test_food_that_nobody_measures_cools_in_the_air_of_its_plan() -> None:
    """Nothing cools below the air around it (second law): at 30 °C no 21 °C is ever met."""
    view = cooled_unmeasured(30.0, None).state.food.view
    assert view.core_high_c is not None
    assert view.core_high_c > 30.0
    assert "cool_21" in {clock.code for clock in view.clocks}


def test_an_ambient_probe_on_the_hot_grill_stops_no_cooling_clock() -> None:
    view = cooled_unmeasured(15.0, 70.0).state.food.view
    assert "cool_21" in {clock.code for clock in view.clocks}


def test_an_ambient_probe_on_the_hot_grill_takes_no_warm_time_from_food_that_waits() -> None:
    """FDA Hazards Guide, App. 4: 2 h for raw food once it was above 21 °C; hot holding begins at 57 °C."""
    load = PlanStep("load", "Load", "", 600.0, reported="loaded")
    bench = Bench(replace(Config(), plan=FoodPlan(steps=(load,))))
    bench.tending()
    bench.now_s = 600.0 + 2.5 * 3600.0
    bench.step(93.0, FoodStep(step="loaded"), ambient=Reading(70.0))
    raw = next(clock for clock in bench.state.food.view.clocks if clock.code == "raw_warm")
    assert raw.state == "over"


@pytest.mark.parametrize("planned", [False, True])
def test_nothing_asks_to_open_the_lid_while_an_alarm_says_to_leave_it_on(planned: bool) -> None:
    """The remedy of `pit_over_ceiling` in docs/safety.md: 'Leave the lid on'."""
    first = PlanStep("wood", "Wood", "one piece", 0.0, "loaded", 0.0, "wood")
    pieces = (first, replace(first, after_s=2700.0))
    bench = Bench(replace(Config(), plan=FoodPlan(steps=pieces if planned else ())))
    bench.tending()
    bench.step(93.0, FoodStep(step="loaded"))
    bench.step(93.0, WoodAdded())

    def asked(decision: Decision) -> bool:
        return "add_wood" in decision.advice or "step_wood" in {
            reminder.code for reminder in bench.state.food.view.reminders
        }

    assert not asked(bench.run(93.0, 60))
    bench.run(lambda t: min(93.0 + t, 125.0), 60)
    bench.now_s += 2700.0  # the piece has smoked out
    assert not asked(bench.run(125.0, 60)), [a.code for a in bench.decisions[-1].alarms]
    assert asked(bench.run(lambda t: max(125.0 - 0.2 * t, 93.0), 300))


def test_food_laid_on_a_cold_grill_asks_for_no_wood_on_coals() -> None:
    wood = PlanStep("wood", "Wood", "one piece", 0.0, "loaded", 0.0, "wood")
    bench = Bench(replace(Config(), plan=FoodPlan(steps=(wood,))))
    bench.run(12.0, 20)
    bench.step(12.0, FoodStep(step="loaded"))
    assert not bench.state.food.view.reminders


def test_a_fire_that_is_cut_off_as_it_is_lit_asks_for_no_wood() -> None:
    """A probe that has long stood still on the hot grill: told, and cut off, in the step that lights."""
    wood = PlanStep("wood", "Wood", "one piece", 0.0, "loaded", 0.0, "wood")
    bench = Bench(replace(Config(), plan=FoodPlan(steps=(wood,))))
    bench.run(50.0, 20)
    bench.step(50.0, FoodStep(step="loaded"))
    for _ in range(900):
        bench.step(ProbeFault(ProbeFaultKind.STUCK))
    decision = bench.step(ProbeFault(ProbeFaultKind.STUCK), Light())
    assert decision.phase is Phase.CUT_OFF
    assert not any(reminder.code == "step_wood" for reminder in bench.state.food.view.reminders)


def test_nobody_is_sent_to_load_or_to_lay_wood_on_a_fire_that_is_told_to_be_out() -> None:
    """The remedy of `fire_out` in docs/safety.md: 'light fresh charcoal'."""
    load = PlanStep("load", "Load", "raw food", 0.0, reported="loaded")
    bench = Bench(replace(Config(), plan=FoodPlan(steps=(load,))))
    bench.tending()
    bench.run(93.0, 1200)
    assert "step_load" in {reminder.code for reminder in bench.state.food.view.reminders}
    decision = bench.run(lambda t: max(93.0 - 0.03 * t, 35.0), 3000)
    assert "fire_out" in {alarm.code for alarm in decision.alarms if alarm.active}
    assert not bench.state.food.view.reminders


def test_food_laid_on_a_fire_that_is_told_to_be_out_asks_for_no_wood_either() -> None:
    """Not in the step of the report, too: push tells what stands for a moment."""
    wood = PlanStep("wood", "Wood", "one piece", 0.0, "loaded", 0.0, "wood")
    bench = Bench(replace(Config(), plan=FoodPlan(steps=(wood,))))
    bench.tending()
    bench.run(93.0, 1200)
    decision = bench.run(lambda t: max(93.0 - 0.03 * t, 35.0), 3000)
    assert "fire_out" in {alarm.code for alarm in decision.alarms if alarm.active}
    bench.step(35.0, FoodStep(step="loaded"))
    assert bench.state.food.loaded_s is not None
    assert not any(reminder.code == "step_wood" for reminder in bench.state.food.view.reminders)


@pytest.mark.parametrize("phase", [Phase.LIGHTING, Phase.TENDING, Phase.LID_OFF])
def test_vents_held_back_for_a_person_keep_the_air_floor(phase: Phase) -> None:
    """On a grill that needs much air its floor lies over what usually holds."""
    bench = Bench()
    bench.tending()
    hold_v = air.level(0.5, Config().split.leak_opening)
    state = replace(bench.state, phase=phase, air=replace(bench.state.air, hold_v=hold_v))
    for second in range(120):
        state, _ = drive(state, 1.0, bench.now_s + 300.0 + second, False, True, 15.0)
    assert state.air.applied_v >= hold_v + math.log(Config().air.floor_frac) - 0.01
    assert air.opening(state.air.applied_v, Config().split.leak_opening) > Config().loop.hold_opening
