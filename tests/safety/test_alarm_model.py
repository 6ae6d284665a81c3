"""Random orders of faults, people, phases, restarts and clocks against a model of the promises.

The model knows no table and no timer of the cut-offs: it only keeps, for each row it plays with, since
when the condition has been there or known to be gone, and what people were told. It checks that no active
alarm is lost, that safe beats comfortable, and that nothing un-latches without a person.
"""

from __future__ import annotations

import json
from dataclasses import replace

from cutoffs import NOISE
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from coalminder.codec import from_plain, to_plain
from coalminder.events import Acknowledge, Reset, Shelve
from coalminder.safety.assess import SafetyState, Verdict, assess, initial
from coalminder.safety.faults import BY_CODE, FAULTS
from coalminder.safety.limits import Limits
from coalminder.safety.view import View
from coalminder.values import HEALTHY, Action, AlarmState, Phase, ProbeFault, ProbeFaultKind, Reading

# row -> the flag of the machine that is its whole condition
FLAGS = {
    "vent_driver_failed": "vent_driver_failed",
    "servo_supply_low": "servo_supply_low",
    "under_voltage": "under_voltage",
    "board_hot": "board_hot",
    "disk_failed": "disk_failed",
    "journal_corrupt": "journal_corrupt",
    "settings_changed": "settings_changed",
}
HOT = "pit_over_hard_limit"
SOFT = "pit_over_ceiling"
PLAYED = (*FLAGS, HOT, SOFT)
PHASES = (
    Phase.TENDING,
    Phase.SETTLING,
    Phase.EASING,
    Phase.LID_OFF,
    Phase.SNUFFING,
    Phase.CUT_OFF,
    Phase.OUT,
)
ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
codes = st.sampled_from(PLAYED)


