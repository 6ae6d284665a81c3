"""Whatever happens, in whatever order: promises of the docs that hold at every step of a random story.

The short form runs here, with fixed seeds. The long form prints a failing story made as short as it gets:

    PYTHONPATH=tests python tests/core/test_random_stories.py 1000
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict
from itertools import product
from pathlib import Path

import pytest
from stories import Deed, Moment, World, shortest, story

from coalminder.codec import from_plain, to_plain
from coalminder.core import State, air, step
from coalminder.events import Acknowledge, Event, Reset, Shelve
from coalminder.food.agenda import OPENS_LID
from coalminder.safety.faults import BY_CODE
from coalminder.values import Action, Alarm, AlarmState, Outcome, Reading

DOCS = Path(__file__).parents[2] / "docs"
FIRE = frozenset({"lighting", "settling", "tending", "lid_off", "easing"})
SEEN_BY_CORE = ("lid_off", "lid_on", "nearing", "steady", "cooled")
CODEC_EVERY = 200


def _tables(page: str) -> Iterator[dict[str, dict[str, str]]]:
    """The tables of a page: by first cell, then by head."""
    for block in (DOCS / page).read_text("utf-8").split("\n\n"):
        rows = [
            [cell.strip(" `") for cell in line.strip("|").split("|")]
            for line in block.splitlines()
            if line[:1] == "|"
        ]
        if rows:
            yield {row[0]: dict(zip(rows[0], row, strict=True)) for row in rows[2:]}


(MOVES,) = _tables("states.md")
LIVES = [
    table for table in _tables("safety.md") if "normal" in table
]  # alarms that do not latch, and those that do


class Rules:
    """What must hold; `see` says what does not, one line each."""

    def __init__(self) -> None:
        self.since_s: dict[str, float] = {}
        self.latched: frozenset[str] = frozenset()
        self.blinds: set[str] = set()
        self.hold_s, self.read_s, self.steps = 0.0, 0.0, 0

    def see(self, m: Moment) -> Iterator[str]:
        self.steps += 1
        for rule in (
            self.phases, self.vents, self.alarms, self.cut_offs,
            self.answers, self.food, self.words, self.figures,
        ):  # fmt: skip
            yield from (f"{rule.__name__}: {wrong}" for wrong in rule(m))
        if m.restarted or self.steps % CODEC_EVERY == 0:
            yield from self.bits(m)

    # docs/states.md

    def phases(self, m: Moment) -> Iterator[str]:
        """Only along the table; from cold a pit that is hot and rises is a fire nobody spoke of."""
        at = {str(m.before.phase)}
        words = [event.kind for event in m.inputs.events if isinstance(event, Event)]
        for move in [kind for kind in words if kind in MOVES["cold"]]:
            at |= self._moved(at, move, m)
        if "set_point" in words:
            at |= self._moved({"easing"} & {m.before.before_lid}, "set_point", m)
        for move in SEEN_BY_CORE:
            at |= self._moved(at, move, m)
        at |= {"lighting"} & {"lighting" if "cold" in at else ""}
        at |= self._moved(at, "fault", m) | self._moved(at, "reset", m)
        if str(m.decision.phase) not in at:
            yield f"{m.before.phase} to {m.decision.phase} by {words}"
        if words[-1:] == ["snuff"] and m.decision.phase in FIRE:
            yield "snuff was not obeyed"

    def _moved(self, at: set[str], move: str, m: Moment) -> set[str]:
        cells = {MOVES[phase][move] for phase in at} - {"–", "refused"}
        return {str(m.before.before_lid) if cell == "back" else cell for cell in cells}

    def vents(self, m: Moment) -> Iterator[str]:
        """Shut where the table says so; docs/safety.md: a throttle gives no more than the air floor."""
        lower, upper = m.decision.lower, m.decision.upper
        if not (0.0 <= lower <= 1.0 and 0.0 <= upper <= 1.0):
            yield f"{lower}, {upper}"
        if MOVES[str(m.decision.phase)]["vents"] == "shut" and lower + upper > 0.0:
            yield f"open in {m.decision.phase}"
        acting = [
            a.code
            for a in m.decision.alarms
            if a.active
            and a.state is not AlarmState.SUPPRESSED
            and a.action.severity >= Action.THROTTLE.severity
        ]
        floor, _ = air.share(m.state.air.floor_v, m.state.config.split)
        if acting and lower > max(m.before.lower, floor) + 1e-6:
            yield f"opened from {m.before.lower:.3f} to {lower:.3f} under {acting}"

    # docs/safety.md

    def alarms(self, m: Moment) -> Iterator[str]:
        """Life by ISA-18.2's table; people's signals come from people."""
        was = {r.code: r.state for r in m.before.safety.records}
        now = {a.code: a.state for a in m.decision.alarms}
        for code in was.keys() | now.keys():
            old, new = was.get(code, AlarmState.NORMAL), now.get(code, AlarmState.NORMAL)
            life, reach = LIVES[BY_CODE[code].latched], {str(old)}
            for _ in range(3):
                reach |= {cell for state in reach for cell in life[state].values() if cell != "–"}
            if str(new) not in reach:
                yield f"{code} from {old} to {new}"
            if "acknowledged" in {str(new)} - {str(old)} and not self._asked(m, Acknowledge):
                yield f"{code} acknowledged by nobody"
            if new is AlarmState.SHELVED is not old and not self._asked(m, Shelve):
                yield f"{code} shelved by nobody"
            if BY_CODE[code].latched and new is AlarmState.NORMAL is not old and not self._asked(m, Reset):
                yield f"{code} unlatched by nobody"
        for alarm in m.decision.alarms:
            yield from self._alarm(alarm, m)
        if sum(alarm.first_out for alarm in m.decision.alarms) > 1:
            yield "two first-outs"

    def _alarm(self, alarm: Alarm, m: Moment) -> Iterator[str]:
        active = alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
        over = alarm.state.startswith(("returned", "latched"))
        if (active and not alarm.active) or (over and alarm.active):
            yield f"{alarm.code} {alarm.state}, active {alarm.active}"
        if not (alarm.message and alarm.remedy and alarm.raised_s <= m.now_s):
            yield f"{alarm}"

    def _asked(self, m: Moment, kind: type[Event]) -> bool:
        return any(isinstance(e, kind) and outcome.accepted for e, outcome in answered(m))

    def cut_offs(self, m: Moment) -> Iterator[str]:
        """A latched fault and cut off are one; over the hard limit, or blind, no longer than the rows say."""
        latched = [a.code for a in m.decision.alarms if BY_CODE[a.code].cuts_off]
        if bool(latched) != (m.decision.phase == "cut_off"):
            yield f"{m.decision.phase} with {latched}"
        lost = self.latched - set(latched)
        if lost and not self._asked(m, Reset):
            yield f"{lost} forgotten"
        self.latched = frozenset(latched)
        limits, gap = m.state.config.limits, m.inputs.machine.blind_start
        pits = [
            s for s in (m.inputs.pit, m.inputs.pit_2) if isinstance(s, Reading) and s.age_s <= limits.stale_s
        ]
        shown = [s.temp_c for s in pits if math.isfinite(s.temp_c)]
        blind = not shown and m.decision.phase in FIRE and m.before.phase in FIRE
        hot = max(shown, default=0.0) > limits.hard_limit_c
        # each kind of fault has a minute of its own
        self.blinds = self.blinds | {getattr(m.inputs.pit, "kind", "old")} if blind else set()
        blind_s = 70.0 * len(self.blinds)
        for name, there, within_s in (("blind", blind, blind_s), ("over the hard limit", hot, 20.0)):
            if gap or not there:  # in a gap nobody looked
                self.since_s.pop(name, None)
            lasts_s = m.now_s - self.since_s.setdefault(name, m.now_s) if there else 0.0
            if lasts_s > within_s + m.dt_s and not latched:
                yield f"{name} for {lasts_s:.0f} s"
        by_pit = any(r.code.startswith("pit_") and BY_CODE[r.code].latched for r in m.before.safety.records)
        if by_pit and not shown and self._asked(m, Reset):
            yield "reset though nobody can tell whether the cause is gone"

    # docs/mqtt.md: every command is answered, and a refusal says why

    def answers(self, m: Moment) -> Iterator[str]:
        if len(m.decision.outcomes) != len(m.inputs.events):
            yield f"{len(m.decision.outcomes)} answers to {len(m.inputs.events)}"
        yield from (f"{o}" for o in m.decision.outcomes if o.accepted == bool(o.reason))

    # docs/food.md, docs/plan.md

    def food(self, m: Moment) -> Iterator[str]:
        """Done needs the rule's time of readings; neither heat, cold nor a restart gives warm time back."""
        old, new, rule = m.before.food, m.state.food, m.state.config.plan.done_rule
        sample = m.inputs.foods[0][1]
        core_c = sample.temp_c if isinstance(sample, Reading) and sample.age_s <= 60.0 else math.nan
        if core_c < rule.core_c - 3.0:  # more than noise, which two readings' mean takes the edge off
            self.hold_s = 0.0
        elif core_c > rule.core_c - 0.3:  # a gap in the readings counts for a minute at most
            self.hold_s += min(m.now_s - self.read_s, 60.0)
        self.read_s = m.now_s if math.isfinite(core_c) else self.read_s
        if new.done and not old.done and (new.off_s is not None or self.hold_s < 60.0 * rule.hold_min - 15.0):
            yield f"done after {self.hold_s:.0f} s of readings, off {new.off_s}"
        if old.now_s is None or old.loaded_s != new.loaded_s:
            return
        for name, part in product(("raw", "exposure", "histamine"), ("growth_s", "above_4_s", "ever_warm")):
            if getattr(getattr(new, name), part) < getattr(getattr(old, name), part):
                yield f"{name}.{part} went back"
        spent = dict(m.state.safety.evidence.exposed_s)
        if any(spent.get(name, 0.0) < before_s for name, before_s in m.before.safety.evidence.exposed_s):
            yield "time between 5 and 57 °C went back"

    def words(self, m: Moment) -> Iterator[str]:
        """What is asked for fits the fire, and no alarm beside it says the contrary."""
        advice, view = set(m.decision.advice), m.state.food.view
        reminders = {reminder.code.removeprefix("step_") for reminder in view.reminders}
        if advice and m.decision.phase not in ("settling", "tending", "easing"):
            yield f"{advice} in {m.decision.phase}"
        if {"relight", "check_lid_seal"} <= advice:
            yield "relight, and the lid leaks"
        over = [r.code for r in m.before.safety.records if r.code == "pit_over_ceiling" and r.active]
        opens = (advice - {"check_lid_seal", "fire_not_needed"}) | (reminders & OPENS_LID)
        if over and opens and over[0] in {alarm.code for alarm in m.decision.alarms if alarm.active}:
            yield f"{opens} beside '{BY_CODE[over[0]].remedy}'"
        if m.before.phase not in FIRE and m.decision.phase not in FIRE and reminders & OPENS_LID:
            yield f"{reminders} in {m.decision.phase}"
        if "food_done" in reminders and not view.done:
            yield "'done' of food that is not"

    # docs/architecture.md: pure, and the state is plain values

    def figures(self, m: Moment) -> Iterator[str]:
        d = m.decision
        figures = {"pit_c": d.pit_c, "set_point_c": d.set_point_c, **asdict(d.terms), **asdict(d.fire)}
        yield from (f"{k} {v}" for k, v in figures.items() if v is not None and not math.isfinite(v))

    def bits(self, m: Moment) -> Iterator[str]:
        """The state goes through the journal's form bit for bit, and the step from there is the same."""
        before, after = (json.dumps(to_plain(state), allow_nan=False) for state in (m.before, m.state))
        state, decision = step(from_plain(State, json.loads(before)), m.inputs, m.now_s)
        if json.dumps(to_plain(state)) != after or repr(decision) != repr(m.decision):
            yield "another step from the journal's form"
        if len(after) > 40_000:
            yield f"a state of {len(after)} bytes"


