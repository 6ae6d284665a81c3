"""The real grill behind the service's hardware port: probes read in threads, vents moved in threads."""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress

from coalminder.messages.link import Link
from coalminder.probes.reader import ProbeReader
from coalminder.probes.topic import TopicProbe
from coalminder.seams import Vent
from coalminder.settings.calibration import NOTHING, Calibration
from coalminder.settings.probes import ROLES
from coalminder.values import Inputs, ProbeFault, ProbeFaultKind, Sample

log = logging.getLogger(__name__)

_MOVE_DEADLINE_S = 5.0  # a servo's whole stroke takes about one
_SAFE_DEADLINE_S = 9.0  # the slowest servo allowed ends a move (4.8) and shuts (4.0); systemd waits 15
_NO_PIT = ProbeFault(ProbeFaultKind.NOT_READY, "no probe named 'pit'")


class VentWorker:
    """Moves one vent in a thread of its own; only the newest target counts. Never blocks the caller."""

    def __init__(self, name: str, vent: Vent) -> None:
        self.name = name
        self._vent = vent
        self._lock = threading.Condition()
        self._target: float | None = None
        self._safe = False
        self._busy_since_s: float | None = None
        self._failed = False
        self._done = 0
        self._asked = 0
        self._stopping = False
        self._told = ""
        self._thread = threading.Thread(target=self._run, name=f"vent {name}", daemon=True)
        self._thread.start()

    @property
    def failed(self) -> bool:
        """The last move failed, or the driver has not come back."""
        with self._lock:
            busy = self._busy_since_s
        return self._failed or (busy is not None and time.monotonic() - busy > _MOVE_DEADLINE_S)

    def send(self, opening: float) -> None:
        """Go to `opening`, also after `send_safe`."""
        self._ask(opening, safe=False)

    def send_safe(self) -> None:
        """Go to the vent's safe opening."""
        self._ask(0.0, safe=True)

    def settled(self, timeout_s: float) -> bool:
        """Wait until the newest target was reached; False, and failed, when it was not in time."""
        with self._lock:
            in_time = self._lock.wait_for(lambda: self._done >= self._asked, timeout_s)
            self._failed = self._failed or not in_time
            return in_time

    def close(self) -> bool:
        """Let the thread end; False when its driver hangs: it is left behind."""
        with self._lock:
            self._stopping = True
            self._lock.notify_all()
        self._thread.join(0.5)
        return not self._thread.is_alive()

    def _ask(self, opening: float, *, safe: bool) -> None:
        with self._lock:
            self._target, self._safe = opening, safe
            self._asked += 1
            self._lock.notify_all()

    def _run(self) -> None:
        while True:
            with self._lock:
                self._lock.wait_for(lambda: self._stopping or self._done < self._asked)
                if self._done >= self._asked:
                    return
                target, safe, number = self._target, self._safe, self._asked
                self._busy_since_s = time.monotonic()
            failed = not self._move(0.0 if target is None else target, safe)
            with self._lock:
                self._busy_since_s = None
                self._failed = failed
                self._done = number
                self._lock.notify_all()

    def _move(self, target: float, safe: bool) -> bool:
        try:
            make_safe = getattr(self._vent, "make_safe", None)
            if safe and make_safe is not None:
                make_safe()
            else:
                self._vent.move(target)
        except Exception as error:  # noqa: BLE001 - a driver may be anybody's; the fault table tells the person
            if (text := f"{type(error).__name__}: {error}") != self._told:
                log.warning("vent %s: %s", self.name, text)
            self._told = text
            return False
        self._told = ""
        return True


class BoardHardware:
    """Probes and vents of the board. `upper` may be missing: left by hand. calibration: of both."""

    def __init__(
        self, reader: ProbeReader, vents: Mapping[str, Vent], calibration: Calibration = NOTHING
    ) -> None:
        self._reader = reader
        self.calibration = calibration
        self._workers = {name: VentWorker(name, vent) for name, vent in vents.items()}
        self._vents = vents
        self.supply_low = False

    @property
    def vents_failed(self) -> bool:
        """Any vent whose driver failed or hangs."""
        return any(worker.failed for worker in self._workers.values())

    async def read(self, now_s: float) -> Inputs:
        """All samples; every driver has its own deadline."""
        samples: dict[str, Sample] = await self._reader.read_all(now_s)
        foods = tuple((name, sample) for name, sample in samples.items() if name not in ROLES)
        return Inputs(
            pit=samples.get("pit", _NO_PIT),
            pit_2=samples.get("pit_2"),
            dome=samples.get("dome"),
            ambient=samples.get("ambient"),
            foods=foods,
        )

    async def move(self, lower: float, upper: float) -> None:
        """Hand both targets to their threads."""
        for name, opening in (("lower", lower), ("upper", upper)):
            if name in self._workers:
                self._workers[name].send(opening)

    async def make_safe(self) -> None:
        """Send both vents to their safe opening and wait, but not for ever."""
        for worker in self._workers.values():
            worker.send_safe()
        await asyncio.gather(
            *(asyncio.to_thread(worker.settled, _SAFE_DEADLINE_S) for worker in self._workers.values())
        )

    def listen(self, link: Link) -> None:
        """Feed the probes that arrive over the broker. Call before the link starts."""
        for probe in self._reader.probes.values():
            if isinstance(probe, TopicProbe):
                link.on_topic(probe.topic, _feed(probe))

    async def close(self) -> None:
        """Give the hardware back; the vents stay where they are."""
        self._reader.close()
        for name, worker in self._workers.items():
            close = getattr(self._vents[name], "close", None)
            if worker.close() and close is not None:  # a driver that hangs would hang whoever asks it
                with suppress(OSError):
                    close()


def _feed(probe: TopicProbe) -> Callable[[bytes, bool], None]:
    def take(payload: bytes, retained: bool) -> None:
        probe.offer(payload, time.monotonic(), retained=retained)

    return take
