"""The service: once a second read, decide, move, record, tell. No rule of its own; core.step has them all.

Whatever may block (drivers, broker, disk) lives behind a port that returns at
once or keeps a deadline. The watchdog is fed only after a whole step with a fresh, valid pit reading, or
while the fault table still has time to act on a lost one: neither a dead loop nor a dead cut-off looks alive.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Protocol

from coalminder.core import State, step
from coalminder.events import Event
from coalminder.safety.faults import BY_CODE
from coalminder.safety.limits import Limits
from coalminder.safety.view import SHUT_PHASES
from coalminder.service.clock import Clock
from coalminder.service.hardware import Hardware
from coalminder.service.notify import Notifier
from coalminder.values import Decision, Inputs, Machine, Outcome

# Without a pit reading the fault table shuts the vents for good. Vents still open so much later mean that
# it does not work: then the watchdog is fed no more and the last line outside acts.
_BLIND_MARGIN_S = 10.0
_NO_PIT = ("pit_probe_lost", "pit_probe_stale")


class Recorder(Protocol):
    """Where every step goes; coalminder.journal.Journal."""

    def record(self, now_s: float, utc_s: float, inputs: Inputs, decision: Decision, state: State) -> None:
        """Take one step; never blocks."""
        ...


class Messenger(Protocol):
    """The phone's side; coalminder.messages.Link."""

    def offer(self, decision: Decision, inputs: Inputs, state: State, now_s: float, utc_s: float) -> None:
        """Publish what is due; never blocks."""
        ...

    def take_events(self) -> tuple[Event, ...]:
        """What people asked for since the last call."""
        ...

    def answer(self, outcomes: tuple[Outcome, ...]) -> None:
        """Reply to commands."""
        ...


MachineWatch = Callable[[float, float, float], Machine]
"""(now_s, utc_s, late_s) -> what is wrong with the machine."""

Listener = Callable[[float, Inputs, Decision], None]


def nothing_unseen() -> float:
    """No time passed that nobody saw, s."""
    return 0.0


class Tender:
    """Tends one grill until `stop` is called.

    state: from core.initial or the journal. period_s: 1 Hz. local_events: events made by the shell itself
    (a rehearsal's cook), taken each step. listeners: told of each step when all else of it is done. unseen:
    lets time pass that nobody saw, s; asked before each step.
    """

    def __init__(
        self,
        state: State,
        hardware: Hardware,
        clock: Clock,
        *,
        recorder: Recorder,
        messenger: Messenger,
        watch: MachineWatch,
        notifier: Notifier,
        period_s: float = 1.0,
        local_events: Callable[[float], tuple[Event, ...]] = lambda _now_s: (),
        listeners: Sequence[Listener] = (),
        unseen: Callable[[], float] = nothing_unseen,
    ) -> None:
        self.state = state
        self._hardware, self._clock = hardware, clock
        self._recorder, self._messenger, self._watch, self._notifier = recorder, messenger, watch, notifier
        self._period_s, self._local_events, self._listeners = period_s, local_events, listeners
        self._unseen = unseen
        self._stopping = asyncio.Event()
        self._probe_ok_s: float | None = None
        self.steps = 0

    def stop(self) -> None:
        """Ask the loop to end; the vents go to their safe opening first."""
        self._stopping.set()

    async def run(self) -> bool:
        """Vents safe, then step after step, then vents safe again, whatever ends it; whether they obeyed."""
        try:
            await self._hardware.make_safe()
            self._notifier.tell("READY=1", "STATUS=vents at their safe opening; tending starts")
            due_s = self._clock.now_s()
            lost_s = 0.0  # time lost in the last step and not told yet
            while not self._stopping.is_set():
                unseen_s = self._unseen()
                due_s += unseen_s
                late_s = max(self._clock.now_s() - due_s, 0.0) + lost_s
                await self._step(late_s / self._clock.speed, unseen_s)
                due_s += self._period_s
                behind_s = self._clock.now_s() - due_s
                lost_s = 0.0
                if behind_s > 5.0 * self._period_s * self._clock.speed:
                    due_s += behind_s  # do not run after lost time, but tell of it in the next step
                    lost_s = max(behind_s - late_s, 0.0)
                await self._wait(due_s)
        finally:
            self._notifier.tell("STOPPING=1", "STATUS=shutting the vents")
            await self._hardware.make_safe()
        return not self._hardware.vents_failed

    async def _step(self, late_s: float, unseen_s: float) -> None:
        now_s, utc_s = self._clock.now_s(), self._clock.utc_s()
        seen = await self._hardware.read(now_s)
        machine = self._watch(now_s, utc_s, late_s)
        if unseen_s:  # as at a restart after that time
            machine = replace(machine, blind_s=machine.blind_s + unseen_s, blind_start=True)
            self._probe_ok_s = None if self._probe_ok_s is None else self._probe_ok_s + unseen_s
        events = self._local_events(now_s) + self._messenger.take_events()
        inputs = replace(seen, events=events, machine=machine)
        self.state, decision = step(self.state, inputs, now_s)
        await self._hardware.move(decision.lower, decision.upper)
        self._recorder.record(now_s, utc_s, inputs, decision, self.state)
        self._messenger.offer(decision, inputs, self.state, now_s, utc_s)
        self._messenger.answer(decision.outcomes)
        self.steps += 1
        if decision.probe_ok or decision.phase in SHUT_PHASES or self._probe_ok_s is None:
            self._probe_ok_s = now_s
        if now_s - self._probe_ok_s <= blind_s(self.state.config.limits):
            self._notifier.tell("WATCHDOG=1", f"STATUS={status_line(decision)}")
        for listener in self._listeners:
            listener(now_s, inputs, decision)

    async def _wait(self, due_s: float) -> None:
        sleep = asyncio.ensure_future(self._clock.sleep_until(due_s))
        stop = asyncio.ensure_future(self._stopping.wait())
        try:
            await asyncio.wait({sleep, stop}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (sleep, stop):
                task.cancel()
            await asyncio.gather(sleep, stop, return_exceptions=True)


def blind_s(limits: Limits) -> float:
    """How long the vents may stand open without a pit reading before the watchdog is fed no more, in s."""
    return max(BY_CODE[code].detected_within_s(limits) for code in _NO_PIT) + _BLIND_MARGIN_S


def status_line(decision: Decision) -> str:
    """One line for systemctl status."""
    pit = "no pit reading" if decision.pit_c is None else f"pit {decision.pit_c:.1f} °C"
    alarms = ", ".join(alarm.code for alarm in decision.alarms if alarm.active)
    return (
        f"{decision.phase}, {pit}, set point {decision.set_point_c:.0f} °C, lower vent {decision.lower:.3f}"
        + (f", alarms: {alarms}" if alarms else "")
    )
