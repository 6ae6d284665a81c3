"""Following one cook: what the food is like now, when it will be done, and what to do next.

Owns: the stepper `follow`, pure and cheap (most calls return at once; the slabs move every 20 s, a reading is
taken in every 60 s, the finish is forecast every 5 min). Must not know: fire, alarms, MQTT. It never says
`done` without a measured core temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from coalminder.events import FoodStep, WoodAdded
from coalminder.food import ensemble as slabs
from coalminder.food.doneness import SIX_D_MIN, held_s, lethal_rate
from coalminder.food.exposure import (
    COLD_C,
    COOKED_C,
    HOT_C,
    NO_EXPOSURE,
    Clock,
    Exposure,
    add_time,
    come_up_clock,
    cooling_clocks,
    raw_clock,
    scombroid_clock,
    standing_clock,
)
from coalminder.food.foodplan import FoodPlan, PlanStep
from coalminder.values import ProbeFault, Reading, Sample

TICK_S = 10.0
MODEL_S = 20.0
ASSIMILATE_S = 60.0
FORECAST_S = 300.0
HORIZON_S = 8 * 3600.0
CORE_FRESH_S = 60.0
READING_ERROR_C = 0.8
"""Probe and model together, as an independent error each minute [estimate, set by the coverage check]."""
INFLATION = 1.004
PIT_MEAN_S = 900.0
COOL_FILM_W_M2K = 9.0
FRIDGE_FILM_W_M2K = 8.0
"""Film of food in still air and in a refrigerator: convection 4, radiation 5 [estimate]."""


@dataclass(frozen=True, slots=True)
class Reminder:
    """Something to tell the person now. level: note, warn or alarm. `code` stays while it is due."""

    code: str
    text: str
    level: str = "note"


@dataclass(frozen=True, slots=True)
class FoodView:
    """What a person may know of the food. Intervals are 90 %. None: not known.

    stage: waiting, cooking, resting, chilled. finish_*_min: minutes from `at_s` until the done rule is met,
    None when not cooking, and when the core will not get there at this pit (finish_note says so).
    """

    stage: str = "waiting"
    at_s: float = 0.0
    core_c: float | None = None
    core_low_c: float | None = None
    core_high_c: float | None = None
    core_measured: bool = False
    finish_min: float | None = None
    finish_low_min: float | None = None
    finish_high_min: float | None = None
    finish_note: str = ""
    lethality_min: float = 0.0
    held_min: float = 0.0
    done: bool = False
    reason: str = ""
    clocks: tuple[Clock, ...] = ()
    reminders: tuple[Reminder, ...] = ()
    next_step: PlanStep | None = None
    next_due_s: float | None = None


@dataclass(frozen=True, slots=True)
class FoodState:
    """All that `follow` remembers. Times are on the caller's clock; None: has not happened."""

    now_s: float | None = None
    loaded_s: float | None = None
    off_s: float | None = None
    chilled_s: float | None = None
    reports: tuple[tuple[str, float], ...] = ()
    family: slabs.Ensemble = ()
    model_s: float = 0.0
    assimilated_s: float = 0.0
    forecast_s: float | None = None
    finish_s: tuple[float, float, float] | None = None
    finish_beyond: bool = False
    pit_c: float | None = None
    surround_c: float | None = None
    core_c: float | None = None
    core_s: float | None = None
    doubt: str = ""
    held_s: float = 0.0
    lethality_min: float = 0.0
    done: bool = False
    hot_core: bool = False
    below_hot_s: float | None = None
    raw: Exposure = NO_EXPOSURE
    exposure: Exposure = NO_EXPOSURE
    after: Exposure = NO_EXPOSURE
    view: FoodView = FoodView()


def refuse_reason(state: FoodState, step: str) -> str:
    """Why a reported `step` makes no sense now; "" when it does."""
    if step not in ("loaded", "rotated", "off", "chilled"):
        return f"unknown food step '{step}': loaded, rotated, off or chilled"
    if step == "loaded" and state.loaded_s is not None and state.off_s is None:
        return "the food is on the grill already"
    if step in ("rotated", "off") and (state.loaded_s is None or state.off_s is not None):
        return "no food is on the grill: report 'loaded' first"
    if step == "chilled" and state.off_s is None:
        return "report 'off' (the grill) first"
    return ""


