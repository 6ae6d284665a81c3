"""Following one cook: what the food is like now, when it will be done, and what to do next.

Owns: the stepper `follow`, pure and cheap (most calls return at once; the slabs move every 20 s, a reading is
taken in every 60 s, the finish is forecast every 5 min). Must not know: fire, alarms, MQTT. It never says
`done` without a measured core temperature.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from coalminder.events import FoodStep, WoodAdded
from coalminder.food import ensemble as slabs
from coalminder.food.doneness import TOLERANCE_C, held_s, lethal_rate
from coalminder.food.exposure import BATCH_OUT_S, COOKED_C, HOT_C, NO_EXPOSURE, add_time
from coalminder.food.foodplan import FoodPlan
from coalminder.food.foodstate import FoodState, FoodView
from coalminder.food.foodview import CORE_FRESH_S, ran_out, view_of
from coalminder.values import ProbeFault, Reading, Sample

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
FELL_BACK_C = 3.0
"""A core this far below the come-up clock's temperature has lost it again: more than a lid lift takes."""
FELL_FOR_S = 600.0
"""A core far too low for so long is another piece's, not a probe that was held in the air for a moment."""
ON_TABLE_C = 30.0
"""What fell below this may as well be a probe that lies on the table [estimate]."""
NEAR_AIR_C = 20.0
"""What shows more than the pit less this may be the pit's air beside the food [estimate]."""
BEYOND_C = 15.0
"""Such a reading is believed no further than this from the model, however unsure that is [estimate]."""
NEAR_C = 5.0
"""Nor is a probe that was refused as hopeless, further than this: the slabs' spread grows while it is."""
HOPELESS = 1.6
"""This many times what the model may be wrong by (20 °C as food is laid on: fish from a warm kitchen) is the
air's share in a probe that is half out [estimate]."""
PUT_RIGHT_C = 10.0
"""A refused probe that falls by so much was moved, and is judged afresh."""
THAWED_C = 0.5
JUST_LOADED_C = 12.0
"""Ice is looked for only in food that is still so cold: later the probe is held in frosty air [estimate]."""
SHOWN_MEAN_S = 300.0
JUMP_C = 10.0
"""Food gains less on the mean of its last minutes; what stood there before 'loaded' was reported late."""
OVER_PIT_C = 3.0
"""A core in drying food stays under the air around it; so far the probes may differ [estimate]."""
GOES_BACK_S = 3600.0
COOL_FILM_W_M2K = 9.0
FRIDGE_FILM_W_M2K = 8.0
"""Film of food in still air and in a refrigerator: convection 4, radiation 5 [estimate]."""


def refuse_reason(state: FoodState, step: str) -> str:
    """Why a reported `step` makes no sense now; "" when it does."""
    if step not in ("loaded", "rotated", "off", "chilled"):
        return f"unknown food step '{step}': loaded, rotated, off or chilled"
    if step == "loaded" and state.loaded_s is not None and state.off_s is None:
        return "the food is on the grill already"
    if step in ("rotated", "off") and (state.loaded_s is None or state.off_s is not None):
        return "no food is on the grill: report 'loaded' first"
    if step == "chilled" and state.off_s is None and state.before_off_s is None:
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
) -> tuple[FoodState, FoodView]:
    """One step. Same arguments, same result.

    pit_c: None while the pit is not known. core_samples: (name, sample) of each food probe; the coldest
    trusted one counts, once it is off the warmest. events: reports since the last call; others than FoodStep
    and WoodAdded are ignored, and so is a report that `refuse_reason` refuses. now_s: the clock of the plan's
    due times; must not fall.
    set_point_c: what the pit is held at now (default: the plan's). ambient_c: measured air outside. fire: the
    vents feed a fire; without one nothing is foretold.
    """
    changed = fire is not state.fire
    state = replace(state, fire=fire, forecast_s=None) if changed else state
    if fire and state.loaded_s is not None and not state.heated:
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
    state = _tick(state, plan, pit_c, core_samples, now_s, max(0.0, dt_s), set_point_c, ambient_c)
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
        core_c, _ = slabs.spread([slabs.core_of(m) for m in state.family])
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
        if state.off_s is not None:  # another batch, kept cold till now: its steps are all to be done again
            reports, planned = (("loaded", now_s),), now_s
        outside_c = plan.ambient_c if ambient_c is None else max(plan.ambient_c, ambient_c)
        raw = add_time(plan.before, outside_c, now_s - planned)
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
            shown_c=state.shown_c,
            before_off_s=_before_off_s(state, now_s),
        )
    if step == "chilled" and state.off_s is None:  # the batch before: this one is on the grill
        return replace(state, before_off_s=None)
    if step == "off":
        return replace(state, off_s=now_s, reports=reports, finish_s=None)
    if step == "chilled":
        return replace(state, chilled_s=now_s, before_off_s=None, reports=reports)
    return replace(state, reports=reports)


