"""Following one cook: what the food is like now, when it will be done, and what to do next.

Owns: the stepper `follow`, pure and cheap (most calls return at once; the slabs move every 20 s, a reading is
taken in every 60 s, the finish is forecast every 5 min). Must not know: fire, alarms, MQTT. It never says
`done` without a measured core temperature.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coalminder.events import FoodStep, WoodAdded
from coalminder.food import corecheck
from coalminder.food import ensemble as slabs
from coalminder.food.agenda import OTHER_DAY_S
from coalminder.food.doneness import TOLERANCE_C, held_s, lethal_rate
from coalminder.food.exposure import COOKED_C, HOT_C, HOT_DAY_C, NO_EXPOSURE, OUT_S, add_time
from coalminder.food.foodplan import FoodPlan
from coalminder.food.foodstate import CORE_FRESH_S, FoodState, FoodView
from coalminder.food.foodview import ran_out, view_of
from coalminder.food.reminders import coming_up
from coalminder.frozen import replace
from coalminder.values import Sample

__all__ = ["FoodState", "FoodView", "follow", "refuse_reason", "report"]

TICK_S = 10.0
MODEL_S = 20.0
ASSIMILATE_S = 60.0
FORECAST_S = 300.0
READING_ERROR_C = 0.8
"""Probe and model together, as an independent error each minute [estimate, set by the coverage check]."""
INFLATION = 1.004
PIT_MEAN_S = 900.0
MISS_MEAN_S = 1800.0
MISS_MOST_C = 15.0
MISSES_FROM_S = 1800.0
"""How slowly a pit is taken to stay off its set point, and how much of a miss counts, for a lid lift is soon
over. It counts from so long after loading: cold food takes the pit down [estimate, set by constant pits]."""
SETTLED_C = 13.0
"""So far below its set point the pit's mean is in the band."""
FELL_BACK_C = 3.0
"""A core this far below the come-up clock's temperature has lost it again: more than a lid lift takes."""
FELL_FOR_S = 600.0
"""A core far too low for so long is another piece's, not a probe that was held in the air for a moment."""
GOES_BACK_S = 3600.0
COOL_FILM_W_M2K = 9.0
FRIDGE_FILM_W_M2K = 8.0
"""Film of food in still air and in a refrigerator: convection 4, radiation 5 [estimate]."""


@dataclass(frozen=True, slots=True)
class _Around:
    """What is around the food at `now_s`, and has been for `dt_s`. set_point_c: what the pit is held at.

    None: the pit is not known, nothing measures outside.
    """

    now_s: float
    dt_s: float
    pit_c: float | None
    set_point_c: float
    ambient_c: float | None


def refuse_reason(state: FoodState, step: str) -> str:
    """Why a reported `step` makes no sense now; "" when it does."""
    if step not in ("loaded", "rotated", "off", "chilled"):
        return f"unknown food step '{step}': loaded, rotated, off or chilled"
    if step == "loaded" and state.loaded_s is not None and state.off_s is None:
        return "the food is on the grill already"
    if step in ("rotated", "off") and (state.loaded_s is None or state.off_s is not None):
        return "no food is on the grill: report 'loaded' first"
    if step == "chilled" and state.off_s is None and state.before_off_s is None and not state.left:
        return "report 'off' (the grill) first"
    return ""