def answered(m: Moment) -> Iterator[tuple[Event, Outcome]]:
    """Events with their answers: those of the core come before those of the cut-offs."""
    events = [event for event in m.inputs.events if isinstance(event, Event)]
    events.sort(key=lambda event: isinstance(event, (Acknowledge, Shelve, Reset)))
    return zip(events, m.decision.outcomes, strict=False)


def first_wrong(deeds: tuple[Deed, ...], seed: int) -> str:
    """The first promise broken and when, "" when all were kept."""
    world, rules = World(deeds, seed), Rules()
    try:
        for moment in world.moments():
            for wrong in rules.see(moment):
                return f"{wrong} [{moment.now_s:.0f} s]"
    except Exception as error:
        return f"exception: {type(error).__name__}: {error} [{world.now_s:.0f} s]"
    return ""


@pytest.mark.parametrize("seed", range(12))
def test_every_promise_holds_at_every_step_of_a_random_story(seed: int) -> None:
    assert first_wrong(story(seed), seed) == ""


def test_a_story_that_fails_is_told_in_its_shortest_form() -> None:
    deeds = story(1)
    fails: Callable[[tuple[Deed, ...]], bool] = lambda some: deeds[3] in some and deeds[-1] in some  # noqa: E731
    assert shortest(deeds, fails) == (deeds[3], deeds[-1])


if __name__ == "__main__":
    for number in range(int(sys.argv[1])):
        if wrong := first_wrong(story(number), number):
            name = wrong.split(":")[0]
            least = shortest(story(number), lambda d, n=number, w=name: first_wrong(d, n).split(":")[0] == w)
            print(f"story {number}: {first_wrong(least, number)}", *least, sep="\n    ")
        elif number % 50 == 0:
            print(f"story {number}: all kept")
