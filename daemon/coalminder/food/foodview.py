"""What a person is told of the food: estimate, reason, clocks, reminders, next step.

Owns: the words and the order of steps. Must not know: how the state comes about (follow.py).
"""

from __future__ import annotations

from dataclasses import replace

from coalminder.food import ensemble as slabs
from coalminder.food.exposure import (
    COLD_C,
    COOLED_TO_C,
    Clock,
    batch_out_clock,
    come_up_clock,
    cooling_clocks,
    raw_clock,
    reach_clock,
    scombroid_clock,
    standing_clock,
)
from coalminder.food.foodplan import FoodPlan, PlanStep
from coalminder.food.foodstate import CORE_FRESH_S, FoodState, FoodView, Reminder

COOLING = ("resting", "chilled")
"""Stages after the grill."""
WARMED_C = 3.0
"""A core so far above what it had cooled to has warmed again: more than noise and a refrigerator's swing."""
WEAK_FIRE_C = 5.0
"""A pit this far below its set point in the long run would not follow a higher one."""


def view_of(state: FoodState, plan: FoodPlan, now_s: float) -> FoodView:
    """What a person may know at `now_s` of a food in `state` that follows `plan`."""
    stage = (
        "chilled" if state.chilled_s is not None
        else "resting" if state.off_s is not None
        else "cooking" if state.loaded_s is not None
        else "waiting"
    )  # fmt: skip
    core = low = high = None
    measured = state.core_s is not None and now_s - state.core_s <= CORE_FRESH_S
    if state.family:
        mean, sd = slabs.spread([slabs.core_of(m) for m in state.family])
        core = state.core_c if measured and state.core_c is not None else mean
        low, high = core - slabs.Z90 * max(sd, 0.3), core + slabs.Z90 * max(sd, 0.3)
    clocks = _clocks(state, plan, stage, now_s, core if measured else high, measured)
    step, due = next_step(state, plan, now_s)
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
        finish_note=_finish_note(state, plan, stage, measured),
        lethality_min=state.lethality_min,
        held_min=state.held_s / 60.0,
        done=state.done,
        reason=_reason(state, plan, measured),
        clocks=clocks,
        reminders=_reminders(state, plan, stage, clocks, measured, now_s),
        next_step=step,
        next_due_s=due,
        before_out=state.before_off_s is not None,
    )


def _finish_note(state: FoodState, plan: FoodPlan, stage: str, measured: bool) -> str:
    if stage != "cooking" or not state.fire:
        return ""
    if state.finish_beyond and measured and state.strain > MOST_STRAIN:
        return NOT_AS_FOOD
    remedy = "raise the set point" if state.miss_c > -WEAK_FIRE_C else "feed the fire, it is behind"
    if state.finish_beyond:
        return (
            f"at this pit the core will not reach {plan.done_rule.core_c:.0f} °C within "
            f"{slabs.HORIZON_S / 3600:.0f} h: {remedy}"
        )
    notes = []
    if state.finish_s is not None and state.finish_s[2] is None:
        notes.append(f"it may need more than {slabs.HORIZON_S / 3600:.0f} h at this pit: {remedy}")
    if not measured:
        notes.append("no core probe: a wide guess from weight and thickness; measure before you serve")
    return "; ".join(notes)


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
        clocks.append(standing_clock(state.after))
    if stage in COOLING and core_c is not None:
        if state.below_hot_s is not None:
            ran = cooling_clocks(now_s - state.below_hot_s, core_c)
            proven = {clock.code for clock in state.view.clocks if clock.state == "over"}
            clocks.extend(
                replace(c, measured=measured or c.code in proven)
                for c in ran
                if not _met(state.view, c.code, core_c)
            )
        if stage == "resting" and core_c > COLD_C:  # once it is chilled, that is all there is to do
            clocks.append(standing_clock(state.after))
    if state.before_off_s is not None:
        clocks.append(batch_out_clock(now_s - state.before_off_s))
    if plan.scombroid:
        clocks.append(scombroid_clock(state.histamine, plan.frozen_before))
    running = {clock.code for clock in clocks}
    return (*clocks, *(clock for clock in state.ran_out if clock.code not in running))


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
    lasting = {"raw_warm", "come_up"} | ({"cool_21", "cool_5"} if now.core_measured else set())
    return tuple(c for c in before.clocks if c.state == "over" and c.code in lasting - codes)