def _before_off_s(state: FoodState, now_s: float) -> float | None:
    """When the batch came off that cools on while another is loaded; one over its time was told before."""
    if state.before_off_s is not None or state.off_s is None or state.chilled_s is not None:
        return state.before_off_s
    return state.off_s if now_s - state.off_s <= BATCH_OUT_S else None


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


def _trusted(samples: Sequence[tuple[str, Sample]]) -> dict[str, float]:
    """The cores that can be believed, by the names of their probes."""
    return {
        name: s.temp_c
        for name, s in samples
        if isinstance(s, Reading) and s.age_s <= CORE_FRESH_S and -30 < s.temp_c < 130
    }


def _slowest(
    samples: Sequence[tuple[str, Sample]],
    cores: Mapping[str, float],
    read_s: Mapping[str, float],
    now_s: float,
    cooling: bool,
) -> tuple[float | None, str]:
    """The trusted core that is behind the others, the warmest when it cools; without one, why.

    read_s: when each probe was last read. One that has fallen silent may sit in the slowest piece: then what
    the others show is no measurement of it.
    """
    silent = [name for name, _ in samples if now_s - read_s.get(name, now_s) > CORE_FRESH_S]
    if cores and silent:
        which, left = ("warmest", "that is left") if cooling else ("coldest", "on the grill")
        remedy = f"plug it in again, its tip in the middle of the {which} piece {left}"
        return None, f"{', '.join(silent)}: silent, and perhaps in the {which} piece: {remedy}"
    if cores:
        return (max if cooling else min)(cores.values()), ""
    faults = [f"{name}: {s.kind.value.replace('_', ' ')}" for name, s in samples if isinstance(s, ProbeFault)]
    return None, f"{', '.join(faults)}: look at plug and cable" if faults else ""


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
    target_c = plan.set_point_c if set_point_c is None else set_point_c
    state = _missed(state, None if pit_c is None else pit_c - target_c, now_s, dt_s)
    cores = _trusted(core_samples)
    before_c = state.shown_c
    state = _shown(state, cores, dt_s)
    if state.loaded_s is None:
        return replace(state, now_s=now_s)
    food = plan.food()
    read_s = dict(state.read_s) | dict.fromkeys(cores, now_s)
    state = replace(state, read_s=tuple(read_s.items()))
    core, doubt = _slowest(core_samples, cores, read_s, now_s, state.off_s is not None)
    family = state.family
    air = _air(state, plan, pit_c, set_point_c, ambient_c)
    model_s = state.model_s
    if now_s - model_s >= MODEL_S:
        family = slabs.advance(family, food, air, now_s - model_s)
        model_s = now_s
    mean, sd = slabs.spread([slabs.core_of(m) for m in family])
    if core is not None and _icy(state, core, mean):
        family = slabs.start(replace(food, start_c=core))
        mean, sd = slabs.spread([slabs.core_of(m) for m in family])
    beyond_c = 5.0 * sd + 5.0
    if core is not None:
        jumped = before_c is None or core > before_c + JUMP_C
        wrong, refused_c = _misplaced(state, core, mean, beyond_c, jumped, air.temp_c)
        state = replace(state, refused_c=refused_c)
        core, doubt = (None, wrong) if wrong else (core, doubt)
    proven_s = _proven_s(state, plan, now_s, dt_s)
    # A core that fell all at once is the air's or another piece's. It counts, but teaches nothing of this
    # one; when it stays, the family starts again with it.
    fell = core is not None and state.off_s is None and core < mean - beyond_c
    fell_s = None if not fell else now_s if state.fell_s is None else state.fell_s
    another = fell_s is not None and now_s - fell_s >= FELL_FOR_S
    if core is not None and another and core > ON_TABLE_C:
        family, fell, fell_s = slabs.start(replace(food, start_c=core)), False, None
        state = replace(state, forecast_s=None, strain=0.0, held_s=0.0, done=False)
    back = state.fell_s is not None and not fell
    state = replace(state, fell_s=fell_s)
    if core is not None:
        # two readings' mean takes the edge off a probe's noise
        since_s = math.inf if state.core_s is None else now_s - state.core_s
        old = state.core_c if since_s <= CORE_FRESH_S and not back else None
        core = core if old is None else old + min(1.0, since_s / 30.0) * (core - old)
        state = replace(state, core_c=core, core_s=now_s)
        if not fell and now_s - state.assimilated_s >= ASSIMILATE_S:
            family = slabs.assimilate(family, food, core, READING_ERROR_C, INFLATION)
            state = replace(state, assimilated_s=now_s, strain=slabs.strain(family, food))
            mean, sd = slabs.spread([slabs.core_of(m) for m in family])
    state = replace(state, now_s=now_s, family=family, model_s=model_s, doubt=doubt)
    low = core if core is not None else mean - slabs.Z90 * sd
    state = _account(state, plan, core, low, mean + slabs.Z90 * sd, now_s, dt_s, proven_s)
    if state.off_s is None and (state.forecast_s is None or now_s - state.forecast_s >= FORECAST_S):
        state = _forecast(state, plan, now_s, target_c)
    return state


