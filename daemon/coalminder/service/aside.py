"""Words said by a thread of their own, so that no reader holds up the loop that tends a fire.

A terminal that was stopped (Ctrl-S), a pager that is not read, a journal that hangs: whoever writes to them
waits until they go on, perhaps for hours.
"""

from __future__ import annotations

import logging
import os
import queue
import sys
import threading
from collections.abc import Callable
from contextlib import suppress

_MOST = 1000  # lines that wait; more are lost
_END_S = 1.0  # for what still waits at the end


class Aside:
    """Hands lines to `write`, in their order. What `write` raises for a reader that is gone is no matter."""

    def __init__(self, write: Callable[[str], object]) -> None:
        self._write = write
        self._waiting: queue.Queue[str | None] = queue.Queue(_MOST)
        self._thread = threading.Thread(target=self._run, name="words", daemon=True)
        self._thread.start()

    def say(self, line: str | None) -> None:
        """Say `line` as soon as somebody takes it; returns at once."""
        with suppress(queue.Full):
            self._waiting.put_nowait(line)

    def close(self) -> None:
        """Wait a moment until all is said."""
        self.say(None)
        self._thread.join(_END_S)

    def _run(self) -> None:
        while (line := self._waiting.get()) is not None:
            with suppress(OSError, ValueError, AttributeError):
                self._write(line)


class AsideHandler(logging.Handler):
    """The log, said aside to standard error."""

    def __init__(self) -> None:
        self._aside = Aside(_to_stderr)
        super().__init__()

    def emit(self, record: logging.LogRecord) -> None:
        """Take one entry."""
        try:
            self._aside.say(self.format(record))
        except Exception:  # noqa: BLE001 - as every handler: an entry that cannot be told ends nothing
            self.handleError(record)

    def close(self) -> None:
        """Wait a moment until all is said."""
        self._aside.close()
        super().close()


def _to_stderr(line: str) -> None:
    # past the stream's buffer: its lock, held by a thread that waits for ever, would hold up the end
    encoding = sys.stderr.encoding or "utf-8"
    os.write(sys.stderr.fileno(), f"{line}\n".encode(encoding, "backslashreplace"))
