"""How the service begins: with the last cook or a new one, and nothing that shut the vents is forgotten."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

from coalminder.core import State, ended, food_over, initial, under
from coalminder.errors import UserError
from coalminder.events import Event, Light, Snuff
from coalminder.food.agenda import under_plan
from coalminder.food.foodplan import FoodPlan
from coalminder.food.foodstate import FoodState
from coalminder.journal import Refusal, Resume, resume
from coalminder.safety.view import SHUT_PHASES
from coalminder.service.clock import Clock, RealClock
from coalminder.service.latch_note import LatchNote
from coalminder.service.latched import keep_latched, with_latched
from coalminder.service.left import with_left, with_left_on_record
from coalminder.service.machine import begun_in_this_boot, count_restarts
from coalminder.service.tender import nothing_unseen
from coalminder.service.unseen import Unseen
from coalminder.settings import Settings
from coalminder.values import NO_FIRE

log = logging.getLogger("coalminder")

Words = Callable[[float], tuple[Event, ...]]
"""now_s -> what the start itself has to say in this step."""


@dataclass(frozen=True, slots=True)
class Beginning:
    """What a run begins with. found: what is left of the last cook. restarts: within the last ten minutes.

    unseen: lets time pass that nobody saw, s, once the wall clock tells of it.
    """

    state: State
    clock: Clock
    found: Resume[State] | Refusal
    restarts: int
    words: Words
    unseen: Callable[[], float]


def begin(
    settings: Settings,
    note: LatchNote,
    utc_s: float,
    clock_at: Callable[[float], Clock],
    *,
    fresh: bool,
    lit: bool,
) -> Beginning:
    """Take up the last cook, or begin one. UserError when the plan of a new one cannot be used.

    note: of an earlier run. fresh: a new cook was asked for. lit: its coals are lit.
    """
    directory, within_s = settings.journal.directory, settings.journal.resume_within
    in_this_boot = begun_in_this_boot(directory, now=False)
    found: Resume[State] | Refusal = Refusal("a fresh cook was asked for")
    if not fresh:
        # yesterday's food of a board without a clock would look like today's
        found = resume(
            directory,
            State,
            utc_s,
            within_s=within_s,
            ended=lambda state: ended(state) or not in_this_boot,
        )
    begins = not isinstance(found, Resume)
    plan = plan_to_follow(settings, resumed=not begins)
    if isinstance(found, Resume):
        blind_s = max(found.age_s, 0.0)
        state, clock = found.state, clock_at((found.state.last_s or 0.0) + blind_s)
        log.info(
            "going on with the cook in %s, phase %s, %.0f s without steps ('--fresh' begins a new one)",
            found.path,
            found.phase,
            blind_s,
        )
        if state.food.off_s is None and food_over(state):
            state = with_left(replace(state, food=FoodState()), found)
    else:
        state, clock = initial(settings.core()), clock_at(0.0)
        log.info("a new cook: %s", found.reason)
        if not fresh:
            state = with_left_on_record(keep_latched(state, directory, utc_s), directory, utc_s)
    restarts = count_restarts(directory, utc_s, None if begins else clock.now_s())
    if begins:
        begun_in_this_boot(directory, now=True)
    first: tuple[Event, ...] = (Light(),) if lit and (begins or state.phase in NO_FIRE) else ()
    if not fresh:
        state, snuff = _as_noted(state, note, clock.now_s())
        first = snuff or first
    words, unseen = _once(*first), nothing_unseen
    if isinstance(found, Resume) and not in_this_boot and isinstance(clock, RealClock):
        age = Unseen(clock, found.last_utc_s, found.age_s)
        words, unseen = _both(words, clock_words(age, within_s)), partial(age.pass_s, within_s)
    if plan is not None:
        plan = plan.on_clock(utc_s, clock.now_s())
        food = under_plan(state.food, state.config.plan, plan, same_clock=in_this_boot)
        state = replace(state, food=food)
    state = _configured(state, settings, plan)
    return Beginning(state, clock, found, restarts, words, unseen)


def plan_to_follow(settings: Settings, *, resumed: bool) -> FoodPlan | None:
    """The plan as configured; None: the one that the resumed cook has, for a fire does not wait for a file.

    UserError when a fresh cook's plan cannot be used.
    """
    try:
        plan = settings.plan()
    except UserError as error:
        if not resumed:
            raise
        log.warning("%s. Going on with the plan that this cook has", error)
        return None
    if plan.set_point_c != settings.band.set_point:
        log.warning(
            "the plan was made for a pit of %.0f °C, and [band] set_point is %.0f: make it anew, or set that",
            plan.set_point_c,
            settings.band.set_point,
        )
    return plan


def _as_noted(state: State, note: LatchNote, now_s: float) -> tuple[State, tuple[Event, ...]]:
    """`state` with the latched faults that were noted beside its record, and a snuff that it lacks."""
    noted = with_latched(state, note.read(), now_s)
    if noted is not state:
        log.warning("the record lacks a latched fault that was noted beside it; the vents stay shut")
    if not note.says_shut() or noted.phase in SHUT_PHASES:
        return noted, ()
    log.warning("the record lacks that the fire was put out, which was noted beside it; snuffing")
    return noted, (Snuff(),)


def _configured(state: State, settings: Settings, plan: FoodPlan | None) -> State:
    """`state` under the configuration as it is now. plan: None goes on with its own."""
    now = under(state, replace(settings.core(), plan=state.config.plan if plan is None else plan))
    if now.set_point_c != state.set_point_c:
        log.warning(
            "the set point is %.0f °C now, by the configuration; it was %.0f",
            now.set_point_c,
            state.set_point_c,
        )
    return now


def _once(*events: Event) -> Words:
    """`events` in the first step."""
    waiting = list(events)

    def words(_now_s: float) -> tuple[Event, ...]:
        said = tuple(waiting)
        waiting.clear()
        return said

    return words


def clock_words(unseen: Unseen, within_s: float) -> Words:
    """Snuff, when the wall clock is put right and the resumed cook turns out to be older than `within_s`.

    A board without a clock of its own starts where it stopped, and yesterday's cook looks like today's.
    """
    said = False

    def words(_now_s: float) -> tuple[Event, ...]:
        nonlocal said
        if said or unseen.age_s() <= within_s:
            return ()
        said = True
        log.warning("the clock was put right: the cook that went on is an old one; snuffing")
        return (Snuff(),)

    return words


def _both(first: Words, second: Words) -> Words:
    return lambda now_s: first(now_s) + second(now_s)
