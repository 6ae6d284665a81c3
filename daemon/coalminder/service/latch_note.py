"""A note of what is latched, beside the journal: a full or worn disk must not open the vents at a restart.

The note is written over bytes that are there already, which also a full disk takes, and into the service's
folder in memory (RUNTIME_DIRECTORY), which outlives the process but not the board. The journal stays the
record; the note can only add a latched fault to what was found there.
"""

from __future__ import annotations

import json
import os
import threading
import time
from pathlib import Path

from coalminder.safety.faults import cuts_off
from coalminder.values import Decision, Inputs

_NAME = "latched"
_AGAIN_S = 1.0
_BYTES = 512  # one sector: written whole or not at all


class LatchNote:
    """A listener of the tender that writes the note when what is latched changes. Never blocks or raises.

    Its thread begins with the first step: one begun without memory to spare never comes up, and whoever
    starts it waits for ever.
    """

    def __init__(self, directory: Path) -> None:
        memory = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
        folders = [Path(memory), directory] if memory else [directory]
        self._paths = [folder / _NAME for folder in folders]
        self._codes: tuple[str, ...] | None = None
        self._thread: threading.Thread | None = None
        self._news = threading.Event()

    def __call__(self, _now_s: float, _inputs: Inputs, decision: Decision) -> None:
        """Take one step."""
        codes = tuple(sorted(alarm.code for alarm in decision.alarms if cuts_off(alarm.code)))
        if codes == self._codes or not self._has_thread():
            return
        self._codes = codes
        self._news.set()

    def read(self) -> tuple[str, ...]:
        """The faults noted as latched, () when there is no note or none that can be read."""
        found: set[str] = set()
        for path in self._paths:
            try:
                codes = json.loads(path.read_text("utf-8"))
            except (OSError, ValueError):
                continue
            found |= {code for code in codes if isinstance(code, str)} if isinstance(codes, list) else set()
        return tuple(sorted(code for code in found if cuts_off(code)))

    def _has_thread(self) -> bool:
        if self._thread is None:
            thread = threading.Thread(target=self._run, name="latch note", daemon=True)
            try:
                thread.start()
            except RuntimeError:
                return False  # none to be had: again in the next step
            self._thread = thread
        return True

    def _run(self) -> None:
        while self._news.wait():
            self._news.clear()
            try:
                self._write()
            except MemoryError:
                time.sleep(_AGAIN_S)
                self._news.set()

    def _write(self) -> None:
        content = json.dumps(self._codes).encode().ljust(_BYTES)
        for path in self._paths:
            try:
                handle = _opened(path)
                try:
                    os.write(handle, content)
                    os.fsync(handle)
                finally:
                    os.close(handle)
            except OSError:
                continue  # read-only: the other place must do


def _opened(path: Path) -> int:
    flags = os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC
    try:
        return os.open(path, flags, 0o644)
    except PermissionError:  # root made it by hand, in a folder of this user's
        path.unlink()
        return os.open(path, flags, 0o644)
