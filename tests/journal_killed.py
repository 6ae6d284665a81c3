"""A process that records a cook and is killed: `python journal_killed.py FOLDER STEP_MS`.

Prints `n utc` for each step handed over and `safe n` when the alarms up to step n are known to be on disk.
Time runs 10 times as fast as in a real cook: readings are committed every 0.2 s instead of every 2 s.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from recorded_cook import CookState, alarm, cook_step

from coalminder.journal import Journal, Refusal, Resume, Start, resume

COMMIT_EVERY_S = 0.2
TIMES_AS_FAST = 10


def has_alarm(n: int) -> bool:
    """Three steps in 300 bring an alarm of their own: longer apart than the readings that may be lost."""
    return n % 300 < 3


def main() -> None:
    folder, pace_s = Path(sys.argv[1]), float(sys.argv[2]) / 1000
    found: Resume[CookState] | Refusal = resume(folder, CookState, time.time())
    state = found.state if isinstance(found, Resume) else CookState()
    journal = Journal(folder, Start("0.1.0", {}, time.time(), state), found, commit_every_s=COMMIT_EVERY_S)
    first = found.last_n + 1 if isinstance(found, Resume) else 1
    for i in range(first, first + 1_000_000):
        inputs, decision, state = cook_step(i, *([alarm(f"code_{i}")] if has_alarm(i) else []))
        journal.record(float(i), time.time(), inputs, decision, state)
        print(i, repr(time.time()), flush=True)
        if i % 300 == 2 and journal.flush(5.0):
            print("safe", i, flush=True)
        time.sleep(pace_s)


if __name__ == "__main__":
    main()
