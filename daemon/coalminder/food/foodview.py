"""What a person is told of the food: estimate, reason, clocks, and reminders and next step of modules beside.

Must not know: how the state comes about (follow.py).
"""

from __future__ import annotations

from coalminder.food import ensemble as slabs
from coalminder.food.agenda import open_steps
from coalminder.food.exposure import (
    COLD_C,
    COOLED_TO_C,
    Clock,
    batch_out_clock,
    come_up_clock,
    cooling_clocks,
    kept_clock,
    raw_clock,
    reach_clock,
    scombroid_clock,
    standing_clock,
)
from coalminder.food.foodplan import FoodPlan
from coalminder.food.foodstate import COOLING, CORE_FRESH_S, FoodState, FoodView
from coalminder.food.reminders import finish_note, reminders_of
from coalminder.frozen import replace

WARMED_C = 3.0
"""A core so far above what it had cooled to has warmed again: more than noise and a refrigerator's swing."""


def view_of(state: FoodState, plan: FoodPlan, now_s: float) -> FoodView:
    """What a person may know at `now_s` of a food in `state`, and what is next by `plan`."""
    of_food = state.plan_before or plan
    stage = (
        "chilled" if state.chilled_s is not None
        else "resting" if state.off_s is not None
        else "cooking" if state.loaded_s is not None
        else "waiting"
    )  # fmt: skip
    core = low = high = None
    measured = state.core_s is not None and now_s - state.core_s <= CORE_FRESH_S
    if state.family:
        mean, sd = slabs.core_spread(state.family)
        core = state.core_c if measured and state.core_c is not None else mean
        low, high = core - slabs.Z90 * max(sd, 0.3), core + slabs.Z90 * max(sd, 0.3)
    clocks = _clocks(state, of_food, stage, now_s, core if measured else high, measured)
    steps = open_steps(state, plan, now_s, clocks)
    step, due = steps[0] if steps else (None, None)
    finish = None if state.finish_beyond or stage != "cooking" else state.finish_s
    minutes = [None if t is None else max(0.0, (t - now_s) / 60.0) for t in (finish or (None, None, None))]
    return FoodView(
        stage=stage,
        at_s=now_s,
        core_c=core,
        core_low_c=low,
        core_high_c=high,
        core_measured=measured,
        finish_min=minutes[1],
        finish_low_min=minutes[0],
        finish_high_min=minutes[2],
        finish_note=finish_note(state, of_food, stage, measured),
        lethality_min=state.lethality_min,
        held_min=state.held_s / 60.0,
        done=state.done,
        reason=_reason(state, of_food, measured),
        clocks=clocks,
        reminders=reminders_of(state, of_food, stage, steps, clocks, measured, now_s),
        next_step=step,
        next_due_s=due,
        before_out=state.before_off_s is not None or state.left != "",
    )


def _reason(state: FoodState, plan: FoodPlan, measured: bool) -> str:
    rule = plan.done_rule
    if state.done:
        return f"done: {rule.text} was measured [{rule.source}]"
    if state.loaded_s is None:
        return "not on the grill yet"
    if state.doubt and not measured:
        return f"not done: {state.doubt}"
    if not measured:
        return f"not done: no core reading, and time alone never makes it so; the rule is {rule.text}"
    return f"not done: {rule.text}; held {state.held_s / 60:.0f} of {rule.hold_min:.0f} min"


def _clocks(
    state: FoodState, plan: FoodPlan, stage: str, now_s: float, core_c: float | None, measured: bool
) -> tuple[Clock, ...]:
    clocks: list[Clock] = []
    proven = {clock.code for clock in state.view.clocks if clock.state == "over"}
    if stage == "waiting":
        clocks.append(raw_clock(state.exposure))
    if stage == "cooking" and not state.hot_core and not state.done and state.loaded_s is not None:
        clocks.append(raw_clock(state.raw))
        clocks.append(come_up_clock(now_s - state.loaded_s))
    stalled = state.hot_core and state.held_s == 0.0 and not state.done
    if stage == "cooking" and stalled and state.loaded_s is not None and plan.rule == "home-71":
        clock = reach_clock(now_s - state.loaded_s, plan.done_rule.core_c)
        clocks.append(replace(clock, measured=state.core_s is not None))
    if stage == "cooking" and state.below_hot_s is not None:
        kept = replace(kept_clock(now_s - state.below_hot_s), measured=measured or "kept" in proven)
        if kept.left_s >= 0.0 or not state.done:  # after that nobody is told to eat it
            clocks.append(standing_clock(state.after))
        clocks += [kept] if state.done else []
    if stage in COOLING and core_c is not None:
        if state.below_hot_s is not None:
            ran = cooling_clocks(now_s - state.below_hot_s, core_c)
            clocks.extend(
                replace(c, measured=measured or c.code in proven)
                for c in ran
                if not _met(state.view, c.code, core_c)
            )
        if stage == "resting" and core_c > COLD_C:  # once it is chilled, that is all there is to do
            clocks.append(standing_clock(state.after))
    if state.before_off_s is not None:
        clocks.append(batch_out_clock(now_s - state.before_off_s, state.hot_day))
    if plan.scombroid:
        clocks.append(scombroid_clock(state.histamine, plan.frozen_before))
    lost = {clock.code for clock in state.ran_out}  # and one that runs anew does not hide it
    running = [clock for clock in clocks if clock.state == "over" or clock.code not in lost]
    codes = {clock.code for clock in running}
    return (*running, *(clock for clock in state.ran_out if clock.code not in codes))


def _met(before: FoodView, code: str, core_c: float) -> bool:
    """Whether the view before shows the cooling stage `code` as met, and the core did not warm again."""
    again_c = COOLED_TO_C[code] + WARMED_C
    cool = before.core_c is not None and before.core_c <= again_c and core_c <= again_c
    return cool and before.stage in COOLING and code not in {clock.code for clock in before.clocks}


def ran_out(before: FoodView, now: FoodView) -> tuple[Clock, ...]:
    """The clocks that ended in `now` and were over their limit: what came of it stays in the food.

    While it cools a model's warm side may be over where the food was not: there only readings end a clock so.
    """
    codes = {clock.code for clock in now.clocks}
    lasting = {"raw_warm", "come_up", "kept"} | ({"cool_21", "cool_5"} if now.core_measured else set())
    return tuple(c for c in before.clocks if c.state == "over" and c.code in lasting - codes)