def report(
    state: FoodState, plan: FoodPlan, step: str, now_s: float, ambient_c: float | None = None
) -> tuple[FoodState, str]:
    """The food after a report, and why it was refused ("" when it was not). ambient_c: as `follow`'s."""
    why = refuse_reason(state, step)
    return (state, why) if why else (_report(state, plan, step, now_s, ambient_c), "")


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
    fire: bool = True,
    lid_stays: bool = False,
    hottest: bool = False,
) -> tuple[FoodState, FoodView]:
    """One step. Same arguments, same result.

    pit_c: None while the pit is not known. core_samples: (name, sample) of each food probe; the coldest
    trusted one counts, once it is off the warmest. events: reports since the last call; others than FoodStep
    and WoodAdded are ignored, and so is a report that `refuse_reason` refuses. now_s: the clock of the plan's
    due times; must not fall.
    set_point_c: what the pit is held at now (default: the plan's). ambient_c: measured air outside. fire: the
    vents feed a fire; without one nothing is foretold. lid_stays: the fire is out of hand, or fails: what
    opens the lid waits. hottest: the set point is the highest allowed.
    """
    changed = fire is not state.fire
    if changed:
        state = replace(state, fire=fire, no_fire_s=None if fire else now_s, forecast_s=None)
    if lid_stays is not state.lid_stays:
        state, changed = replace(state, lid_stays=lid_stays), True
    if hottest is not state.hottest:
        state, changed = replace(state, hottest=hottest), True
    if fire and not state.heated:
        state = replace(state, heated=True)
    for event in events:
        if isinstance(event, FoodStep):
            state, why = report(state, plan, event.step, now_s, ambient_c)
            changed = changed or not why
        elif isinstance(event, WoodAdded):
            state, changed = replace(state, reports=(*state.reports, ("wood", now_s))), True
    if state.now_s is None:
        state = replace(state, now_s=now_s, exposure=plan.before, histamine=plan.before)
        changed = True
    dt_s = now_s - (state.now_s or 0.0)
    if dt_s < TICK_S and not changed:
        return state, state.view
    held_c = plan.set_point_c if set_point_c is None else set_point_c
    of_food = state.plan_before or plan
    state = _tick(state, of_food, _Around(now_s, max(0.0, dt_s), pit_c, held_c, ambient_c), core_samples)
    view = view_of(state, plan, now_s)
    if over := ran_out(state.view, view):
        anew = {clock.code for clock in over}
        state = replace(state, ran_out=(*(c for c in state.ran_out if c.code not in anew), *over))
        view = view_of(state, plan, now_s)
    return replace(state, view=view), view


def _report(state: FoodState, plan: FoodPlan, step: str, now_s: float, ambient_c: float | None) -> FoodState:
    reports = (*state.reports, (step, now_s))
    if step == "loaded" and _goes_back(state, now_s):
        kept = tuple(report for report in state.reports if report[0] != "off")
        core_c, _ = slabs.core_spread(state.family)
        hot = state.refused_c is not None and state.refused_c > core_c  # as it was before it came off
        return replace(
            state,
            off_s=None,
            refused_c=state.refused_c if hot else None,
            below_hot_s=None,
            after=NO_EXPOSURE,
            held_s=0.0,
            forecast_s=None,
            reports=kept,
        )
    if step == "loaded":
        # Later than planned: it is taken to have stood outside the refrigerator, the safe side; on a day
        # that is warmer than the plan's, in that day's air.
        planned = next((s.due_s for s in plan.steps if s.reported == "loaded"), now_s)
        if state.off_s is not None:  # another batch, whose steps are all to be done again
            reports = (("loaded", now_s),)
            planned = now_s if state.plan_before is None else planned  # of the same plan: kept cold till now
        outside_c = plan.ambient_c if ambient_c is None else max(plan.ambient_c, ambient_c)
        other_day = now_s - planned > OTHER_DAY_S
        raw = plan.before if other_day else add_time(plan.before, outside_c, now_s - planned)
        before_off_s = _before_off_s(state, now_s)
        return FoodState(
            now_s=now_s,
            loaded_s=now_s,
            reports=reports,
            family=slabs.start(plan.food()),
            model_s=now_s,
            assimilated_s=now_s,
            raw=raw,
            exposure=raw,
            histamine=raw,
            pit_c=state.pit_c,  # it was loaded with the lid off: what the probe shows then is not the pit
            shown_c=state.shown_c,
            fire=state.fire,
            no_fire_s=state.no_fire_s,
            lid_stays=state.lid_stays,
            hottest=state.hottest,
            before_off_s=before_off_s,
            hot_day=state.hot_day and before_off_s is not None,  # its hour runs on when the sun goes
            other_day=other_day,
            left=state.left,
        )
    if step == "chilled" and state.off_s is None:  # the batch before: this one is on the grill
        return replace(state, before_off_s=None, left="")
    if step == "off":
        return replace(state, off_s=now_s, reports=reports, finish_s=None)
    if step == "chilled":
        return replace(state, chilled_s=now_s, before_off_s=None, left="", reports=reports)
    return replace(state, reports=reports)


def _before_off_s(state: FoodState, now_s: float) -> float | None:
    """When the batch came off that cools on while another is loaded; one over its time was told before."""
    if state.before_off_s is not None or state.off_s is None or state.chilled_s is not None:
        return state.before_off_s
    return state.off_s if now_s - state.off_s <= OUT_S else None


def _goes_back(state: FoodState, now_s: float) -> bool:
    """Whether `loaded` means the food that came off too early: measured then, not done, within the hour."""
    return (
        state.off_s is not None
        and state.chilled_s is None
        and not state.done
        and now_s - state.off_s <= GOES_BACK_S
        and state.core_s is not None
        and state.core_s >= state.off_s - CORE_FRESH_S
    )


