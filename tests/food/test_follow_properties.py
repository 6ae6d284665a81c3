"""Whatever the probes show and people report: following never breaks, and never says done unmeasured."""

from __future__ import annotations

import math
from dataclasses import fields, replace

from hypothesis import given, settings
from hypothesis import strategies as st

from coalminder.events import FoodStep, WoodAdded
from coalminder.food.follow import FoodState, FoodView, follow, refuse_reason
from coalminder.food.foodplan import FoodPlan
from coalminder.food.species import SPECIES
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

Segment = tuple[float, float | None, float | None, str]

segments = st.lists(
    st.tuples(
        st.sampled_from([10.0, 60.0, 600.0, 1800.0, 7200.0]),  # how long
        st.one_of(st.none(), st.floats(-20.0, 140.0)),  # pit
        st.one_of(st.none(), st.floats(-20.0, 140.0)),  # core; None: a fault
        st.sampled_from(["", "loaded", "rotated", "off", "chilled", "wood", "fried"]),
    ),
    min_size=1,
    max_size=12,
)
plans = st.builds(
    FoodPlan,
    thickness_m=st.floats(0.003, 0.15),
    mass_kg=st.floats(0.02, 50.0),
    set_point_c=st.floats(60.0, 121.0),
    ambient_c=st.floats(-30.0, 45.0),
    rule=st.sampled_from(["home-71", "guidance-63", "poultry-74", "meat-71"]),
    scombroid=st.booleans(),
)


def _event(word: str) -> list[object]:
    if not word:
        return []
    return [WoodAdded()] if word == "wood" else [FoodStep(step=word)]


def _check(view: FoodView) -> None:
    for field in fields(view):
        value = getattr(view, field.name)
        if isinstance(value, float):
            assert math.isfinite(value), field.name
    if view.finish_min is not None:
        assert view.finish_low_min is not None
        assert 0.0 <= view.finish_low_min <= view.finish_min + 1e-9
        if view.finish_high_min is None:
            assert "more than 8 h" in view.finish_note
        else:
            assert view.finish_min <= view.finish_high_min + 1e-9
    if view.core_c is not None and view.core_low_c is not None and view.core_high_c is not None:
        assert view.core_low_c <= view.core_c <= view.core_high_c


@settings(max_examples=60, deadline=None)
@given(plan=plans, course=segments)
def test_following_never_breaks_and_never_says_done_without_the_readings(
    plan: FoodPlan, course: list[Segment]
) -> None:
    state, now_s, hot_s = FoodState(), 0.0, 0.0
    for lasts_s, pit_c, core_c, word in course:
        events = _event(word)
        sample: Sample = ProbeFault(ProbeFaultKind.OPEN) if core_c is None else Reading(core_c)
        step_s = 10.0 if lasts_s <= 1800 else 60.0
        for _ in range(int(lasts_s / step_s)):
            # readings that could count, whatever the model thinks; a new loading starts afresh
            if word == "loaded" and events and not refuse_reason(state, word):
                hot_s = 0.0
            if core_c is not None and core_c >= plan.done_rule.core_c - 1.0:
                hot_s += step_s
            state, view = follow(state, plan, pit_c, (("core", sample),), events, now_s)
            events = []
            _check(view)
            if view.done:
                assert hot_s >= 60.0 * plan.done_rule.hold_min - 2 * step_s
            now_s += step_s


@settings(max_examples=25, deadline=None)
@given(plan=plans, course=segments)
def test_without_a_probe_it_is_never_done(plan: FoodPlan, course: list[Segment]) -> None:
    state, now_s = FoodState(), 0.0
    for lasts_s, pit_c, _, word in course:
        events = _event(word)
        for _ in range(int(lasts_s / 60.0) + 1):
            state, view = follow(state, plan, pit_c, (), events, now_s)
            events = []
            assert not view.done
            now_s += 60.0


@settings(max_examples=40, deadline=None)
@given(plan=plans)
def test_any_plan_survives_json(plan: FoodPlan) -> None:
    fitting = next(kind.code for kind in SPECIES.values() if plan.rule in kind.rules and not kind.scombroid)
    plan = replace(plan, species=fitting)
    assert FoodPlan.from_json(plan.to_json()) == plan
    assert (
        FoodPlan.from_json(replace(plan, name='é "quoted" ; line\nbreak').to_json()).mass_kg == plan.mass_kg
    )
