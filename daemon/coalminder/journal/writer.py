"""The journal as the service uses it: calls that never block, one thread that writes.

Values handed over are frozen, so the thread reads them without copying. Nothing in here raises into the
control loop: a disk that fails or a file that is damaged becomes a flag in `health()`.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

from coalminder.codec import CodecError
from coalminder.journal import store
from coalminder.journal.sink import Item, NoteItem, Sink, StepItem, posted
from coalminder.journal.values import Health, Refusal, Resume, Start, Waiting
from coalminder.values import NO_FIRE, Alarm, AlarmState, CommandRecord, Decision, Inputs, OutMessage, Phase

MAX_STEPS = 900  # kept in memory while the disk fails: a quarter of an hour at 1 Hz, some 3 MB
MAX_NOTES = 20_000  # alarms, commands, messages kept likewise
MAX_UNDELIVERED = 5_000
IDLE_S = 3600.0  # a grill without a fire is recorded for an hour: days of it would wear out the card
OPEN_S = 6 * 3600.0  # and so long while its food cools: the cooling rule ends then
RETRY_S = 2.0
CORRUPT_SHOWN_S = 60.0
_STALLED_S = 5.0  # a write that takes longer than this is a failing disk
_LOOK_EVERY_S = 1.0


class Journal:
    """Records cooks, a file for each. Thread-safe; all calls but `flush` and `close` return at once.

    A file goes on until the next fire is lit; of the time without a fire it holds the first IDLE_S, or
    OPEN_S while the cook has not `ended`, and the step in which that ends, however late.

    Args:
        directory: folder of the records; made when missing.
        start: what this run starts with.
        resume: what `resume()` found. A Resume goes on in its file; a damaged file is set aside.
        commit_every_s: readings reach the disk at least this often.
        keep_cooks: older records are deleted.
        ended: whether a cook in a phase without a fire is over, by its state.
        connect: opens a file for writing; a test may hand in one that fails.
    """

    def __init__(
        self,
        directory: Path,
        start: Start,
        resume: Resume[object] | Refusal | None = None,
        *,
        commit_every_s: float = 2.0,
        keep_cooks: int = 100,
        ended: Callable[[Any], bool] = lambda _state: True,
        retry_s: float = RETRY_S,
        connect: Callable[[Path], sqlite3.Connection] = store.open_for_writing,
    ) -> None:
        self._commit_every_s = commit_every_s
        self._retry_s = retry_s
        self._ended = ended
        self._lock = threading.Condition()
        # Shared with the writer, under _lock.
        self._steps: deque[tuple[int, StepItem]] = deque()  # with the number of the file in this run
        self._notes: deque[tuple[int, NoteItem]] = deque()
        self._urgent = False
        self._closing = False
        self._queued = self._settled = 0  # things handed over; things on disk or given up
        self._health = Health()
        self._lost = 0
        self._last_commit_s = time.monotonic()
        self._working_since_s: float | None = None
        self._undelivered = dict(resume.undelivered if resume else ())
        # Of the caller.
        self._n = resume.last_n if isinstance(resume, Resume) else 0
        self._alarms: tuple[Alarm, ...] = ()
        self._phase: Phase | None = None
        self._before: object = start.state
        self._file = 0
        self._burnt = isinstance(resume, Resume)  # a fire is in this file
        self._idle_since_s: float | None = None
        self._rests = False  # the last step was left out
        self._was_out = isinstance(resume, Resume) and resume.phase in NO_FIRE
        first_id = resume.next_message_id if isinstance(resume, Resume) else 1
        # Numbers rise over cooks and restarts too, though delivered ones are forgotten: there are
        # far fewer than one a second.
        by_clock = int(start.utc_s)
        self._next_message_id = max([first_id, by_clock, *(number + 1 for number in self._undelivered)])
        # Of the writer.
        self._sink = Sink(Path(directory), start, resume, keep_cooks, connect, self._all_undelivered)
        self._batch: list[Item] = []
        self._batch_file = 0
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    # What the service calls --------------------------------------------------------------------

    def record(self, now_s: float, utc_s: float, inputs: Inputs, decision: Decision, state: object) -> None:
        """One step: what the core saw, what it decided, its state after it.

        Commits at once when an alarm or the phase changed. A further fire begins a new file.
        """
        self._n += 1
        alarms = decision.alarms
        changed = [] if alarms == self._alarms else _transitions(self._alarms, alarms)
        at = (self._n, now_s, utc_s)
        notes = [NoteItem("alarm", (*at, *_row(alarm))) for alarm in changed]
        urgent = bool(notes) or decision.phase is not self._phase
        before = self._before
        self._alarms, self._phase, self._before = alarms, decision.phase, state
        with self._lock:
            rested, self._rests = self._rests, self._is_idle(decision.phase, before, state, now_s)
            if not self._rests:
                step = StepItem(self._n, now_s, utc_s, inputs, decision, before, state, rested)
                self._steps.append((self._file, step))
                self._queued += 1
            if len(self._steps) > MAX_STEPS:  # the writer is stuck in the disk
                self._steps.popleft()
                self._lost += 1
                self._settled += 1
            self._add(notes, urgent=urgent)

    def _is_idle(self, phase: Phase, before: object, state: object, now_s: float) -> bool:
        """Whether this step is left out; turns to the next file when another fire is lit."""
        if phase in NO_FIRE:
            self._idle_since_s = now_s if self._idle_since_s is None else self._idle_since_s
            idle_s, ended = now_s - self._idle_since_s, self._ended(state)
            ends = ended and not self._ended(before)  # left out, a restart would take the cook up again
            return idle_s >= (IDLE_S if ended else OPEN_S) and not ends
        left_out = self._idle_since_s is not None and now_s - self._idle_since_s >= IDLE_S
        if (self._was_out or self._idle_since_s is not None) and (self._burnt or left_out):
            self._file += 1
        self._burnt, self._was_out, self._idle_since_s = True, False, None
        return False

    def command(self, command: CommandRecord) -> None:
        """A command and its answer, committed at once."""
        c = command
        row = (c.utc_s, c.command_id, c.client, c.kind, c.payload, int(c.accepted), c.reason)
        with self._lock:
            self._add([NoteItem("command", row)], urgent=True)

    def note(self, utc_s: float, text: str) -> None:
        """A remark on the record itself."""
        with self._lock:
            self._add([NoteItem("note", (utc_s, text))])

    def post(self, message: OutMessage) -> int:
        """Keep a message until `delivered`, by its number; committed at once, so that no restart loses it.

        At most MAX_UNDELIVERED wait; beyond that the oldest is dropped and a note says so.
        """
        with self._lock:
            message_id = self._next_message_id
            self._next_message_id += 1
            notes = []
            if len(self._undelivered) >= MAX_UNDELIVERED:
                oldest = next(iter(self._undelivered))
                del self._undelivered[oldest]
                notes = [
                    NoteItem("delivered", (oldest,)),
                    NoteItem("note", (message.utc_s, f"outbox full: message {oldest} dropped")),
                ]
            self._undelivered[message_id] = message
            self._add([*notes, NoteItem("post", posted(message_id, message))], urgent=True)
        return message_id

    def delivered(self, message_id: int) -> None:
        """The broker has taken the message. An unknown id is ignored."""
        with self._lock:
            if self._undelivered.pop(message_id, None) is not None:
                self._add([NoteItem("delivered", (message_id,))])

    def undelivered(self, limit: int) -> Waiting:
        """The oldest messages that wait, in order, each with its number."""
        with self._lock:
            return tuple(islice(self._undelivered.items(), limit))

    def health(self) -> Health:
        """How the journal is now."""
        with self._lock:
            now = time.monotonic()
            stuck = self._working_since_s is not None and now - self._working_since_s > _STALLED_S
            damaged_at_s = self._sink.damaged_at_s
            return Health(
                failed=self._health.failed or stuck,
                corrupt=damaged_at_s is not None and now - damaged_at_s < CORRUPT_SHOWN_S,
                detail=self._health.detail or ("the disk does not answer" if stuck else ""),
                path=self._health.path,
                lost_steps=self._lost,
            )

    def flush(self, timeout_s: float = 5.0) -> bool:
        """Wait until all that was handed over is on disk; False when it is not within `timeout_s`."""
        with self._lock:
            goal = self._queued
            self._urgent = True
            self._lock.notify_all()
            return self._lock.wait_for(
                lambda: self._settled >= goal and not self._health.failed and self._sink.is_open, timeout_s
            )

    def close(self, timeout_s: float = 5.0) -> bool:
        """Write what waits and stop the thread; False when that was not possible in time."""
        with self._lock:
            self._closing = True
            self._lock.notify_all()
        self._thread.join(timeout_s)
        with self._lock:
            return not self._thread.is_alive() and self._settled >= self._queued

    def _add(self, notes: list[NoteItem], *, urgent: bool = False) -> None:
        self._notes.extend((self._file, note) for note in notes)
        self._queued += len(notes)
        while len(self._notes) > MAX_NOTES:
            self._notes.popleft()
            self._settled += 1
        if urgent and not self._urgent:
            self._urgent = True
            self._lock.notify_all()

    def _all_undelivered(self) -> Waiting:
        with self._lock:
            return tuple(self._undelivered.items())

    # The writer thread -------------------------------------------------------------------------

    def _run(self) -> None:
        problem, retry_at_s = "", time.monotonic()
        while True:
            with self._lock:
                wait_s = min(_LOOK_EVERY_S, self._commit_every_s)
                if problem:
                    wait_s = max(0.0, retry_at_s - time.monotonic())
                    self._lock.wait_for(lambda: self._closing, wait_s)
                elif self._sink.is_open:
                    self._lock.wait_for(lambda: self._urgent or self._closing, wait_s)
                closing, now = self._closing, time.monotonic()
                due = self._urgent or closing or now - self._last_commit_s >= self._commit_every_s
                if due or problem:
                    self._take()
                self._working_since_s = now
                taken, file = len(self._batch), self._batch_file
            try:
                problem = self._sink.work(self._batch, file)
            except Exception as error:  # noqa: BLE001 - whatever it is, the loop must go on
                given_up = isinstance(error, CodecError)
                problem = f"cannot be written: {error}"
            else:
                given_up = False
            with self._lock:
                self._working_since_s = None
                if not problem or given_up:
                    self._batch.clear()
                    self._settled += taken
                    self._last_commit_s = time.monotonic() if due or taken else self._last_commit_s
                    self._urgent = self._urgent or bool(self._steps and self._steps[0][0] > file)
                else:
                    self._trim()
                retry_at_s = time.monotonic() + self._retry_s
                self._health = Health(failed=bool(problem), detail=problem, path=str(self._sink.path or ""))
                self._lock.notify_all()
            if closing and (problem or not (self._steps or self._notes)):
                self._sink.close()
                return

    def _take(self) -> None:
        """More for the batch, all of one file."""
        heads = [waiting[0][0] for waiting in (self._steps, self._notes) if waiting]
        if not self._batch and heads:
            self._batch_file = min(heads)
        for waiting in (self._steps, self._notes):
            while waiting and waiting[0][0] == self._batch_file:
                self._batch.append(waiting.popleft()[1])
        self._urgent = False

    def _trim(self) -> None:
        """After a failure: keep the newest steps and every note, within bounds."""
        steps = [item for item in self._batch if isinstance(item, StepItem)]
        notes = [item for item in self._batch if isinstance(item, NoteItem)]
        lost_steps, lost_notes = max(0, len(steps) - MAX_STEPS), max(0, len(notes) - MAX_NOTES)
        self._lost += lost_steps
        self._settled += lost_steps + lost_notes
        self._batch = [*steps[lost_steps:], *notes[lost_notes:]]


def _row(a: Alarm) -> tuple[object, ...]:
    return a.code, a.state.value, int(a.active), a.action.value, a.priority, a.message


def _transitions(old: tuple[Alarm, ...], new: tuple[Alarm, ...]) -> list[Alarm]:
    """The alarms whose state or condition changed; one that is gone is back to normal."""
    was = {alarm.code: (alarm.state, alarm.active) for alarm in old}
    here = {alarm.code for alarm in new}
    changed = [alarm for alarm in new if was.get(alarm.code) != (alarm.state, alarm.active)]
    gone = [alarm for alarm in old if alarm.code not in here]
    return [*changed, *(replace(alarm, state=AlarmState.NORMAL, active=False) for alarm in gone)]