def _missed(state: FoodState, miss_c: float | None, now_s: float, dt_s: float) -> FoodState:
    """With what the pit has been off its set point by, in the long run; a miss that is made good is over."""
    since_s = 0.0 if state.loaded_s is None else now_s - state.loaded_s
    if miss_c is None or not state.fire or since_s < MISSES_FROM_S:
        return state
    miss_c = min(max(miss_c, -MISS_MOST_C), MISS_MOST_C)
    mean_c = state.miss_c + min(1.0, dt_s / MISS_MEAN_S) * (miss_c - state.miss_c)
    return replace(state, miss_c=min(max(mean_c, min(miss_c, 0.0)), max(miss_c, 0.0)))


def _shown(state: FoodState, cores: Mapping[str, float], dt_s: float) -> FoodState:
    """With the mean of what the coldest core probe showed lately, also before the food was reported."""
    if not cores:
        return state
    coldest = min(cores.values())
    before = coldest if state.shown_c is None else state.shown_c
    return replace(state, shown_c=before + min(1.0, dt_s / SHOWN_MEAN_S) * (coldest - before))


def _misplaced(
    state: FoodState, core: float, mean_c: float, beyond_c: float, jumped: bool, around_c: float
) -> tuple[str, float | None]:
    """Why `core` cannot be the middle of this food, "" when it can; and `refused_c` from now on.

    beyond_c: how wrong the model may be; it grows while nothing is believed, so that without `refused_c` any
    probe would be believed in the end. around_c: the air that cools the food.
    """
    refused_c = state.refused_c
    air_c = math.inf if state.pit_c is None else state.pit_c
    near_air = core > air_c - NEAR_AIR_C
    if state.off_s is None:
        hopeless_c = BEYOND_C if near_air else HOPELESS * beyond_c
        beyond_c = min(beyond_c, BEYOND_C) if near_air else beyond_c
        refused = refused_c is not None and core > refused_c - PUT_RIGHT_C
        beyond_c = NEAR_C if refused else beyond_c
        is_air = core > air_c - OVER_PIT_C and (refused or jumped)
        over = core > max(air_c + OVER_PIT_C, mean_c + NEAR_C)
        if over or core > mean_c + beyond_c or (is_air and refused):
            hopeless = is_air or (core > mean_c + hopeless_c and (jumped or near_air))
            if hopeless or refused_c is not None:
                refused_c = core if refused_c is None else max(core, refused_c)
            why = f"core probe shows {core:.0f} °C, more than this food can be: is it in the middle of it?"
            return why, refused_c
        return "", None if refused else refused_c
    # pulled out, or left in the grill; in the refrigerator a pile may well be warmer than its model
    hot = refused_c is not None and refused_c > mean_c and near_air  # it was refused on the grill
    pulled = core < mean_c - (2.0 * beyond_c if refused_c is None or hot else NEAR_C)
    left = state.chilled_s is None and core > mean_c + (NEAR_C if hot else 2.0 * beyond_c)
    if pulled or left:
        air = pulled and core - around_c < mean_c - core
        why = f"core probe shows {core:.0f} °C, and this food must be near {mean_c:.0f} °C: "
        return why + "is it still in it?", core if air else refused_c
    return "", None


