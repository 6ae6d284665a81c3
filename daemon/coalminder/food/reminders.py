"""What the food asks of the person now, in words.

Must not know: how the state comes about (follow.py).
"""

from __future__ import annotations

from collections.abc import Sequence

from coalminder.food import ensemble as slabs
from coalminder.food.agenda import TO_EAT, known_raw, ready, spoilt_steps
from coalminder.food.exposure import OUT_HOT_S, OUT_S, Clock
from coalminder.food.foodplan import FoodPlan, PlanStep
from coalminder.food.foodstate import COOLING, FoodState, Reminder

WEAK_FIRE_C = 5.0
"""A pit this far below its set point in the long run would not follow a higher one."""
COMING_UP_S = 2700.0
"""A pit that has not been near its set point so long after loading is not coming up by itself: lighting takes
20 to 30 min (common practice)."""
COMING_UP = "the pit is still coming up"
RAISE = "raise the set point"
THROW_AWAY = "throw it away"
_MORE_HEAT = "give it more heat, here or in an oven"
_SPREAD_OUT = "spread it out on a cold tray in the refrigerator"
_REMEDY = {
    "raw_warm": ("cook it now", THROW_AWAY),
    "come_up": (_MORE_HEAT, THROW_AWAY),
    "reach": (_MORE_HEAT, ""),
    "histamine": ("chill or cook now", f"{THROW_AWAY}: heat does not remove histamine"),
    "cool_21": (_SPREAD_OUT, f"eat it now or {THROW_AWAY}"),
    "cool_5": ("colder refrigerator, smaller pieces", THROW_AWAY),
    "batch_before": (
        "eat or chill it, then report 'chilled'",
        f"{THROW_AWAY}, or report 'chilled' if it was eaten or chilled",
    ),
    "kept": ("a hotter pit, or eat or chill it", THROW_AWAY),
    "standing": ("eat it, put it in the refrigerator, or keep it above 57 °C", ""),
}
"""What helps before the limit of a clock, and what is left to do over it; "": the same."""
_REMEDY_RAW = _REMEDY | {
    "cool_21": (_SPREAD_OUT, THROW_AWAY),
    "standing": ("cook it on, or put it in the refrigerator", ""),
}
"""The same for what was measured to be raw when it came off."""
STOOD_OUT = "if it was eaten or chilled, report 'chilled'; if it stood so long, throw it away"
"""In place of the remedy for an hour on the table: nobody is told to eat what stood there all night."""
EAT_OR_COOL = (
    "Eat it hot, or lay it flat on cold trays in the refrigerator within {:.0f} h of coming off; then report "
    "'chilled'."
)
"""Where no plan has steps that say so."""
EATEN_BY_S = 4 * 3600.0
"""What is neither hot nor cold is eaten within so long, or thrown away (Food Code 3-501.19, from memory)."""
OFF_TOO_EARLY = "It came off before the rule was met: put it back or cook it on by other means."
CHILLED_RAW = (
    "It was chilled before it was done, and is raw inside: cook it through before anyone eats it, or throw "
    "it away."
)
LOST_RAW = "It came off before the rule was met, and is over a limit: throw it away."
RAW_FOR_HOURS = (
    "It came off raw over {:.0f} h before it was cold: throw it away, unless it was cooked on at once."
)
UNMEASURED = (
    "Nobody measured here that it was done: unless you did yourself, cook it through before anyone eats it."
)
NOT_AS_FOOD = (
    "The coldest core probe does not warm as this food would: is it in the open, or in steam? Put its tip "
    "into the middle of a piece. If it is there, compare the pit probe with another thermometer: one that "
    "reads too low lets the grill get far too hot."
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
LAID_ON_WARM = (
    "Food laid on warm: by its probe near {:.0f} °C when 'loaded' was reported. If that is its middle, and "
    "it was so before the grill, raw food once over 21 °C has 2 h in all between 10 and 57 °C; had it more, "
    "throw it away [a2-raw]."
)
OTHER_DAY = (
    "The plan is for another day: nothing knows how long this food was warm before it went on. If it stood "
    "out of the refrigerator since then, throw it away; else make a new plan for the next cook."
)
LAID_ON_WARM_S = 300.0
"""Time to put the probe in [estimate]."""
FROZEN_C = -2.5
"""Fish freezes at about -2.2 °C (ASHRAE Refrigeration, ch. 9, table 3, from memory)."""
FROZEN = (
    "The core is frozen: it would be warm outside for hours before it is hot inside. Take it off, thaw it in "
    "the refrigerator, then smoke it."
)
MOST_STRAIN = 2.75
"""Food as wrong as the finish campaign's comes to 2.5; a probe on the table or in steam to 4 [estimate]."""
NO_FIRE = (
    "There is no fire under the food, and {}: finish it in an oven now, or throw it away. "
    "Leave the lid on while the coals are hot."
)


def finish_note(state: FoodState, plan: FoodPlan, stage: str, measured: bool) -> str:
    """What to know beside the finish time, "" for nothing. measured: a fresh core reading is there."""
    if stage != "cooking" or not state.fire:
        return ""
    if state.finish_beyond and measured and state.strain > MOST_STRAIN:
        return NOT_AS_FOOD
    if state.finish_beyond and coming_up(state):
        return COMING_UP
    behind = not state.settled or state.miss_c <= -WEAK_FIRE_C
    hotter = "finish it in an oven, the set point is the highest allowed" if state.hottest else RAISE
    remedy = "feed the fire, it is behind" if behind else hotter
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


def reminders_of(
    state: FoodState,
    plan: FoodPlan,
    stage: str,
    steps: Sequence[tuple[PlanStep, float]],
    clocks: Sequence[Clock],
    measured: bool,
    now_s: float,
) -> tuple[Reminder, ...]:
    """All that the food asks of the person at `now_s`, in the order in which it is shown.

    steps: the open ones with their times; clocks: those that run; measured: as in `finish_note`.
    """
    out = [
        Reminder(f"step_{step.code}", f"{step.title}: {step.text}")
        for step, due in steps
        if due <= now_s and ready(state, step) and step.code != "off"  # `food_done`, or `measure`, says that
    ]
    raw = known_raw(state, plan)
    out_s = (now_s if state.chilled_s is None else state.chilled_s) - (state.off_s or 0.0)
    limit_s = OUT_HOT_S if state.hot_day else OUT_S
    over = spoilt_steps(clocks) >= TO_EAT
    lost = over or (raw and out_s > limit_s)
    out += [_of_clock(clock, clocks, state.hot_day, raw, lost) for clock in clocks if clock.level]
    if state.left:
        out.append(Reminder("left", state.left, "warn"))
    if stage == "waiting" and state.as_food_s is not None and now_s - state.as_food_s >= AS_FOOD_S:
        out.append(Reminder("not_reported", NOT_REPORTED, "warn"))
    if stage == "cooking":
        out += _while_cooking(state, plan, measured, now_s)
    if stage == "resting" and state.done and not plan.steps and not any(clock.level for clock in clocks):
        out.append(Reminder("eat_or_cool", EAT_OR_COOL.format(limit_s / 3600.0)))
    if stage in COOLING and not state.done:
        told = OFF_TOO_EARLY if stage == "resting" else CHILLED_RAW
        if lost:
            told = LOST_RAW if over else RAW_FOR_HOURS.format(limit_s / 3600.0)
        out.append(Reminder("not_done", told, "alarm") if raw else Reminder("not_done", UNMEASURED, "warn"))
    return tuple(out)


def _while_cooking(state: FoodState, plan: FoodPlan, measured: bool, now_s: float) -> list[Reminder]:
    """Of the fire, of doneness and of the core probe, for food on the grill."""
    out = []
    if state.heated and not state.fire and not state.done:
        known = "it is not done" if measured else "nobody measured that it is done"
        out.append(Reminder("no_fire", NO_FIRE.format(known), "alarm"))
    if state.done:
        # no note among the steps: this is the moment for which all of it was set up
        out.append(Reminder("food_done", "The food is done: take it off and report 'off'.", "warn"))
    elif state.doubt and not measured:
        out.append(Reminder("core_probe", state.doubt, "warn"))
    by_model = state.fire and state.finish_s is not None and state.finish_s[1] <= now_s
    if by_model and not (state.done or measured):
        out.append(Reminder("measure", MEASURE.format(plan.done_rule.text), "warn"))
    there_s = now_s - (state.loaded_s or 0.0)
    if state.warm_c is not None and not state.hot_core and there_s >= LAID_ON_WARM_S:
        out.append(Reminder("laid_on_warm", LAID_ON_WARM.format(state.warm_c), "warn"))
    if state.other_day and not (state.hot_core or state.done):
        out.append(Reminder("other_day", OTHER_DAY, "warn"))
    if measured and _frozen(state):
        out.append(Reminder("frozen", FROZEN, "warn"))
    if state.fell_s is not None:
        out.append(Reminder("core_probe", FELL_DONE if state.done else FELL, "warn"))
    note = finish_note(state, plan, "cooking", measured) if state.finish_beyond else ""
    if note not in ("", COMING_UP):
        out.append(Reminder("core_probe" if note == NOT_AS_FOOD else "too_cool", note, "warn"))
    return out


def _of_clock(clock: Clock, clocks: Sequence[Clock], hot_day: bool, raw: bool, lost: bool) -> Reminder:
    """What `clock` says and what helps; arguments as in `_remedy`."""
    minutes = abs(clock.left_s) / 60.0
    left = f"{minutes:.0f} min left" if clock.left_s >= 0 else f"over by {minutes:.0f} min"
    if not clock.measured:
        left = f"by an estimate {left}: measure the thickest piece"
    remedy = _remedy(clock, clocks, hot_day, raw, lost)
    return Reminder(f"clock_{clock.code}", f"{clock.text}: {left}; {remedy} [{clock.source}]", clock.level)


def _remedy(clock: Clock, clocks: Sequence[Clock], hot_day: bool, raw: bool, lost: bool) -> str:
    """What helps against `clock`, one of `clocks`. hot_day: as in FoodState; raw: known_raw.

    lost: the food is to be thrown away, whatever this clock says.
    """
    before, over = (_REMEDY_RAW if raw else _REMEDY)[clock.code]
    if lost and clock.code != "batch_before":
        return over if clock.state == "over" and over.startswith(THROW_AWAY) else THROW_AWAY
    if clock.code == "cool_21" and clock.used_s > EATEN_BY_S:
        return "still above 21 °C, throw it away"
    left_s = {c.code: c.left_s for c in clocks}
    too_long = hot_day or left_s.get("cool_21", 0.0) < 0.0
    if clock.code == "standing" and "kept" not in left_s and clock.left_s < 0.0 and too_long:
        return STOOD_OUT
    if clock.state == "over" and over:
        return over
    return f"{before}; over the limit, {over}" if over else before


def coming_up(state: FoodState) -> bool:
    """Whether the food was laid on before the fire was up: neither that nor the set point is wrong."""
    if state.settled or state.now_s is None or state.loaded_s is None:
        return False
    return state.now_s - state.loaded_s <= COMING_UP_S


def _frozen(state: FoodState) -> bool:
    """Whether the food itself is frozen, not a probe that is held in frosty air."""
    shown = state.core_c is not None and state.shown_c is not None and state.fell_s is None
    return shown and (state.core_c or 0.0) < 0.0 and (state.shown_c or 0.0) < FROZEN_C
