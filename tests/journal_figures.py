"""Figures of docs/journal.md: growth of the file, bytes written to the card, time per step.

Run: python tests/journal_figures.py
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from recorded_cook import UTC_S, CookState, alarm, cook_step

from coalminder.journal import Journal, Start, read
from coalminder.values import OutMessage

STEPS = 3600


def written_bytes() -> int:
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(fields["wchar"])


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        before = written_bytes()
        journal = Journal(Path(folder), Start("0.1.0", {}, UTC_S, CookState()), commit_every_s=3600.0)
        raised = alarm("fire_dying")
        steps = [cook_step(i, *([raised] if i % 600 < 120 else [])) for i in range(1, STEPS + 1)]
        worst_s = 0.0
        for i, (inputs, decision, state) in enumerate(steps, 1):
            begin = time.perf_counter()
            journal.record(float(i), UTC_S + i, inputs, decision, state)
            worst_s = max(worst_s, time.perf_counter() - begin)
            if i % 2 == 0:  # what commit_every = 2 s does at 1 Hz
                journal.flush()
        latency_s = []
        for _ in range(50):
            begin = time.perf_counter()
            journal.post(OutMessage("t", "x", UTC_S))
            journal.flush()
            latency_s.append(time.perf_counter() - begin)
        path = Path(journal.health().path)
        journal.close()
        per_day = 86400 / STEPS / 1e6
        print(f"file grows by                 {path.stat().st_size * per_day:6.1f} MB/day at 1 Hz")
        print(f"written to the card           {(written_bytes() - before) * per_day:6.1f} MB/day")
        print(f"longest call of record()      {worst_s * 1e3:6.2f} ms")
        print(
            f"alarm on disk after, median   {sorted(latency_s)[25] * 1e3:6.2f} ms; worst "
            f"{max(latency_s) * 1e3:.2f} ms"
        )
        begin = time.perf_counter()
        with read(path) as record:
            count = sum(1 for _ in record.steps())
        print(f"read back                     {count / (time.perf_counter() - begin):6.0f} steps/s")


if __name__ == "__main__":
    main()
