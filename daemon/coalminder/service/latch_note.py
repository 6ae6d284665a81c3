"""A note of what keeps the vents shut, beside the journal: a full or worn disk must open none at a restart.

The note is written over bytes that are there already, which also a full disk takes, and into the service's
folder in memory (RUNTIME_DIRECTORY), which outlives the process but not the board. The journal stays the
record; the note can only add to what was found there: a latched fault, or that the fire was put out.
"""

from __future__ import annotations

import json
import os
import threading
from contextlib import suppress
from pathlib import Path

from coalminder.journal.folder import write_anew
from coalminder.safety.faults import cuts_off
from coalminder.safety.view import SHUT_PHASES
from coalminder.values import Decision, Inputs

_NAME = "latched"
_SHUT = "vents shut"
_AGAIN_S = 1.0
_BYTES = 512  # one sector: written whole or not at all


class LatchNote:
    """A listener of the tender that writes the note when what it says changes. Never blocks or raises.

    Its thread begins with the first step: one begun without memory to spare never comes up, and whoever
    starts it waits for ever.
    """

    def __init__(self, directory: Path) -> None:
        memory = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
        folders = [Path(memory), directory] if memory else [directory]
        self._paths = [folder / _NAME for folder in folders]
        self._words: tuple[str, ...] | None = None
        self._thread: threading.Thread | None = None
        self._news = threading.Event()

    def __call__(self, _now_s: float, _inputs: Inputs, decision: Decision) -> None:
        """Take one step."""
        codes = sorted(alarm.code for alarm in decision.alarms if cuts_off(alarm.code))
        words = (*codes, _SHUT) if decision.phase in SHUT_PHASES else tuple(codes)
        if words == self._words or not self._has_thread():
            return
        self._words = words
        self._news.set()

    def read(self) -> tuple[str, ...]:
        """The faults noted as latched, () when there is no note or none that can be read."""
        return tuple(sorted(word for word in self._read() if cuts_off(word)))

    def says_shut(self) -> bool:
        """Whether the vents were shut for good when it was written."""
        return _SHUT in self._read()

    def _read(self) -> set[str]:
        found: set[str] = set()
        for path in self._paths:
            try:
                words = json.loads(path.read_text("utf-8"))
            except (OSError, ValueError):
                continue
            found |= {word for word in words if isinstance(word, str)} if isinstance(words, list) else set()
        return found

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
            owed = self._paths
            while owed:
                with suppress(MemoryError):
                    owed = [path for path in owed if not self._write(path)]
                if owed and self._news.wait(_AGAIN_S):
                    break

    def _write(self, path: Path) -> bool:
        content = json.dumps(self._words).encode().ljust(_BYTES)
        try:
            handle = _opened(path, content)
            try:
                os.write(handle, content)
                os.fsync(handle)
            finally:
                os.close(handle)
        except OSError:
            return False  # read-only: the other place must do
        return True


def _opened(path: Path, content: bytes) -> int:
    flags = os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC
    try:
        return os.open(path, flags, 0o644)
    except PermissionError:  # root made it by hand, in a folder of this user's
        write_anew(path, content.decode())
        return os.open(path, flags, 0o644)
