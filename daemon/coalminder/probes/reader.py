"""Reads all probes at once, each in its own thread with a deadline. A shell: asyncio and threads live here.

A hung driver cannot be ended: its thread stays where it is. So a probe whose thread has not come back is
not asked again; it is a `timeout` until the thread returns, and costs nothing meanwhile. No step waits so
long that the next one is late: what a slow thread brings within its deadline counts in the next step, with
its age, and the thread is asked again at once, so that a driver of 0.95 s is heard in each step. What comes
later is dropped: it is as old as the hang was long.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace

from coalminder.probes.guard import GuardLimits, GuardState, guard
from coalminder.seams import Probe
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

DEADLINE_S = 2.0
WAIT_S = 0.9  # of a step of a second; a DS18B20 takes 0.75 and the transfer


class ProbeReader:
    """All probes of a grill. `deadlines_s`, `limits`: per name; defaults where absent.

    One daemon thread per probe, started at its first reading: a pool would let hung drivers use it up, and
    a thread that is no daemon would keep the program from ending.
    """

    def __init__(
        self,
        probes: Mapping[str, Probe],
        limits: Mapping[str, GuardLimits] | None = None,
        deadlines_s: Mapping[str, float] | None = None,
    ) -> None:
        self.probes = dict(probes)
        self._deadlines_s = dict(deadlines_s or {})
        self._guards = {name: GuardState((limits or {}).get(name, GuardLimits())) for name in self.probes}
        self._workers = {
            name: _Worker(name, probe)
            for name, probe in self.probes.items()
            if getattr(probe, "blocking", True)
        }

    async def read_all(self, now_s: float) -> dict[str, Sample]:
        """One sample of every probe, in their order, after the slowest or `WAIT_S`. Never raises.

        `now_s` is control time, for the guard. A driver that raises is a `bus` fault.
        """
        raw = await asyncio.gather(*(self._read(name) for name in self.probes))
        samples: dict[str, Sample] = {}
        for name, sample in zip(self.probes, raw, strict=True):
            self._guards[name], samples[name] = guard(self._guards[name], sample, now_s)
        return samples

    def close(self) -> None:
        """Let the threads end; a hung one is left behind."""
        for worker in self._workers.values():
            worker.stop()

    async def _read(self, name: str) -> Sample:
        worker = self._workers.get(name)
        if worker is None:
            return read_safely(self.probes[name])
        deadline_s = self._deadlines_s.get(name, DEADLINE_S)
        wait_s = min(deadline_s, WAIT_S)
        begin_s = time.monotonic()
        try:
            if (answer := worker.answer(deadline_s)) is None:
                return _hung("its driver still hangs; the bus or the kernel is stuck: restart the board")
            given = await asyncio.wait_for(asyncio.shield(answer), wait_s)
        except RuntimeError as error:
            return _hung(f"{error}; find what else loads the machine")
        except TimeoutError:
            return _hung(f"no answer within {wait_s:g} s; check wiring and bus")
        if given.took_s > wait_s:
            worker.ask()  # one asked for in the next step would be late again
        else:
            worker.awaited = None
        lay_s = begin_s - given.came_s
        if lay_s > 0.0 and isinstance(given.sample, Reading):
            return replace(given.sample, age_s=given.sample.age_s + lay_s)
        return given.sample


def read_safely(probe: Probe) -> Sample:
    """`probe.read()`, with any exception as a fault: a plugged-in driver must not end the loop."""
    try:
        return probe.read()
    except Exception as error:  # noqa: BLE001 - the driver may be anybody's
        return ProbeFault(ProbeFaultKind.BUS, f"its driver failed: {type(error).__name__}: {error}")


def _hung(detail: str) -> ProbeFault:
    return ProbeFault(ProbeFaultKind.TIMEOUT, detail)


@dataclass(frozen=True, slots=True)
class _Answer:
    """What a driver gave. took_s: from the asking; came_s: when, monotonic."""

    sample: Sample
    took_s: float
    came_s: float


class _Worker:
    """One thread that reads one probe when asked."""

    def __init__(self, name: str, probe: Probe) -> None:
        self._name = name
        self._probe = probe
        self._wanted = threading.Event()
        self._stopping = False
        self._thread: threading.Thread | None = None
        self._asked: tuple[asyncio.AbstractEventLoop, asyncio.Future[_Answer]] | None = None
        self._asked_s = 0.0
        self.awaited: asyncio.Future[_Answer] | None = None  # asked for, and not taken yet

    def answer(self, deadline_s: float) -> asyncio.Future[_Answer] | None:
        """What was asked for less than `deadline_s` ago, else a new reading; None while the thread hangs.

        RuntimeError when the machine has no thread to spare.
        """
        if self.awaited is not None:
            if time.monotonic() - self._asked_s < deadline_s:
                return self.awaited
            if not self.awaited.done():
                return None
        return self.ask()

    def ask(self) -> asyncio.Future[_Answer]:
        """A new reading. RuntimeError as in `answer`."""
        if self._thread is None:
            thread = threading.Thread(target=self._work, name=f"probe-{self._name}", daemon=True)
            thread.start()
            self._thread = thread
        loop = asyncio.get_running_loop()
        self.awaited = loop.create_future()
        self._asked, self._asked_s = (loop, self.awaited), time.monotonic()
        self._wanted.set()
        return self.awaited

    def stop(self) -> None:
        """Let the thread end when it comes back."""
        self._stopping = True
        self._wanted.set()

    def _work(self) -> None:
        while True:
            self._wanted.wait()
            self._wanted.clear()
            if self._stopping or self._asked is None:
                return
            (loop, future), asked_s = self._asked, self._asked_s
            sample = read_safely(self._probe)
            came_s = time.monotonic()
            try:
                loop.call_soon_threadsafe(_deliver, future, _Answer(sample, came_s - asked_s, came_s))
            except RuntimeError:
                return  # the loop has ended while we were reading


def _deliver(future: asyncio.Future[_Answer], answer: _Answer) -> None:
    if not future.done():
        future.set_result(answer)