def _tick(
    state: FoodState, plan: FoodPlan, around: _Around, core_samples: Sequence[tuple[str, Sample]]
) -> FoodState:
    hot_day = state.hot_day or _outside_c(plan, around) > HOT_DAY_C
    state = replace(_missed(_settle(state, around), around), now_s=around.now_s, hot_day=hot_day)
    cores = corecheck.trusted(core_samples)
    before_c = state.shown_c
    state = corecheck.shown(state, cores, around.dt_s)
    if state.loaded_s is None:
        since_s = around.now_s if state.as_food_s is None else state.as_food_s
        return replace(state, as_food_s=since_s if corecheck.as_food(state, cores) else None)
    read_s = dict(state.read_s) | dict.fromkeys(cores, around.now_s)
    core, doubt = corecheck.slowest(core_samples, cores, read_s, around.now_s, state.off_s is not None)
    air = _air(state, plan, around)
    state = replace(_modelled(state, plan, around, air), read_s=tuple(read_s.items()), doubt=doubt)
    if core is not None:
        state = _looked_at(state, plan, around, core, before_c, air.temp_c)
    proven_s = _proven_s(state, plan, around)
    if core is None or state.doubt:
        core, state = None, replace(state, fell_s=None)
    else:
        state = _learned(state, plan, around, core)
        core = state.core_c
    low_c, high_c = _between(state) if core is None else (core, core)
    state = _exposed(state, around, low_c, high_c)
    if state.off_s is not None:
        return state
    state = _cooked(state, plan, around, core, low_c, proven_s)
    due = state.forecast_s is None or around.now_s - state.forecast_s >= FORECAST_S
    return _forecast(state, plan, around) if due else state


def _looked_at(
    state: FoodState, plan: FoodPlan, around: _Around, core: float, before_c: float | None, air_c: float
) -> FoodState:
    """With what `core` tells of how the food was laid on, and why it cannot be this food's, if it cannot.

    before_c: the mean that was shown before; air_c: what cools or heats the food.
    """
    if corecheck.icy(state, core, slabs.core_spread(state.family)[0]):
        state = replace(state, family=_laid_on(plan, core))
    mean, beyond_c = _believable(state)
    warm_c = corecheck.laid_on_c(state, plan.start_c, core, mean, around.now_s)
    doubt, refused_c = corecheck.misplaced(state, core, mean, beyond_c, before_c, air_c)
    return replace(state, warm_c=warm_c, doubt=doubt, refused_c=refused_c)


def _laid_on(plan: FoodPlan, core: float) -> slabs.Ensemble:
    """The family of this food, laid on as warm as it is now."""
    return slabs.start(replace(plan.food(), start_c=core))


def _modelled(state: FoodState, plan: FoodPlan, around: _Around, air: slabs.Air) -> FoodState:
    """With the family taken on to now, in steps that are worth it."""
    since_s = around.now_s - state.model_s
    if since_s < MODEL_S:
        return state
    family = slabs.advance(state.family, plan.food(), air, since_s)
    return replace(state, family=family, model_s=around.now_s)


def _believable(state: FoodState) -> tuple[float, float]:
    """The core by the model, and how far a reading may be from that."""
    mean, sd = slabs.core_spread(state.family)
    return mean, 5.0 * sd + 5.0


def _learned(state: FoodState, plan: FoodPlan, around: _Around, core: float) -> FoodState:
    """With what a core that is believed shows, and the family drawn to it.

    A core that fell all at once is the air's or another piece's. It counts, but teaches nothing of this one;
    when it stays, the family starts again with it.
    """
    now_s = around.now_s
    mean, beyond_c = _believable(state)
    fell = state.off_s is None and core < mean - beyond_c
    fell_s = None if not fell else now_s if state.fell_s is None else state.fell_s
    if fell_s is not None and now_s - fell_s >= FELL_FOR_S and core > corecheck.ON_TABLE_C:
        fell, fell_s = False, None
        family = _laid_on(plan, core)
        state = replace(state, family=family, forecast_s=None, strain=0.0, held_s=0.0, done=False)
    back = state.fell_s is not None and not fell
    # two readings' mean takes the edge off a probe's noise
    since_s = math.inf if state.core_s is None else now_s - state.core_s
    if state.core_c is not None and since_s <= CORE_FRESH_S and not back:
        core = state.core_c + min(1.0, since_s / 30.0) * (core - state.core_c)
    state = replace(state, fell_s=fell_s, core_c=core, core_s=now_s)
    if fell or now_s - state.assimilated_s < ASSIMILATE_S:
        return state
    family = slabs.assimilate(state.family, plan.food(), core, READING_ERROR_C, INFLATION)
    return replace(state, family=family, assimilated_s=now_s, strain=slabs.strain(family, plan.food()))


