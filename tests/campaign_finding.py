"""What a scenario of the process campaign finds, and the ways to look."""

from __future__ import annotations

import contextlib
import itertools
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from brokers import Mosquitto, Watcher, wait_for
from campaign_service import BASE, Service

from coalminder.safety.faults import BY_CODE
from coalminder.safety.limits import Limits

GRACE_S = 2.0
LATEST_STEP_S = 2.5  # longest time between two steps that is no trouble


@dataclass
class Finding:
    """row: of the fault table, "" for a promise that is no row. took_s: from the fault to its alarm."""

    row: str
    what: str
    took_s: float | None = None
    allowed_s: float | None = None
    seen: str = ""
    faults: list[str] = field(default_factory=list)

    def need(self, holds: bool, wrong: str) -> None:
        """Note what is wrong unless `holds`."""
        if not holds:
            self.faults.append(wrong)


def allowed(code: str) -> float:
    """The row's own delay."""
    return BY_CODE[code].detected_within_s(Limits())


def timed(row: str, what: str, took_s: float, within_s: float, alarm: dict[str, Any]) -> Finding:
    """A finding of an alarm that came, checked for time, action and words."""
    found = Finding(row, what, took_s, within_s)
    found.need(took_s <= within_s + GRACE_S, f"told after {took_s:.1f} s, allowed {within_s:g} s")
    found.need(alarm["action"] == BY_CODE[row].action.value, f"action {alarm['action']}")
    found.need(bool(alarm["message"]) and bool(alarm["remedy"]), "nothing said to the person")
    return found


@contextlib.contextmanager
def setting(folder: Path, **service: Any) -> Iterator[tuple[Service, Mosquitto, Watcher]]:
    """A broker, a watcher and a service, ended whatever happens."""
    folder.mkdir(parents=True, exist_ok=True)
    broker = Mosquitto(folder)
    broker.start()
    served = Service(folder, broker, **service)
    try:
        with Watcher(broker) as watcher:
            try:
                yield served, broker, watcher
            finally:
                served.end()
    finally:
        broker.kill()


def vents_shut_in_time(service: Service, since_s: float) -> tuple[bool, float]:
    """Whether both vents were shut by the end of the trace, and how long that took from `since_s`."""
    shut_s = None
    for vents in service.trace():
        if vents.at_s < since_s:
            continue
        if vents.lower > 0.0 or vents.upper > 0.0:
            shut_s = None
        elif shut_s is None:
            shut_s = vents.at_s
    return shut_s is not None, (shut_s or since_s) - since_s


def longest_gap_s(service: Service, since_s: float, until_s: float) -> float:
    """Longest time between two steps."""
    times = [v.at_s for v in service.trace() if since_s - 2.0 <= v.at_s <= until_s]
    return max((b - a for a, b in itertools.pairwise(times)), default=float("inf"))


def reply_to(watcher: Watcher, made: str) -> dict[str, Any]:
    def answers() -> list[dict[str, Any]]:
        found = [json.loads(m.payload) for m in watcher.on(f"{BASE}/reply/#") + watcher.on(f"{BASE}/reply")]
        return [reply for reply in found if reply["id"] == made]

    wait_for(lambda: bool(answers()), 10.0, f"the reply to {made}")
    return answers()[-1]


def utc_s(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()