def follow(
    state: FoodState,
    plan: FoodPlan,
    pit_c: float | None,
    core_samples: Sequence[tuple[str, Sample]],
    events: Sequence[object],
    now_s: float,
    *,
    set_point_c: float | None = None,
    ambient_c: float | None = None,
) -> tuple[FoodState, FoodView]:
    """One step. Same arguments, same result.

    pit_c: None while the pit is not known. core_samples: (name, sample) of each food probe; the coldest
    trusted one counts. events: reports since the last call; others than FoodStep and WoodAdded are ignored,
    and so is a report that `refuse_reason` refuses. now_s: the clock of the plan's due times; must not fall.
    set_point_c: what the pit is held at now (default: the plan's). ambient_c: measured air outside.
    """
    changed = False
    for event in events:
        if isinstance(event, FoodStep) and not refuse_reason(state, event.step):
            state, changed = _report(state, plan, event.step, now_s), True
        elif isinstance(event, WoodAdded):
            state, changed = replace(state, reports=(*state.reports, ("wood", now_s))), True
    if state.now_s is None:
        state = replace(state, now_s=now_s, exposure=plan.before)
        changed = True
    dt_s = now_s - (state.now_s or 0.0)
    if dt_s < TICK_S and not changed:
        return state, state.view
    state = _tick(state, plan, pit_c, core_samples, now_s, max(0.0, dt_s), set_point_c, ambient_c)
    view = _view(state, plan, now_s)
    return replace(state, view=view), view


def _report(state: FoodState, plan: FoodPlan, step: str, now_s: float) -> FoodState:
    reports = (*state.reports, (step, now_s))
    if step == "loaded":
        # Later than planned: it is taken to have stood outside the refrigerator, the safe side.
        planned = next((s.due_s for s in plan.steps if s.reported == "loaded"), now_s)
        raw = add_time(plan.before, plan.ambient_c, now_s - planned)
        return FoodState(
            now_s=now_s,
            loaded_s=now_s,
            reports=reports,
            family=slabs.start(plan.food()),
            model_s=now_s,
            assimilated_s=now_s,
            raw=raw,
            exposure=raw,
        )
    if step == "off":
        return replace(state, off_s=now_s, reports=reports, finish_s=None)
    if step == "chilled":
        return replace(state, chilled_s=now_s, reports=reports)
    return replace(state, reports=reports)


def _coldest(samples: Sequence[tuple[str, Sample]]) -> tuple[float | None, str]:
    """The coldest trusted core and, without one, why."""
    cores = [
        s.temp_c
        for _, s in samples
        if isinstance(s, Reading) and s.age_s <= CORE_FRESH_S and -10 < s.temp_c < 130
    ]
    if cores:
        return min(cores), ""
    faults = [f"{name}: {s.kind.value}" for name, s in samples if isinstance(s, ProbeFault)]
    return None, ", ".join(faults)


def _tick(
    state: FoodState,
    plan: FoodPlan,
    pit_c: float | None,
    core_samples: Sequence[tuple[str, Sample]],
    now_s: float,
    dt_s: float,
    set_point_c: float | None,
    ambient_c: float | None,
) -> FoodState:
    if pit_c is not None:
        weight = min(1.0, dt_s / PIT_MEAN_S)
        mean = pit_c if state.pit_c is None else state.pit_c + weight * (pit_c - state.pit_c)
        state = replace(state, pit_c=mean)
    if state.loaded_s is None:
        return replace(state, now_s=now_s)
    food = plan.food()
    core, doubt = _coldest(core_samples)
    family = state.family
    air = _air(state, plan, pit_c, set_point_c, ambient_c)
    model_s = state.model_s
    if now_s - model_s >= MODEL_S:
        family = slabs.advance(family, food, air, now_s - model_s)
        model_s = now_s
    mean, sd = slabs.spread([slabs.core_of(m) for m in family])
    if core is not None and core > mean + 5.0 * sd + 5.0 and state.off_s is None:
        doubt = f"core probe shows {core:.0f} °C, more than this food can be: is it in the middle of it?"
        core = None
    if core is not None:
        # two readings' mean takes the edge off a probe's noise
        old = state.core_c if state.core_s is not None and now_s - state.core_s <= CORE_FRESH_S else None
        core = core if old is None else old + min(1.0, dt_s / 30.0) * (core - old)
        state = replace(state, core_c=core, core_s=now_s)
        if now_s - state.assimilated_s >= ASSIMILATE_S:
            family = slabs.assimilate(family, core, READING_ERROR_C, INFLATION)
            state = replace(state, assimilated_s=now_s)
            mean, sd = slabs.spread([slabs.core_of(m) for m in family])
    state = replace(state, now_s=now_s, family=family, model_s=model_s, doubt=doubt, surround_c=air.temp_c)
    low = core if core is not None else mean - slabs.Z90 * sd
    state = _account(state, plan, core, low, mean + slabs.Z90 * sd, now_s, dt_s)
    if state.off_s is None and (state.forecast_s is None or now_s - state.forecast_s >= FORECAST_S):
        state = _forecast(state, plan, now_s, set_point_c)
    return state