class CutOffs(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.state: SafetyState = initial(0.0)
        self.now_s = 0.0
        self.limits = Limits()
        self.on: set[str] = set()
        self.pit_c: float | None = 93.0
        self.phase = Phase.TENDING
        self.verdict = Verdict()
        self.there_s: dict[str, float] = {}  # seconds that the condition has been there without a break
        self.latched: set[str] = set()  # raised, and no reset accepted since
        self.seen: set[str] = set()  # acknowledged since it was raised last
        self.was_active: set[str] = set()
        self.unseen: set[str] = set()  # raised, and neither acknowledged, reset nor put aside since

    # -- the world

    def _view(self) -> View:
        machine = replace(HEALTHY, **{FLAGS[code]: True for code in self.on})  # type: ignore[arg-type]
        noise = NOISE[int(self.now_s) % len(NOISE)]
        pit = ProbeFault(ProbeFaultKind.BUS) if self.pit_c is None else Reading(self.pit_c + noise)
        return View(self.phase, pit, 93.0, 0.04, 0.012, machine=machine)

    def _known(self, code: str) -> bool | None:
        """Whether the row's condition is there, by the model; None: cannot be told."""
        if code in FLAGS:
            return code in self.on
        if self.pit_c is None:
            return None
        return self.pit_c > (self.limits.hard_limit_c if code == HOT else self.limits.ceiling_c)

    def _step(self, *events: object) -> None:
        self.state, self.verdict = assess(self.state, self._view(), self.limits, events, self.now_s)
        self.now_s += 1.0
        for code in PLAYED:
            known = self._known(code)
            if known is not None:
                self.there_s[code] = self.there_s.get(code, 0.0) + 1.0 if known else 0.0
        for alarm in self.verdict.alarms:
            if alarm.active and alarm.code not in self.was_active:
                self.seen.discard(alarm.code)
            if alarm.active and BY_CODE[alarm.code].latched:
                self.latched.add(alarm.code)
        for alarm in self.verdict.alarms:
            if alarm.state in ASIDE:
                self.unseen.discard(alarm.code)
            elif alarm.state is AlarmState.UNACKNOWLEDGED:
                self.unseen.add(alarm.code)
        self.was_active = {alarm.code for alarm in self.verdict.alarms if alarm.active}

    def _alarm(self, code: str):  # type: ignore[no-untyped-def]
        return next((alarm for alarm in self.verdict.alarms if alarm.code == code), None)

    # -- what happens

    @rule(code=st.sampled_from(tuple(FLAGS)))
    def comes(self, code: str) -> None:
        self.on.add(code)
        self._step()

    @rule(code=st.sampled_from(tuple(FLAGS)))
    def goes(self, code: str) -> None:
        self.on.discard(code)
        self._step()

    @rule(pit_c=st.sampled_from((93.0, 116.0, 130.0, 159.0, 180.0)))
    def pit_is(self, pit_c: float) -> None:
        self.pit_c = pit_c
        self._step()

    @rule()
    def probe_is_lost(self) -> None:
        self.pit_c = None
        self._step()

    @rule(seconds=st.sampled_from((1, 5, 20, 70, 400)))
    def time_passes(self, seconds: int) -> None:
        for _ in range(seconds):
            self._step()

    @rule(phase=st.sampled_from(PHASES))
    def phase_becomes(self, phase: Phase) -> None:
        self.phase = phase
        self._step()

    @rule(code=codes)
    def person_acknowledges(self, code: str) -> None:
        before = self._alarm(code)
        self._step(Acknowledge(code=code))
        outcome = self.verdict.outcomes[0]
        if outcome.accepted:
            self.seen.add(code)
            self.unseen.discard(code)
        elif before is not None and before.active and code in self.was_active:
            raise AssertionError(f"an active alarm could not be acknowledged: {outcome.reason}")

    @rule()
    def person_acknowledges_all(self) -> None:
        self._step(Acknowledge())
        self.seen |= {alarm.code for alarm in self.verdict.alarms} | self.was_active
        self.unseen.clear()
        assert self.verdict.outcomes[0].accepted

    @rule(code=codes, for_s=st.sampled_from((0.0, 30.0, 900.0, 7200.0, 7201.0, -1.0)))
    def person_shelves(self, code: str, for_s: float) -> None:
        self._step(Shelve(code=code, for_s=for_s))
        outcome = self.verdict.outcomes[0]
        if BY_CODE[code].latched or not 0 <= for_s <= self.limits.shelf_max_s:
            assert not outcome.accepted
            assert outcome.reason

    @rule()
    def person_resets(self) -> None:
        self._step(Reset())
        outcome = self.verdict.outcomes[0]
        assert outcome.accepted or outcome.reason
        if outcome.accepted:
            assert self.latched, "a reset was accepted with nothing latched"
            for code in self.latched & set(PLAYED):
                assert self._known(code) is False, f"reset while '{code}' was there or unknown"
            self.unseen -= self.latched
            self.latched.clear()

    @rule()
    def daemon_restarts(self) -> None:
        """What is stored and read back is the same, and goes on the same."""
        back = from_plain(SafetyState, json.loads(json.dumps(to_plain(self.state))))
        assert back == self.state
        self.state = back
        self._step()

    @precondition(lambda self: self.now_s > 500.0)
    @rule()
    def control_clock_starts_again(self) -> None:
        self.now_s = 0.0
        self._step()

    # -- what must hold

    @invariant()
    def no_active_alarm_is_lost(self) -> None:
        for code in PLAYED:
            row = BY_CODE[code]
            if self.there_s.get(code, 0.0) > row.on_delay_s + 1.0:
                alarm = self._alarm(code)
                assert alarm is not None, (
                    f"'{code}' has been there for {self.there_s[code]} s and is not told"
                )
                assert alarm.active

    @invariant()
    def unseen_alarm_stays_until_somebody_sees_it(self) -> None:
        for alarm in self.verdict.alarms:
            if alarm.code not in self.seen:
                assert alarm.state not in (AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)
        told = {alarm.code for alarm in self.verdict.alarms}
        assert self.unseen <= told, f"gone without anybody having seen them: {self.unseen - told}"

    @invariant()
    def nothing_unlatches_without_a_person(self) -> None:
        for code in self.latched:
            assert self._alarm(code) is not None, f"'{code}' was latched and is gone without a reset"
        acting = {code for code in self.latched if BY_CODE[code].action.severity >= Action.SNUFF.severity}
        assert self.verdict.cut_off == bool(acting)

    @invariant()
    def safe_beats_comfortable(self) -> None:
        """The strongest action of all that is there is in force, silenced or not."""
        for alarm in self.verdict.alarms:
            row = BY_CODE[alarm.code]
            if not alarm.active and alarm.code not in self.latched:
                continue
            if alarm.state is AlarmState.SUPPRESSED:
                continue
            assert self.verdict.action is not None
            assert self.verdict.action.severity >= row.action.severity

    @invariant()
    def latched_alarm_is_never_put_aside(self) -> None:
        for alarm in self.verdict.alarms:
            if BY_CODE[alarm.code].latched:
                assert alarm.state not in ASIDE

    @invariant()
    def what_acts_is_never_suppressed_in_a_fire(self) -> None:
        for alarm in self.verdict.alarms:
            if alarm.state is AlarmState.SUPPRESSED:
                row = BY_CODE[alarm.code]
                assert self.phase in row.suppressed_in or (row.priority == "low" and self.state.flood)

    @invariant()
    def one_first_out_at_most(self) -> None:
        assert sum(alarm.first_out for alarm in self.verdict.alarms) <= 1

    @invariant()
    def alarms_are_oldest_first_and_once(self) -> None:
        times = [alarm.raised_s for alarm in self.verdict.alarms]
        assert times == sorted(times)
        assert len({alarm.code for alarm in self.verdict.alarms}) == len(times)


CutOffs.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestAlarmModel = CutOffs.TestCase


def test_the_model_plays_with_every_kind_of_row() -> None:
    actions = {BY_CODE[code].action for code in PLAYED}
    assert actions >= {Action.NOTE, Action.WARN, Action.THROTTLE, Action.SNUFF}
    assert {row.latched for row in FAULTS if row.code in PLAYED} == {True, False}
