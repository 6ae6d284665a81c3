"""Prints what the daemon costs at 1 Hz: resident memory, share of a core, start to READY.

    PYTHONPATH=tests .venv/bin/python tests/footprint.py [SECONDS]
    PYTHONPATH=tests .venv/bin/python tests/footprint.py pooled
    PYTHONPATH=tests .venv/bin/python tests/footprint.py replayed

The real service process on the simulated kettle in real time, with a real mosquitto. The kettle's own
cost (17 us a second) is included. pooled: what each further cook of 4 h takes of `coalminder replay`.
replayed: processor time of deciding a cook of 10 h again, and of the bare steps of the core in the same run.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from brokers import Mosquitto

from coalminder.build import build
from coalminder.codec import from_plain
from coalminder.core import Config, State, step
from coalminder.grill import Kettle
from coalminder.journal import read
from coalminder.rehearse.fast import run_fast
from coalminder.replay.again import replay


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text("ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rss_mb(pid: int) -> float:
    line = next(
        x for x in Path(f"/proc/{pid}/status").read_text("ascii").splitlines() if x.startswith("VmRSS")
    )
    return int(line.split()[1]) / 1024.0


def peak_mb(folder: Path, cooks: int) -> float:
    command = [sys.executable, "-m", "coalminder.cli", "replay", "--quiet"]
    command += [str(folder / f"{number}.cook") for number in range(cooks)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return used.ru_maxrss / 1024.0


def pooled(cooks: int = 8) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rehearse = [sys.executable, "-m", "coalminder.cli", "rehearse", "--fast", "--hours", "4"]
        subprocess.run([*rehearse, "--record", name], check=True, stdout=subprocess.DEVNULL)
        (record,) = folder.glob("*.cook")
        for number in range(cooks):
            shutil.copy(record, folder / f"{number}.cook")
        one = peak_mb(folder, 1)
        print(f"replay of one cook of 4 h            {one:.0f} MB")
        print(f"each further one                     {(peak_mb(folder, cooks) - one) / (cooks - 1):.1f} MB")


def replayed(hours: float = 10.0) -> None:
    with tempfile.TemporaryDirectory() as name:
        run_fast(Kettle(seed=1), Config(), (), hours * 3600.0, record=Path(name))
        (path,) = Path(name).glob("*.cook")
        with read(path) as record:
            state: State = from_plain(State, record.state_before(1))
            steps = list(record.steps())
            began = time.process_time()
            for item in steps:
                state, _ = step(state, item.inputs, item.now_s)
            bare_s = time.process_time() - began
            began = time.process_time()
            again = replay(record, build())
            replay_s = time.process_time() - began
        assert again.same
        print(f"replay of a cook of {hours:g} h             {replay_s:.1f} s of processor time")
        print(f"the same over the bare steps         {replay_s / bare_s:.2f}")


def main(seconds: float) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder)
        broker.start()
        path = folder / "c.toml"
        path.write_text(
            f'[mqtt]\nport = {broker.port}\n[journal]\ndirectory = "{folder / "cooks"}"\n', "utf-8"
        )
        notify = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        notify.bind(str(folder / "notify"))
        command = [sys.executable, "-m", "coalminder.cli", "tend", "--config", str(path)]
        command += ["--simulate", "coalminder.grill:kettle"]
        began = time.monotonic()
        with (folder / "log").open("wb") as log:
            process = subprocess.Popen(
                command, env={**os.environ, "NOTIFY_SOCKET": str(folder / "notify")}, stderr=log
            )
        notify.recv(4096)
        print(f"start to vents at their safe place  {time.monotonic() - began:.2f} s")
        time.sleep(5.0)
        used, at = cpu_s(process.pid), time.monotonic()
        time.sleep(seconds)
        share = (cpu_s(process.pid) - used) / (time.monotonic() - at)
        print(f"share of a core at 1 Hz              {100.0 * share:.2f} %  over {seconds:.0f} s")
        print(f"resident memory                      {rss_mb(process.pid):.1f} MB")
        process.terminate()
        process.wait(10)
        broker.stop()


if __name__ == "__main__":
    if sys.argv[1:] == ["pooled"]:
        pooled()
    elif sys.argv[1:] == ["replayed"]:
        replayed()
    else:
        main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
