"""Runs inside the booted container as root: provokes the unit and notes what systemd did.

Writes /results/found.json, then halts the machine. Judging is done outside, by test_boot.py.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from pathlib import Path

UNIT = "coalminder.service"
PROPERTIES = (
    "ActiveState",
    "SubState",
    "Result",
    "MainPID",
    "NRestarts",
    "StatusText",
    "ExecMainStartTimestampMonotonic",
)


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(words, capture_output=True, text=True, check=False)


def show() -> dict[str, str]:
    lines = run("systemctl", "show", UNIT, "--property", ",".join(PROPERTIES)).stdout.splitlines()
    return dict(line.split("=", 1) for line in lines)


def wait_for(wanted: object, for_s: float = 25.0) -> dict[str, str]:
    deadline_s = time.monotonic() + for_s
    while True:
        found = show()
        if wanted(found) or time.monotonic() > deadline_s:  # type: ignore[operator]
            return found
        time.sleep(0.05)


def running_again(restarts: int) -> object:
    return lambda found: found["ActiveState"] == "active" and int(found["NRestarts"]) >= restarts


def lines() -> list[dict[str, str]]:
    out = run("journalctl", "--unit", UNIT, "--output", "json", "--no-pager").stdout
    return [
        {"at_us": entry["__MONOTONIC_TIMESTAMP"], "text": str(entry.get("MESSAGE", ""))}
        for entry in map(json.loads, out.splitlines())
    ]


def provoke() -> dict[str, object]:
    found: dict[str, object] = {}
    start_s = time.monotonic()
    started = run("systemctl", "start", UNIT)
    found["start"] = {**show(), "returncode": started.returncode, "took_s": time.monotonic() - start_s}
    pid = int(show()["MainPID"])
    found["user"] = run("ps", "-o", "user=", "-p", str(pid)).stdout.strip()
    credential = Path(f"/run/credentials/{UNIT}/mqtt_password")
    found["credential"] = credential.read_text(encoding="utf-8") if credential.exists() else None
    found["capabilities"] = [
        line.split()[1]
        for line in Path(f"/proc/{pid}/status").read_text().splitlines()
        if line.startswith("Cap")
    ]
    found["mounts"] = [
        line.split(" - ")[0].split()[4:6] for line in Path(f"/proc/{pid}/mountinfo").read_text().splitlines()
    ]
    time.sleep(1.5)

    os.kill(pid, signal.SIGKILL)
    found["after_kill"] = wait_for(running_again(1))

    os.kill(int(show()["MainPID"]), signal.SIGSTOP)
    stopped_s = time.monotonic()
    found["after_hang"] = wait_for(running_again(2))
    found["hang_took_s"] = time.monotonic() - stopped_s

    run("systemctl", "stop", UNIT)
    found["after_stop"] = show()

    good = Path("/etc/coalminder/coalminder.toml").read_text(encoding="utf-8")
    run("systemctl", "reset-failed", UNIT)
    Path("/etc/coalminder/coalminder.toml").write_text(good + "\n[band]\nlow = 'warm'\n", encoding="utf-8")
    run("systemctl", "start", UNIT)
    found["after_bad_configuration"] = wait_for(lambda state: state["ActiveState"] == "failed")
    Path("/etc/coalminder/coalminder.toml").write_text(good, encoding="utf-8")

    run("systemctl", "reset-failed", UNIT)
    run("systemctl", "start", UNIT)
    for _ in range(8):
        state = wait_for(lambda state: state["MainPID"] != "0" or state["ActiveState"] == "failed")
        if state["ActiveState"] == "failed":
            break
        try:
            os.kill(int(state["MainPID"]), signal.SIGKILL)
        except ProcessLookupError:
            pass
        time.sleep(0.2)
    found["after_crash_loop"] = wait_for(lambda state: state["ActiveState"] == "failed")
    return found


def main() -> None:
    found: dict[str, object] = {}
    try:
        found = provoke()
    finally:
        found["journal"] = lines()
        Path("/results/found.json").write_text(json.dumps(found, indent=1), encoding="utf-8")
        run("systemctl", "--no-block", "poweroff", "--force")


if __name__ == "__main__":
    main()