def _air(
    state: FoodState, plan: FoodPlan, pit_c: float | None, set_point_c: float | None, ambient_c: float | None
) -> slabs.Air:
    """What surrounds the food now."""
    if state.chilled_s is not None:
        return slabs.Air(plan.fridge_c, FRIDGE_FILM_W_M2K, dries=False)
    if state.off_s is not None:
        return slabs.Air(
            max(plan.ambient_c if ambient_c is None else ambient_c, 5.0), COOL_FILM_W_M2K, dries=False
        )
    if pit_c is not None:
        return slabs.Air(pit_c)
    known = state.pit_c if state.pit_c is not None else set_point_c
    return slabs.Air(plan.set_point_c if known is None else known)


def _account(
    state: FoodState,
    plan: FoodPlan,
    core: float | None,
    low_c: float,
    high_c: float,
    now_s: float,
    dt_s: float,
) -> FoodState:
    """Hold time, lethality, exposure and cooling for the last `dt_s`.

    core: measured or None. low_c, high_c: the core on the cold and on the warm side. Heating counts the
    coldest place, cooling the warmest.
    """
    cooling = state.off_s is not None
    growth_c = (core if core is not None else high_c) if cooling else low_c
    exposure = add_time(state.exposure, growth_c, dt_s)
    after = add_time(state.after, growth_c, dt_s) if cooling else state.after
    hot_core = state.hot_core or low_c >= COOKED_C
    below_hot = state.below_hot_s
    if cooling and below_hot is None and growth_c < HOT_C:
        below_hot = now_s
    held, lethality, done = state.held_s, state.lethality_min, state.done
    if not cooling:
        lethality += lethal_rate(min(low_c, 90.0)) * dt_s / 60.0
        if core is not None:
            # A gap without readings proves nothing: at most one minute of it counts.
            held = held_s(held, min(dt_s, CORE_FRESH_S), core, plan.done_rule)
        done = done or (core is not None and held >= 60.0 * plan.done_rule.hold_min)
    return replace(
        state,
        exposure=exposure,
        after=after,
        hot_core=hot_core,
        below_hot_s=below_hot,
        held_s=held,
        lethality_min=lethality,
        done=done,
    )


def _forecast(state: FoodState, plan: FoodPlan, now_s: float, set_point_c: float | None) -> FoodState:
    """When the rule will be met, from the family in the pit as it has been, drawn to the set point."""
    target = plan.set_point_c if set_point_c is None else set_point_c
    pit = target if state.pit_c is None else 0.5 * (state.pit_c + target)
    rule = plan.done_rule
    if state.done:
        return replace(state, forecast_s=now_s, finish_s=(now_s, now_s, now_s), finish_beyond=False)
    times = slabs.heating_times_s(state.family, plan.food(), slabs.Air(pit), rule.core_c, HORIZON_S)
    low, middle, high = slabs.interval_s(times)
    hold = max(0.0, 60.0 * rule.hold_min - state.held_s)
    beyond = sorted(times)[len(times) // 2] >= HORIZON_S
    finish = (now_s + low + hold, now_s + middle + hold, now_s + high + hold)
    return replace(state, forecast_s=now_s, finish_s=finish, finish_beyond=beyond)


def _view(state: FoodState, plan: FoodPlan, now_s: float) -> FoodView:
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
    clocks = _clocks(state, plan, stage, now_s, core if measured else high)
    step, due = next_step(state, plan, now_s)
    finish = None if state.finish_beyond or stage != "cooking" else state.finish_s
    minutes = [max(0.0, (t - now_s) / 60.0) for t in finish] if finish else [None, None, None]
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
    )


