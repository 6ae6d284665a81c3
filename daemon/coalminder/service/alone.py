"""One daemon a grill: two that move the same vents and write the same record would fight."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from coalminder.errors import UserError


@contextmanager
def alone(directory: Path) -> Iterator[None]:
    """Hold the lock of the records in `directory`; the kernel lets go of it however this process ends.

    UserError when another process holds it. A directory that cannot be written (a full or read-only disk)
    is no reason not to tend: then there is no lock.
    """
    try:
        directory.mkdir(parents=True, exist_ok=True)
        handle = os.open(directory / "tend.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError:
        yield
        return
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise UserError(
                f"journal.directory {directory}: another daemon tends with it; "
                "stop that one first (systemctl stop coalminder), or give each grill a directory of its own"
            ) from None
        except OSError:
            pass  # a file system without locks
        yield
    finally:
        os.close(handle)