_REMEDY = {
    "raw_warm": "cook it now, or throw it away once over",
    "come_up": "give it more heat, here or in an oven; over the limit, throw it away",
    "reach": "give it more heat, here or in an oven",
    "histamine": "chill or cook now; over the limit, throw it away: heat does not remove histamine",
    "cool_21": "spread it out on a cold tray in the refrigerator; over the limit, eat now or throw it away",
    "cool_5": "colder refrigerator, smaller pieces; over the limit, throw it away",
    "batch_before": "eat or chill it, then report 'chilled'; over the limit, throw it away",
    "standing": "eat it, put it in the refrigerator, or keep it above 57 °C",
}


OFF_TOO_EARLY = "It came off before the rule was met: put it back or cook it on by other means."
CHILLED_RAW = (
    "It was chilled before it was done, and is raw inside: cook it through before anyone eats it, or throw "
    "it away."
)
UNMEASURED = (
    "Nobody measured here that it was done: unless you did yourself, cook it through before anyone eats it."
)
NOT_AS_FOOD = (
    "The coldest core probe does not warm as this food would: is it in the open, or in steam? Put its tip "
    "into the middle of a piece."
)
MEASURE = (
    "By weight and thickness it may be done: measure the middle of the thickest piece. Off the grill only "
    "when it was measured: {}."
)
FELL = "A core probe fell all at once: put its tip into the middle of the coldest piece on the grill."
FELL_DONE = "A core probe fell all at once: if it is in another piece, that one is not done yet."
NOT_REPORTED = (
    "A food probe warms as if it were in food on the grill: if it is, report 'loaded'. Till then nobody "
    "minds the food's limits or says when it is done."
)
AS_FOOD_S = 300.0
"""A probe that is hung in the grill is as warm as its air before [estimate]."""
FROZEN_C = -2.5
"""Fish freezes at about -2.2 °C (ASHRAE Refrigeration, ch. 9, table 3, from memory)."""
FROZEN = (
    "The core is frozen: it would be warm outside for hours before it is hot inside. Take it off, thaw it in "
    "the refrigerator, then smoke it."
)
MOST_STRAIN = 2.75
"""Food as wrong as the finish campaign's comes to 2.5; a probe on the table or in steam to 4 [estimate]."""
TO_EAT = frozenset({"serve", "eat_by"})
"""Steps for food that is done, and not for what was measured to be raw when it came off."""

AT_THE_FIRE = frozenset({"light", "settle", "load", "wood", "rotate"})
"""Steps that open the lid over coals or want a fire: not while the vents are shut on one that goes out, nor
for food that is to come off."""
NO_FIRE = (
    "There is no fire under the food, and {}: finish it in an oven now, or throw it away; "
    "see its clocks. Leave the lid on while the coals are hot."
)


def _reminders(
    state: FoodState, plan: FoodPlan, stage: str, clocks: tuple[Clock, ...], measured: bool, now_s: float
) -> tuple[Reminder, ...]:
    out = [
        Reminder(f"step_{step.code}", f"{step.title}: {step.text}")
        for step, due in _open_steps(state, plan, now_s)
        if due <= now_s and _ready(state, step) and step.code != "off"  # `food_done`, or `measure`, says that
    ]
    for clock in clocks:
        if clock.level:
            left = (
                f"{clock.left_s / 60:.0f} min left"
                if clock.left_s >= 0
                else f"over by {-clock.left_s / 60:.0f} min"
            )
            if not clock.measured:
                left = f"by an estimate {left}: measure the thickest piece"
            out.append(
                Reminder(
                    f"clock_{clock.code}",
                    f"{clock.text}: {left}; {_REMEDY[clock.code]} [{clock.source}]",
                    clock.level,
                )
            )
    if stage == "waiting" and state.as_food_s is not None and now_s - state.as_food_s >= AS_FOOD_S:
        out.append(Reminder("not_reported", NOT_REPORTED, "warn"))
    if stage == "cooking" and state.heated and not state.fire and not state.done:
        known = "it is not done" if measured else "nobody measured that it is done"
        out.append(Reminder("no_fire", NO_FIRE.format(known), "alarm"))
    if stage == "cooking":
        if state.done:
            out.append(Reminder("food_done", "The food is done: take it off and report 'off'."))
        elif state.doubt and not measured:
            out.append(Reminder("core_probe", state.doubt, "warn"))
        elif not measured and state.fire and state.finish_s is not None and state.finish_s[1] <= now_s:
            out.append(Reminder("measure", MEASURE.format(plan.done_rule.text)))
        if measured and _frozen(state):
            out.append(Reminder("frozen", FROZEN, "warn"))
        if state.fell_s is not None:
            out.append(Reminder("core_probe", FELL_DONE if state.done else FELL, "warn"))
        if state.finish_beyond:
            note = _finish_note(state, plan, stage, measured)
            out.append(Reminder("core_probe" if note == NOT_AS_FOOD else "too_cool", note, "warn"))
    if stage in COOLING and not state.done:
        told = OFF_TOO_EARLY if stage == "resting" else CHILLED_RAW
        raw = known_raw(state, plan)
        out.append(Reminder("not_done", told, "alarm") if raw else Reminder("not_done", UNMEASURED, "warn"))
    return tuple(out)


