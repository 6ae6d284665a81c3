"""One real service process under a campaign: start it, break it, see what it did from outside."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from brokers import Mosquitto, Watcher, wait_for

import coalminder
from coalminder.core import State
from coalminder.journal import Refusal, Resume, resume

TESTS = Path(__file__).parent
BASE = "coalminder/kettle"


@dataclass(frozen=True, slots=True)
class Vents:
    """A line of the grill's own trace. at_s: time.monotonic()."""

    at_s: float
    seconds: float
    lower: float
    upper: float
    pit_c: float


class Service:
    """`coalminder tend` as a process, on the campaign's kettle or on simulated probes and vents."""

    def __init__(
        self,
        folder: Path,
        broker: Mosquitto | None,
        *,
        port: int | None = None,
        board: bool = False,
        journal: Path | None = None,
        extra: str = "",
        safety: str = "",
        mqtt: str = "",
    ) -> None:
        self.folder, self._board = folder, board
        self.journal = journal if journal is not None else folder / "journal"
        self.config = folder / "coalminder.toml"
        self.control_path = folder / "control.json"
        self.control_path.write_text("{}", "utf-8")
        port = port if port is not None else (broker.port if broker else None)
        where = f'host = "127.0.0.1"\nport = {port}\nstate_every_s = 1' if port else "enabled = false"
        parts = (
            f'[journal]\ndirectory = "{self.journal}"\n[mqtt]\n{where}\n{mqtt}\n[safety]\n{safety}\n{extra}\n'
        )
        if board:
            parts += (
                '[probes.pit]\nkind = "simulated"\ntemp_c = 93.0\nnoise_c = 0.2\n'
                '[vents.lower]\ndriver = "simulated"\n[vents.upper]\ndriver = "simulated"\n'
            )
        self.config.write_text(parts, "utf-8")
        self.process: subprocess.Popen[bytes] | None = None
        self.env: dict[str, str] = {}
        self.log_path = folder / "service.log"

    # -- its life

    def start(self) -> None:
        """Start (again)."""
        words = [
            sys.executable,
            str(TESTS / "campaign_main.py"),
            "tend",
            "--lit",
            "--config",
            str(self.config),
        ]
        if not self._board:
            words += ["--simulate", "campaign_grill:grill", "--simulate-arg", f"folder={self.folder}"]
        env = {k: v for k, v in os.environ.items() if not k.startswith("COALMINDER_")}
        package = str(Path(coalminder.__file__).parents[1])  # the same code as runs here
        env |= {"CAMPAIGN_CONTROL": str(self.control_path), "PYTHONPATH": f"{package}{os.pathsep}{TESTS}"}
        env |= self.env
        with self.log_path.open("ab") as log:
            self.process = subprocess.Popen(words, stdout=log, stderr=log, env=env, cwd=self.folder)

    def send(self, number: signal.Signals) -> None:
        """A signal to this process alone."""
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> float:
        """SIGKILL; the time of it, time.monotonic()."""
        assert self.process is not None
        self.process.kill()
        at_s = time.monotonic()
        self.process.wait(10)
        return at_s

    def end(self) -> int:
        """SIGTERM, and its exit code."""
        if self.process is None:
            return 0
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(10)
        return int(self.process.returncode)

    @property
    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def control(self, **values: Any) -> None:
        """Switch faults on and off."""
        new = self.control_path.with_suffix(".new")
        new.write_text(json.dumps(values), "utf-8")
        new.replace(self.control_path)

    # -- what it did

    def trace(self) -> list[Vents]:
        """What the grill saw of the vents, second by second."""
        path = self.folder / "trace.txt"
        if not path.exists():
            return []
        lines = [line.split() for line in path.read_text("ascii").splitlines()]
        return [Vents(*(float(word) for word in words)) for words in lines if len(words) == 5]

    def wait_steps(self, more: int, within_s: float = 30.0) -> None:
        """Wait for `more` seconds of the grill's life."""
        have = len(self.trace())
        wait_for(lambda: len(self.trace()) >= have + more, within_s, f"{more} more steps")

    def kept(self) -> Resume[State] | Refusal:
        """What the journal would resume."""
        return resume(self.journal, State, time.time())

    def state(self) -> State:
        """The kept state."""
        found = self.kept()
        assert isinstance(found, Resume), found
        return found.state

    def log(self) -> str:
        return self.log_path.read_text("utf-8", "replace") if self.log_path.exists() else ""

    def no_traceback(self) -> bool:
        return "Traceback" not in self.log()

    def resident_kb(self) -> int:
        """Memory in use, from /proc."""
        assert self.process is not None
        found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{self.process.pid}/status").read_text())
        assert found is not None
        return int(found[1])


def command(watcher: Watcher, kind: str, **values: Any) -> str:
    """Send a command as a phone would; its id."""
    made = values.pop("id", None) or uuid.uuid4().hex
    issued = values.pop("issued_utc", None) or datetime.now(UTC).isoformat()
    body = json.dumps({"id": made, "issued_utc": issued, "client": "campaign", **values})
    watcher.client.publish(f"{BASE}/command/{kind}", body, qos=1).wait_for_publish(5)
    return str(made)


def alarms(watcher: Watcher, code: str) -> list[dict[str, Any]]:
    """Alarm messages of `code` so far, oldest first."""
    return [json.loads(m.payload) for m in watcher.on(f"{BASE}/alarm/{code}") if m.payload]


def wait_alarm(
    watcher: Watcher, code: str, within_s: float, *, active: bool = True, after: int = 0
) -> dict[str, Any]:
    """The next alarm message of `code` beyond the first `after` ones that says `active`."""

    def fit() -> list[dict[str, Any]]:
        return [a for a in alarms(watcher, code)[after:] if a["active"] is active]

    wait_for(lambda: bool(fit()), within_s, f"alarm '{code}'")
    return fit()[0]


def last_state(watcher: Watcher) -> dict[str, Any]:
    """The newest state message."""
    found = watcher.on(f"{BASE}/state")
    return json.loads(found[-1].payload) if found else {}


def wait_state(watcher: Watcher, test: Any, within_s: float = 15.0, what: str = "a state") -> dict[str, Any]:
    """Wait until the newest state message passes `test`."""
    wait_for(lambda: bool(found := last_state(watcher)) and test(found), within_s, what)
    return last_state(watcher)


def tended(service: Service, watcher: Watcher) -> None:
    """Start and ask for tending; returns when it tends."""
    service.start()
    watcher.wait(f"{BASE}/state", within_s=30.0)
    command(watcher, "light")
    command(watcher, "tend")
    wait_state(watcher, lambda s: s["phase"] in ("settling", "tending"), 20.0, "tending")
    wait_for(lambda: bool(service.trace()), what="a first second of the grill")  # written after it is told
