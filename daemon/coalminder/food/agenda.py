"""Which steps of the plan are open, and when each is due.

Owns: the order of steps. Must not know: how the state comes about (follow.py) or is worded (reminders.py).
"""

from __future__ import annotations

from collections.abc import Sequence

from coalminder.food.exposure import Clock
from coalminder.food.foodplan import FoodPlan, PlanStep
from coalminder.food.foodstate import CORE_FRESH_S, FoodState
from coalminder.frozen import replace

TO_EAT = frozenset({"serve", "eat_by"})
"""Steps for food that is done, and not for what was measured to be raw when it came off."""

NOT_TO_EAT = {
    **dict.fromkeys(("raw_warm", "come_up", "histamine", "kept", "cool_5"), TO_EAT),
    "cool_21": frozenset({"eat_by"}),
}
"""Steps for food that is to be thrown away, or eaten now, by the clock that is over."""

AT_THE_FIRE = frozenset({"light", "settle", "load", "wood", "rotate"})
"""Steps that open the lid over coals or want a fire: not while the vents are shut on one that goes out, nor
for food that is to come off."""

OPENS_LID = frozenset({"load", "wood", "rotate"})
"""Steps that wait while a fire is out of hand, or fails."""

OTHER_DAY_S = 18 * 3600.0
"""Food that was to be loaded so long ago was not left out for it: the plan is an old one [estimate]."""

OTHER_PLAN_S = 3600.0
"""The same steps at hours so far apart are those of another batch [estimate]."""


def under_plan(state: FoodState, was: FoodPlan, plan: FoodPlan, *, same_clock: bool) -> FoodState:
    """`state` going on under `plan`; it `was` followed by that one, whose times are on the same clock.

    What came off keeps its own plan, when the other one's food goes on later: that is the next batch's.
    same_clock: the wall clock was not set between the two, so that the hours of the plans can be compared.
    """
    if state.off_s is None or not _another(was, plan, same_clock):
        return state
    load_s = next((step.due_s for step in plan.steps if step.reported == "loaded"), None)
    later = load_s is not None and load_s > state.off_s
    return replace(state, plan_before=(state.plan_before or was) if later else None)


def _another(was: FoodPlan, plan: FoodPlan, same_clock: bool) -> bool:
    def timeless(of: FoodPlan) -> FoodPlan:
        return replace(of, steps=tuple(replace(step, due_s=0.0) for step in of.steps))

    if timeless(was) != timeless(plan):
        return True
    apart_s = (abs(a.due_s - b.due_s) for a, b in zip(was.steps, plan.steps, strict=True))
    return same_clock and max(apart_s, default=0.0) > OTHER_PLAN_S


def _followed(state: FoodState) -> FoodState:
    """The food that the plan is for: while the batch before cools, the one of which nothing is done yet."""
    if state.plan_before is None or state.off_s is None:
        return state
    return FoodState(fire=state.fire, heated=state.fire, settled=state.settled, lid_stays=state.lid_stays)


def known_raw(state: FoodState, plan: FoodPlan) -> bool:
    """Whether readings show that the food came off before the rule was met.

    The last one is from so short before that the rule cannot have been met since, or from after it.
    """
    if state.done or state.off_s is None or state.core_s is None:
        return False
    return state.off_s - state.core_s <= max(60.0 * plan.done_rule.hold_min, CORE_FRESH_S)


def _anchor_s(state: FoodState, step: PlanStep) -> float | None:
    return {"loaded": state.loaded_s, "off": state.off_s}.get(step.anchor)


def _due(state: FoodState, plan: FoodPlan, step: PlanStep) -> float:
    """When a step is due: counted from its anchor once that happened, or is foretold, else as planned."""
    if step.code == "off" and state.off_s is None and state.finish_s is not None:
        return state.finish_s[1]
    anchor_s = _anchor_s(state, step)
    if anchor_s is None and step.anchor == "off" and state.loaded_s is not None:
        anchor_s = next((_due(state, plan, off) for off in plan.steps if off.code == "off"), None)
    return step.due_s if anchor_s is None else anchor_s + step.after_s