def _frozen(state: FoodState) -> bool:
    """Whether the food itself is frozen, not a probe that is held in frosty air."""
    shown = state.core_c is not None and state.shown_c is not None and state.fell_s is None
    return shown and (state.core_c or 0.0) < 0.0 and (state.shown_c or 0.0) < FROZEN_C


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


def _ready(state: FoodState, step: PlanStep) -> bool:
    """Whether it can be done yet, however late that is: not while what it counts from has not happened, and
    food waits for a fire that has settled.
    """
    if state.loaded_s is None and step.code in ("settle", "load"):
        return state.fire if step.code == "settle" else state.settled
    return not step.anchor or _anchor_s(state, step) is not None


def _settled(state: FoodState, plan: FoodPlan) -> set[int]:
    """Places of the steps that reports settled: each report all of its kind that were due, else the next."""
    settled: set[int] = set()
    for reported, at_s in state.reports:
        left = [i for i, step in enumerate(plan.steps) if step.reported == reported and i not in settled]
        settled.update([i for i in left if _due(state, plan, plan.steps[i]) <= at_s] or left[:1])
    return settled


def _open_steps(state: FoodState, plan: FoodPlan, now_s: float) -> list[tuple[PlanStep, float]]:
    """Steps not yet settled, with their times, earliest first.

    A step nobody reports is over when a later one was reported, or is due; one that is asked for again (wood)
    when it is due again.
    """
    order = {"loaded": state.loaded_s, "off": state.off_s, "chilled": state.chilled_s}
    reached = max((t for t in order.values() if t is not None), default=None)
    milestones = [i for i, step in enumerate(plan.steps) if order.get(step.reported) is not None]
    settled = _settled(state, plan)
    cooking = state.loaded_s is not None and state.off_s is None
    stays = not state.done and all(_due(state, plan, s) > now_s for s in plan.steps if s.code == "off")
    left = []
    for i, step in enumerate(plan.steps):
        due = _due(state, plan, step)
        over = milestones and i < milestones[-1]  # however early that was reached
        if i in settled or over or (not step.reported and reached is not None and due < reached):
            continue
        if state.loaded_s is not None and not (state.fire and stays) and step.code in AT_THE_FIRE:
            continue
        if cooking and state.heated and not (state.fire or state.done):
            continue  # neither off nor to the table: `no_fire` says what is left to do
        if step.code in TO_EAT and known_raw(state, plan):
            continue
        left.append((step, due))
    left.sort(key=lambda pair: pair[1])
    out = []
    for i, (step, due) in enumerate(left):
        after = [later for later, later_s in left[i + 1 :] if later_s <= now_s and _ready(state, later)]
        if any(later.reported == step.reported for later in after) if step.reported else after:
            continue
        if step.code == "light" and state.heated and not state.fire:
            continue  # the vents are shut on coals that are hot
        out.append((step, due))
    return out


def next_step(state: FoodState, plan: FoodPlan, now_s: float) -> tuple[PlanStep | None, float | None]:
    """The earliest open step and its time."""
    return next(iter(_open_steps(state, plan, now_s)), (None, None))