def _finish_note(state: FoodState, plan: FoodPlan, stage: str, measured: bool) -> str:
    if stage != "cooking":
        return ""
    if state.finish_beyond:
        return (
            f"at this pit the core will not reach {plan.done_rule.core_c:.0f} °C within "
            f"{HORIZON_S / 3600:.0f} h: raise the set point"
        )
    return (
        "" if measured else "no core probe: a wide guess from weight and thickness; measure before you serve"
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
    state: FoodState, plan: FoodPlan, stage: str, now_s: float, core_c: float | None
) -> tuple[Clock, ...]:
    clocks: list[Clock] = []
    if stage == "waiting":
        clocks.append(raw_clock(state.exposure))
    if stage == "cooking" and not state.hot_core and state.loaded_s is not None:
        clocks.append(raw_clock(state.raw))
        clocks.append(come_up_clock(now_s - state.loaded_s))
    if stage in ("resting", "chilled") and core_c is not None:
        if state.below_hot_s is not None:
            clocks.extend(cooling_clocks(now_s - state.below_hot_s, core_c))
        if core_c > COLD_C:
            clocks.append(standing_clock(state.after))
    if plan.scombroid:
        clocks.append(scombroid_clock(state.exposure, plan.frozen_before))
    return tuple(clocks)


_REMEDY = {
    "raw_warm": "cook it now, or throw it away once over",
    "come_up": "raise the set point; over the limit, throw it away",
    "histamine": "chill or cook now; over the limit, throw it away: heat does not remove histamine",
    "cool_21": "spread it out on a cold tray in the refrigerator; over the limit, eat now or throw it away",
    "cool_5": "colder refrigerator, smaller pieces; over the limit, throw it away",
    "standing": "eat it or put it in the refrigerator",
}


def _reminders(
    state: FoodState, plan: FoodPlan, stage: str, clocks: tuple[Clock, ...], measured: bool, now_s: float
) -> tuple[Reminder, ...]:
    out = [
        Reminder(f"step_{step.code}", f"{step.title}: {step.text}")
        for step, due in _open_steps(state, plan)
        if due <= now_s and not (step.code == "off" and not state.done)
    ]
    for clock in clocks:
        if clock.state != "ok":
            level = "alarm" if clock.state == "over" and clock.code != "standing" else "warn"
            left = (
                f"{clock.left_s / 60:.0f} min left"
                if clock.left_s >= 0
                else f"over by {-clock.left_s / 60:.0f} min"
            )
            out.append(
                Reminder(
                    f"clock_{clock.code}",
                    f"{clock.text}: {left}; {_REMEDY[clock.code]} [{clock.source}]",
                    level,
                )
            )
    if stage == "cooking":
        if state.done:
            out.append(Reminder("food_done", "The food is done: take it off and report 'off'."))
        elif state.doubt and not measured:
            out.append(Reminder("core_probe", state.doubt, "warn"))
        if state.finish_beyond:
            out.append(Reminder("too_cool", _finish_note(state, plan, stage, measured), "warn"))
    if stage == "resting" and not state.done:
        out.append(
            Reminder(
                "not_done",
                "It came off before the rule was met: put it back or cook it on by other means.",
                "alarm",
            )
        )
    return tuple(out)


def _due(state: FoodState, step: PlanStep) -> float:
    """When a step is due: counted from its anchor once that happened, else as planned."""
    anchor = {"loaded": state.loaded_s, "off": state.off_s}.get(step.anchor)
    return step.due_s if anchor is None else anchor + step.after_s


def _open_steps(state: FoodState, plan: FoodPlan) -> list[tuple[PlanStep, float]]:
    """Steps not yet reported, with their times, earliest first.

    Each report settles the first open step of its kind; a step nobody reports is over when a later one was.
    """
    left = [step for step, _ in state.reports]
    order = {"loaded": state.loaded_s, "off": state.off_s, "chilled": state.chilled_s}
    reached = max((t for t in order.values() if t is not None), default=None)
    out = []
    for step in plan.steps:
        if step.reported and step.reported in left:
            left.remove(step.reported)
            continue
        due = _due(state, step)
        if not step.reported and reached is not None and due < reached:
            continue
        out.append((step, due))
    return sorted(out, key=lambda pair: pair[1])


def next_step(state: FoodState, plan: FoodPlan, now_s: float) -> tuple[PlanStep | None, float | None]:
    """The earliest open step and its time; one nobody reports passes when the next is due."""
    steps = _open_steps(state, plan)
    for i, (step, due) in enumerate(steps):
        passed = not step.reported and i + 1 < len(steps) and steps[i + 1][1] <= now_s
        if not passed:
            return step, due
    return None, None


def enough_lethality(view: FoodView) -> bool:
    """Whether the lethality so far is a 6D process against Listeria: a note beside the done rule."""
    return view.lethality_min >= SIX_D_MIN
