"""How long from a sensor fault to a subscriber, and from a command to the vents, at 1 Hz on loopback.

The real service loop and core, a real mosquitto; only probe and servo are stand-ins that note the time.
A long run with many grills, for percentiles:

    python tests/messages/test_latency.py 20 60        # grills, seconds
"""

from __future__ import annotations

import asyncio
import json
import random
import statistics
import sys
import tempfile
import time
import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest
from brokers import Mosquitto, Watcher

from coalminder.core import Config, initial
from coalminder.events import Event
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.service.clock import RealClock
from coalminder.service.notify import Notifier
from coalminder.service.tender import Tender
from coalminder.values import (
    HEALTHY,
    Decision,
    Inputs,
    Machine,
    Outcome,
    ProbeFault,
    ProbeFaultKind,
    Reading,
    Sample,
)  # fmt: skip

FAULT_LIMIT_S, COMMAND_LIMIT_S = 1.5, 1.2  # p99 on loopback at 1 Hz


@dataclass
class Bench:
    """One grill's stand-in hardware and messenger, and what they noted (time.monotonic)."""

    link: Link
    pit: Sample = field(default_factory=lambda: Reading(20.0))
    moved: list[float] = field(default_factory=list)
    taken: dict[str, float] = field(default_factory=dict)  # command id -> when the vents moved in its step
    _fresh: list[str] = field(default_factory=list)

    vents_failed = supply_low = False

    async def read(self, _now_s: float) -> Inputs:
        return Inputs(self.pit)

    async def move(self, _lower: float, _upper: float) -> None:
        for command_id in self._fresh:
            self.taken[command_id] = time.monotonic()
        self._fresh.clear()

    async def make_safe(self) -> None:
        """Nothing to shut."""

    async def close(self) -> None:
        """Nothing to give back."""

    def offer(self, decision: Decision, inputs: Inputs, state: object, now_s: float, utc_s: float) -> None:
        self.link.offer(decision, inputs.machine, now_s, utc_s, inputs)

    def take_events(self) -> tuple[Event, ...]:
        events = self.link.take_events()
        self._fresh.extend(event.event_id for event in events)
        return events

    def answer(self, outcomes: tuple[Outcome, ...]) -> None:
        self.link.answer(outcomes)

    def record(self, *_step: object) -> None:
        """No journal here."""


def machine(_now_s: float, _utc_s: float, _late_s: float) -> Machine:
    return HEALTHY


async def measure(
    broker: Mosquitto, grills: int, faults_each: int, seed: int = 1
) -> tuple[list[float], list[float]]:
    """Seconds from fault to the state that tells it, and from command to vents, of all grills."""
    rng = random.Random(seed)
    fault_s: list[float] = []
    command_s: list[float] = []
    with Watcher(broker, "coalminder/+/state") as watcher:
        benches = {f"g{n}": Bench(Link(LinkOptions(port=broker.port, grill=f"g{n}"))) for n in range(grills)}
        tenders = []
        for bench in benches.values():
            bench.link.start()
            tenders.append(
                Tender(
                    initial(Config()), bench, RealClock(), recorder=bench, messenger=bench, watch=machine,
                    notifier=Notifier(None),
                )
            )  # fmt: skip

        def told(name: str, ok: bool, since: int) -> float | None:
            for message, at in list(zip(watcher.messages, watcher.arrivals, strict=False))[since:]:
                if message.topic == f"coalminder/{name}/state":
                    state = json.loads(message.payload)
                    if state["probe_ok"] is ok:
                        return at
            return None

        async def play(name: str, bench: Bench) -> None:
            await asyncio.sleep(2.0 + rng.random())
            for _ in range(faults_each):
                since, began = len(watcher.messages), time.monotonic()
                command_id = str(uuid.uuid4())
                bench.pit = ProbeFault(ProbeFaultKind.OPEN)
                body = {"id": command_id, "issued_utc": datetime.now(UTC).isoformat()}
                watcher.client.publish(f"coalminder/{name}/command/acknowledge", json.dumps(body), qos=1)
                while told(name, False, since) is None or command_id not in bench.taken:
                    await asyncio.sleep(0.02)
                    assert time.monotonic() - began < 10.0
                fault_s.append((told(name, False, since) or 0.0) - began)
                command_s.append(bench.taken[command_id] - began)
                bench.pit = Reading(20.0)
                await asyncio.sleep(1.2 + rng.random())  # at any moment of the next second

        async with asyncio.TaskGroup() as group:
            for tender in tenders:
                group.create_task(tender.run())
            await asyncio.gather(*(play(name, bench) for name, bench in benches.items()))
            for tender in tenders:
                tender.stop()
        for bench in benches.values():
            bench.link.stop()
    return fault_s, command_s


@pytest.mark.broker
async def test_fault_and_command_get_through_in_time(mosquitto: Mosquitto) -> None:
    fault_s, command_s = await measure(mosquitto, grills=3, faults_each=2)
    assert len(fault_s) == len(command_s) == 6
    assert max(fault_s) < FAULT_LIMIT_S
    assert max(command_s) < COMMAND_LIMIT_S


def main(grills: int, seconds: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder))
        broker.start()
        fault_s, command_s = asyncio.run(measure(broker, grills, round(seconds / 2.3)))
        broker.kill()
    for what, times, limit in (
        ("sensor fault to subscriber", fault_s, FAULT_LIMIT_S),
        ("command to vents", command_s, COMMAND_LIMIT_S),
    ):
        cuts = statistics.quantiles(times, n=100)
        print(
            f"{what}: {len(times)} times, median {cuts[49]:.3f} s, p99 {cuts[98]:.3f} s, "
            f"worst {max(times):.3f} s (limit for p99 {limit} s)"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]), float(sys.argv[2]))