def ready(state: FoodState, step: PlanStep) -> bool:
    """Whether it can be done yet, however late that is: not while what it counts from has not happened, and
    food waits for a fire that has settled.
    """
    state = _followed(state)
    if state.loaded_s is None and step.code in ("settle", "load"):
        return state.fire if step.code == "settle" else state.settled
    return not step.anchor or _anchor_s(state, step) is not None


def _passed(state: FoodState, plan: FoodPlan, now_s: float) -> bool:
    """Whether the plan's day went by, or its food was eaten before the daemon was started anew."""
    if state.loaded_s is not None or state.fire:
        return False
    return any(step.reported == "loaded" and now_s - step.due_s > OTHER_DAY_S for step in plan.steps)


def _settled(state: FoodState, plan: FoodPlan) -> set[int]:
    """Places of the steps that reports settled: each report all of its kind that were due, else the next."""
    settled: set[int] = set()
    for reported, at_s in state.reports:
        left = [i for i, step in enumerate(plan.steps) if step.reported == reported and i not in settled]
        settled.update([i for i in left if _due(state, plan, plan.steps[i]) <= at_s] or left[:1])
    return settled


def spoilt_steps(clocks: Sequence[Clock]) -> set[str]:
    """Codes of the steps that the food's `clocks` which are over leave out: all of TO_EAT if it is lost."""
    return {code for clock in clocks if clock.state == "over" for code in NOT_TO_EAT.get(clock.code, ())}


def open_steps(
    state: FoodState, plan: FoodPlan, now_s: float, clocks: Sequence[Clock] = ()
) -> list[tuple[PlanStep, float]]:
    """Steps not yet settled, with their times, earliest first. clocks: the food's, those over count.

    A step nobody reports is over when a later one was reported, or is due; one that is asked for again (wood)
    when it is due again. An old plan, still in the configuration, asks for nothing until a fire is lit.
    """
    if state.plan_before is not None and state.off_s is None:
        plan = state.plan_before  # what came off went back
    if (followed := _followed(state)) is not state:
        state, clocks = followed, ()
    if _passed(state, plan, now_s):
        return []
    order = {"loaded": state.loaded_s, "off": state.off_s, "chilled": state.chilled_s}
    reached = max((t for t in order.values() if t is not None), default=None)
    milestones = [i for i, step in enumerate(plan.steps) if order.get(step.reported) is not None]
    settled = _settled(state, plan)
    cooking = state.loaded_s is not None and state.off_s is None
    stays = not state.done and all(_due(state, plan, s) > now_s for s in plan.steps if s.code == "off")
    spoilt = spoilt_steps(clocks)
    left = []
    for i, step in enumerate(plan.steps):
        due = _due(state, plan, step)
        if step.code == "settle" and state.heated and state.fire and not state.settled:
            due = min(due, now_s)  # lit earlier than planned
        over = milestones and i < milestones[-1]  # however early that was reached
        if i in settled or over or (not step.reported and reached is not None and due < reached):
            continue
        if state.loaded_s is not None and not (state.fire and stays) and step.code in AT_THE_FIRE:
            continue
        if state.lid_stays and step.code in OPENS_LID:
            continue
        if cooking and state.heated and not (state.fire or state.done):
            continue  # neither off nor to the table: `no_fire` says what is left to do
        if step.code in spoilt or (step.code in TO_EAT and known_raw(state, plan)):
            continue
        left.append((step, due))
    left.sort(key=lambda pair: pair[1])
    out = []
    for i, (step, due) in enumerate(left):
        after = [later for later, later_s in left[i + 1 :] if later_s <= now_s and ready(state, later)]
        if any(later.reported == step.reported for later in after) if step.reported else after:
            continue
        if (step.code == "light" and state.heated) or (step.code == "settle" and state.settled):
            continue  # what burns need not be lit, nor coals that are hot under shut vents
        out.append((step, due))
    return out
