"""kill -9 at random moments of a cook: no alarm lost, at most 5 s of readings, vents as the table says.

`python tests/campaign_kills.py 200` is the long form.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from brokers import Mosquitto, Watcher, wait_for
from campaign_service import BASE, Service, command, last_state, tended, wait_state

from coalminder.journal import Resume
from coalminder.safety.faults import BY_CODE
from coalminder.values import AlarmState, Phase


@dataclass
class Kills:
    """What came of many kills."""

    kills: int = 0
    worst_loss_s: float = 0.0
    alarms_before: int = 0
    lost_alarms: list[str] = field(default_factory=list)
    while_latched: int = 0
    opened_while_latched: int = 0
    not_resumed: list[str] = field(default_factory=list)
    worst_start_s: float = 0.0

    @property
    def faults(self) -> list[str]:
        """What is wrong, empty when nothing is."""
        wrong = [f"lost: {name}" for name in self.lost_alarms] + self.not_resumed
        if self.worst_loss_s > 5.0:
            wrong.append(f"{self.worst_loss_s:.1f} s of readings lost")
        if self.opened_while_latched:
            wrong.append(f"a vent opened {self.opened_while_latched} times while latched")
        return wrong

    def text(self) -> str:
        """One line."""
        return (
            f"{self.kills} kills, {self.while_latched} of them with a latched fault: "
            f"{len(self.lost_alarms)} of {self.alarms_before} alarms lost, at most {self.worst_loss_s:.1f} s "
            f"of readings lost, vents opened while latched {self.opened_while_latched} times, "
            f"{len(self.not_resumed)} times not resumed, first step at most {self.worst_start_s:.1f} s "
            "after the start"
        )


def kill_many(folder: Path, kills: int, seed: int = 1) -> Kills:
    """Kill the service `kills` times at random moments, with faults coming and going; see what it kept."""
    rng = random.Random(seed)
    out = Kills()
    broker = Mosquitto(folder)
    broker.start()
    service = Service(folder, broker)
    try:
        with Watcher(broker) as watcher:
            tended(service, watcher)
            for n in range(kills):
                _trouble(rng, service)
                time.sleep(rng.uniform(0.3, 4.0))  # the moment of the kill is what is tested
                told = _standing(watcher)
                steps = len(service.trace())
                service.kill()
                killed_utc_s = time.time()
                found = service.kept()
                if not isinstance(found, Resume):
                    out.not_resumed.append(f"kill {n}: {found.reason}")
                    return out
                out.kills += 1
                out.worst_loss_s = max(out.worst_loss_s, killed_utc_s - found.last_utc_s)
                kept = {record.code: record for record in found.state.safety.records}
                out.alarms_before += len(told)
                for code, state in told.items():
                    if code not in kept or kept[code].state is AlarmState.NORMAL:
                        out.lost_alarms.append(f"kill {n}: '{code}' was {state}")
                latched = any(
                    BY_CODE[c].latched and r.state is not AlarmState.NORMAL for c, r in kept.items()
                )
                (service.journal / "starts.json").unlink(
                    missing_ok=True
                )  # the restart loop has its own drill
                states = len(watcher.on(f"{BASE}/state"))
                begun_s = time.monotonic()
                service.start()
                wait_for(lambda have=steps: len(service.trace()) >= have + 2, 30.0, "steps after the restart")
                after = service.trace()[steps:]
                out.worst_start_s = max(out.worst_start_s, after[0].at_s - begun_s)
                if latched:
                    out.while_latched += 1
                    out.opened_while_latched += any(v.lower > 0.0 or v.upper > 0.0 for v in after)
                watcher.wait(f"{BASE}/state", states + 1)
                phase, before = last_state(watcher)["phase"], found.state.phase
                if latched and phase != Phase.CUT_OFF:
                    out.not_resumed.append(f"kill {n}: latched, but phase {phase}")
                elif not latched and phase == Phase.COLD and before is not Phase.COLD:
                    out.not_resumed.append(f"kill {n}: cold after {before}")
                if latched and rng.random() < 0.5:
                    _recover(service, watcher)
    finally:
        service.end()
        broker.kill()
    return out


def _trouble(rng: random.Random, service: Service) -> None:
    service.control(
        supply_low=rng.random() < 0.4, vents_failed=rng.random() < 0.15, unplugged=rng.random() < 0.1
    )


def _standing(watcher: Watcher) -> dict[str, str]:
    """Alarms that were told and not taken back: active or latched, by code."""
    import json

    newest: dict[str, dict[str, object]] = {}
    for message in list(watcher.messages):
        if message.topic.startswith(f"{BASE}/alarm/") and message.payload:
            newest[message.topic.rsplit("/", 1)[1]] = json.loads(message.payload)
    return {code: str(alarm["state"]) for code, alarm in newest.items() if alarm["state"] != "normal"}


def _recover(service: Service, watcher: Watcher) -> None:
    """The person looks, mends, acknowledges, resets, lights again."""
    service.control()
    service.wait_steps(8)
    command(watcher, "reset")
    wait_for(lambda: last_state(watcher).get("phase") != "cut_off", 15.0, "the end of cut_off")
    command(watcher, "acknowledge", code="")
    command(watcher, "light")
    command(watcher, "tend")
    wait_state(watcher, lambda s: s["phase"] in ("settling", "tending", "lighting"), 15.0, "tending again")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        result = kill_many(Path(place), int(sys.argv[1]) if len(sys.argv) > 1 else 200)
    print(result.text())
    for wrong in result.faults:
        print(wrong)
    sys.exit(1 if result.faults else 0)