def _icy(state: FoodState, core: float, mean_c: float) -> bool:
    """Whether there is ice in the core, or was just now: the slabs know none, and begin when it is gone."""
    was_icy = state.core_c is not None and state.core_c < THAWED_C
    return state.off_s is None and mean_c < JUST_LOADED_C and (core < THAWED_C or was_icy)


def _proven_s(state: FoodState, plan: FoodPlan, now_s: float, dt_s: float) -> float:
    """What a reading now proves of the last `dt_s`: nothing, unless the one just before it was hot too."""
    if state.core_c is None or state.core_s is None or state.core_c < plan.done_rule.core_c - TOLERANCE_C:
        return 0.0
    since_s = now_s - state.core_s
    return min(since_s, CORE_FRESH_S) if since_s <= max(dt_s, CORE_FRESH_S) else 0.0


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
    proven_s: float,
) -> FoodState:
    """Hold time, lethality, exposure and cooling for the last `dt_s`.

    core: measured or None. proven_s: how much of the time it stands for, for the done rule. low_c, high_c:
    the core on the cold and on the warm side. Heating counts the coldest place, cooling the warmest.
    """
    cooling = state.off_s is not None
    growth_c = (core if core is not None else high_c) if cooling else low_c
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
    held, lethality, done = state.held_s, state.lethality_min, state.done
    if not cooling:
        lethality += lethal_rate(min(low_c, 90.0)) * min(dt_s, CORE_FRESH_S) / 60.0
        if core is not None:
            held = held_s(held, proven_s, core, plan.done_rule)
        done = done or (core is not None and held >= 60.0 * plan.done_rule.hold_min)
    return replace(
        state,
        exposure=exposure,
        histamine=histamine,
        after=after,
        hot_core=hot_core,
        below_hot_s=below_hot,
        held_s=held,
        lethality_min=lethality,
        done=done,
    )


def _worst_between(before_c: float | None, after_c: float) -> float:
    """The warmest that still lets germs grow, of all a core went through from `before_c` to `after_c`."""
    low, high = sorted((after_c if before_c is None else before_c, after_c))
    return min(high, HOT_C - 1.0) if low < HOT_C else high


def _forecast(state: FoodState, plan: FoodPlan, now_s: float, target_c: float) -> FoodState:
    """When the rule will be met, from the family in the pit as it has been, drawn to where it is held.

    That is the set point, less what a fire that is too weak, or too hot, has missed it by all along.
    """
    if not state.fire or (state.fell_s is not None and now_s - state.fell_s >= FELL_FOR_S):
        return replace(state, forecast_s=None, finish_s=None, finish_beyond=False)
    held_c = target_c + state.miss_c
    pit = held_c if state.pit_c is None else 0.5 * (state.pit_c + held_c)
    rule = plan.done_rule
    if state.done:
        return replace(state, forecast_s=now_s, finish_s=(now_s, now_s, now_s), finish_beyond=False)
    times = slabs.heating_times_s(state.family, plan.food(), slabs.Air(pit), rule.core_c)
    low, middle, high = slabs.interval_s(times)
    hold = max(0.0, 60.0 * rule.hold_min - state.held_s)
    if middle == math.inf:
        return replace(state, forecast_s=now_s, finish_s=None, finish_beyond=True)
    latest_s = None if high == math.inf else now_s + high + hold
    finish = (now_s + low + hold, now_s + middle + hold, latest_s)
    return replace(state, forecast_s=now_s, finish_s=finish, finish_beyond=False)
