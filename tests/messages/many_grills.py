"""Many grills on one mosquitto: is every message there, and what does a grill cost?

    python tests/messages/many_grills.py 100 600       # grills, seconds

The real service loop, core and link of each grill run in one child process; this one watches. Loopback
only, and it ends by itself. Each state carries its step number in `ambient_c`, so a gap cannot hide.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import test_latency
from brokers import Mosquitto, Watcher, wait_for

from coalminder.core import Config, initial
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.service.clock import RealClock
from coalminder.service.notify import Notifier
from coalminder.service.tender import Tender
from coalminder.values import HEALTHY, Inputs, Machine, Reading


class Counting(test_latency.Bench):
    """A grill whose every state is different, and that has an alarm for half of each minute."""

    steps = 0

    async def read(self, _now_s: float) -> Inputs:
        self.steps += 1
        return Inputs(Reading(20.0), ambient=Reading(self.steps / 10))

    def watch(self, _now_s: float, _utc_s: float, _late_s: float) -> Machine:
        return Machine(under_voltage=True) if self.steps % 60 >= 30 else HEALTHY


async def tend(port: int, grills: int, seconds: float) -> None:
    """The child: all grills at 1 Hz for `seconds`; prints its figures as JSON."""
    benches = [Counting(Link(LinkOptions(port=port, grill=f"g{n}"))) for n in range(grills)]
    for bench in benches:
        bench.link.start()
    await asyncio.to_thread(wait_for, lambda: all(bench.link.connected for bench in benches), 30.0)
    tenders = [
        Tender(
            initial(Config()), bench, RealClock(), recorder=bench, messenger=bench, watch=bench.watch,
            notifier=Notifier(""),
        )
        for bench in benches
    ]  # fmt: skip
    cpu_s, began = time.process_time(), time.monotonic()
    async with asyncio.TaskGroup() as group:
        for number, tender in enumerate(tenders):
            await asyncio.sleep(0.9 / grills if number else 0.0)  # grills do not step in one moment
            group.create_task(tender.run())
        await asyncio.sleep(seconds)
        for tender in tenders:
            tender.stop()
    cpu_s, took_s = time.process_time() - cpu_s, time.monotonic() - began
    for bench in benches:
        bench.link.stop()
    print(json.dumps({"steps": [bench.steps for bench in benches], "cpu_s": cpu_s, "took_s": took_s}))


def main(grills: int, seconds: float) -> int:
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder))
        broker.start()
        with Watcher(broker, ("coalminder/+/state", "coalminder/+/alarm/+"), qos=1) as watcher:
            words = [sys.executable, __file__, "--tend", str(broker.port), str(grills), str(seconds)]
            child = subprocess.run(words, capture_output=True, text=True, check=False, env=dict(os.environ))
            if child.returncode:
                sys.exit(child.stderr[-3000:])
            time.sleep(1.0)
            figures = json.loads(child.stdout)
            ticks = os.sysconf("SC_CLK_TCK")
            stat = Path(f"/proc/{broker.pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
            broker_cpu_s = (int(stat[11]) + int(stat[12])) / ticks
        broker.kill()
    seen: dict[str, list[int]] = defaultdict(list)
    alarms: dict[str, list[int]] = defaultdict(list)
    for message in watcher.messages:
        grill, kind = message.topic.split("/")[1:3]
        body = json.loads(message.payload)
        if kind == "state":
            seen[grill].append(round(body["ambient_c"] * 10))
        elif body["change"]:
            alarms[grill].append(body["seq"])
    missed = 0
    for number, steps in enumerate(figures["steps"]):
        missed += len(set(range(1, steps + 1)) - set(seen[f"g{number}"]))
        numbers = alarms[f"g{number}"]
        missed += len(set(range(1, max(numbers, default=0) + 1)) - set(numbers))
    states = sum(map(len, seen.values()))
    print(
        f"{grills} grills, {figures['took_s']:.0f} s: {states} states, "
        f"{sum(map(len, alarms.values()))} alarm changes, {missed} missed; CPU of a grill (loop, core, link) "
        f"{100 * figures['cpu_s'] / figures['took_s'] / grills:.2f} % of a core, "
        f"mosquitto {100 * broker_cpu_s / figures['took_s']:.1f} % for all"
    )
    return 1 if missed else 0


if __name__ == "__main__":
    if sys.argv[1] == "--tend":
        asyncio.run(tend(int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])))
    else:
        sys.exit(main(int(sys.argv[1]), float(sys.argv[2])))