def _settle(state: FoodState, around: _Around) -> FoodState:
    """With the pit's mean, and whether its fire has brought that near the set point."""
    pit_c, target_c = around.pit_c, around.set_point_c
    if pit_c is not None:
        weight = min(1.0, around.dt_s / PIT_MEAN_S)
        mean = pit_c if state.pit_c is None else state.pit_c + weight * (pit_c - state.pit_c)
        state = replace(state, pit_c=mean)
    near = state.pit_c is not None and state.pit_c >= target_c - SETTLED_C
    if state.fire and near and not state.settled and pit_c is not None and state.pit_c is not None:
        # how cool it was while it came up foretells nothing
        state = replace(state, pit_c=_now_or_better(state.pit_c, pit_c, target_c), forecast_s=None)
    return replace(state, settled=state.fire and (state.settled or near))


def _missed(state: FoodState, around: _Around) -> FoodState:
    """With what the pit has been off its set point by, in the long run; a miss that is made good is over."""
    since_s = 0.0 if state.loaded_s is None else around.now_s - state.loaded_s
    if around.pit_c is None or not state.fire or since_s < MISSES_FROM_S:
        return state
    miss_c = min(max(around.pit_c - around.set_point_c, -MISS_MOST_C), MISS_MOST_C)
    mean_c = state.miss_c + min(1.0, around.dt_s / MISS_MEAN_S) * (miss_c - state.miss_c)
    return replace(state, miss_c=min(max(mean_c, min(miss_c, 0.0)), max(miss_c, 0.0)))


def _proven_s(state: FoodState, plan: FoodPlan, around: _Around) -> float:
    """What a reading now proves of the last `dt_s`: nothing, unless the one just before it was hot too."""
    if state.core_c is None or state.core_s is None or state.core_c < plan.done_rule.core_c - TOLERANCE_C:
        return 0.0
    since_s = around.now_s - state.core_s
    return min(since_s, CORE_FRESH_S) if since_s <= max(around.dt_s, CORE_FRESH_S) else 0.0


def _air(state: FoodState, plan: FoodPlan, around: _Around) -> slabs.Air:
    """What cools or heats the food now."""
    if state.chilled_s is not None:
        return slabs.Air(plan.fridge_c, FRIDGE_FILM_W_M2K, dries=False)
    if state.off_s is not None:
        return slabs.Air(max(_outside_c(plan, around), 5.0), COOL_FILM_W_M2K, dries=False)
    if around.pit_c is not None:
        return slabs.Air(around.pit_c)
    return slabs.Air(around.set_point_c if state.pit_c is None else state.pit_c)


def _outside_c(plan: FoodPlan, around: _Around) -> float:
    """The air outside: measured, else the plan's."""
    return plan.ambient_c if around.ambient_c is None else around.ambient_c


def _between(state: FoodState) -> tuple[float, float]:
    """The coldest and the warmest that a core nobody measures is taken to be."""
    mean, sd = slabs.core_spread(state.family)
    return mean - slabs.Z90 * sd, mean + slabs.Z90 * sd


def _exposed(state: FoodState, around: _Around, low_c: float, high_c: float) -> FoodState:
    """With the time spent warm, come up and cooling, for the last `dt_s`.

    low_c, high_c: the core on the cold and on the warm side. Heating counts the one, cooling the other.
    """
    now_s, dt_s = around.now_s, around.dt_s
    cooling = state.off_s is not None
    growth_c = high_c if cooling else low_c
    if dt_s > CORE_FRESH_S:  # nobody saw it: the worst between its two ends
        growth_c = _worst_between(state.view.core_c, growth_c)
    exposure = add_time(state.exposure, growth_c, dt_s)
    # Done, and kept on the grill: below hot holding it is as cooked food on a table.
    kept = state.done and not cooling and state.fell_s is None
    after = add_time(state.after, growth_c, dt_s) if cooling or kept else state.after
    # A cook by the rule kills what forms histamine; what has formed stays, and so does its clock.
    histamine = state.histamine if state.done else add_time(state.histamine, growth_c, dt_s)
    # A core that fell back has not come up: its clock goes on; one that fell at once may lie on the table.
    hot_core = state.hot_core
    if state.fell_s is None:
        hot_core = low_c >= (COOKED_C - FELL_BACK_C if hot_core else COOKED_C)
    below_hot = state.below_hot_s
    if kept and growth_c >= HOT_C + TOLERANCE_C:
        below_hot = None
    elif (cooling or kept) and below_hot is None and growth_c < HOT_C:
        below_hot = now_s if dt_s <= CORE_FRESH_S else max(now_s - dt_s, state.off_s or 0.0)
    return replace(
        state, exposure=exposure, histamine=histamine, after=after, hot_core=hot_core, below_hot_s=below_hot
    )


def _cooked(
    state: FoodState, plan: FoodPlan, around: _Around, core: float | None, low_c: float, proven_s: float
) -> FoodState:
    """With lethality, time held, and whether it is done: by a measured `core` alone.

    low_c: the core on the cold side. proven_s: how much of the last `dt_s` the core stands for.
    """
    killed_min = lethal_rate(min(low_c, 90.0)) * min(around.dt_s, CORE_FRESH_S) / 60.0
    state = replace(state, lethality_min=state.lethality_min + killed_min)
    if core is None:
        return state
    held = held_s(state.held_s, proven_s, core, plan.done_rule)
    if state.done or held < 60.0 * plan.done_rule.hold_min:
        return replace(state, held_s=held)
    return replace(state, held_s=held, done=True, forecast_s=None)


def _worst_between(before_c: float | None, after_c: float) -> float:
    """The warmest that still lets germs grow, of all a core went through from `before_c` to `after_c`."""
    low, high = sorted((after_c if before_c is None else before_c, after_c))
    return min(high, HOT_C - 1.0) if low < HOT_C else high


def _now_or_better(mean_c: float, pit_c: float, target_c: float) -> float:
    """What a pit that came up says of the time to come: its mean, or what it is now, up to the set point."""
    return max(mean_c, min(pit_c, target_c))


def _forecast(state: FoodState, plan: FoodPlan, around: _Around) -> FoodState:
    """When the rule will be met, from the family in the pit as it has been, drawn to where it is held.

    That is the set point, less what a fire that is too weak, or too hot, has missed it by all along. Until a
    pit that comes up is near it, the pit is as it is now.
    """
    now_s = around.now_s
    if not state.fire or (state.fell_s is not None and now_s - state.fell_s >= FELL_FOR_S):
        return replace(state, forecast_s=None, finish_s=None, finish_beyond=False)
    held_c = around.set_point_c + state.miss_c
    been_c = held_c if state.pit_c is None else state.pit_c
    if not state.settled and around.pit_c is not None:
        been_c = _now_or_better(been_c, around.pit_c, around.set_point_c)
    pit = 0.5 * (been_c + held_c)
    rule = plan.done_rule
    if state.done:
        return replace(state, forecast_s=now_s, finish_s=(now_s, now_s, now_s), finish_beyond=False)
    times = slabs.heating_times_s(state.family, plan.food(), slabs.Air(pit), rule.core_c)
    low, middle, high = slabs.interval_s(times)
    if middle == math.inf or (high == math.inf and coming_up(state)):
        return replace(state, forecast_s=now_s, finish_s=None, finish_beyond=True)
    hold_s = max(0.0, 60.0 * rule.hold_min - state.held_s)
    measured = state.core_s is not None and now_s - state.core_s <= CORE_FRESH_S
    latest_s = None if high == math.inf else now_s + high + hold_s
    finish = (now_s + low + hold_s, now_s + middle + hold_s, latest_s)
    if not measured and state.finish_s is not None:
        finish = _held_unseen(finish, state.finish_s, times, now_s + hold_s)
    return replace(state, forecast_s=now_s, finish_s=finish, finish_beyond=False)


Finish = tuple[float, float, float | None]


def _held_unseen(finish: Finish, before: Finish, times: Sequence[float], hold_ends_s: float) -> Finish:
    """The finish of food that nobody measures. Once a member of the family is hot its hold runs: else the
    finish would stay the hold away for ever.

    times: until each member is hot; the middle is there with half of them, the latest with 95 %.
    """
    there = sum(t <= 0.0 for t in times) / len(times)

    def end_s(now_is_s: float, was_s: float | None, share: float) -> float:
        if there < share:
            return now_is_s
        return hold_ends_s if was_s is None else min(was_s, hold_ends_s)

    latest_s = None if finish[2] is None else end_s(finish[2], before[2], 0.95)
    return end_s(finish[0], before[0], 0.05), end_s(finish[1], before[1], 0.5), latest_s
