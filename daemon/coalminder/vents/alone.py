"""One program moves the vents of a grill: two that do would fight, and write the same record.

Imports little: `snuff` asks here whether somebody tends.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from coalminder.errors import UserError

_LOCK = "tend.lock"


@contextmanager
def alone(directory: Path) -> Iterator[None]:
    """Hold the lock of the records in `directory`; the kernel lets go of it however this process ends.

    UserError when another process holds it. A directory that is not there or cannot be written (a full or
    read-only disk) is no reason not to tend: then there is no lock.
    """
    try:
        # to read is enough for a lock: a file that root made does not shut the service's user out
        handle = os.open(directory / _LOCK, os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except (OSError, ValueError):
        yield
        return
    try:
        with suppress(OSError):
            os.fchmod(handle, 0o644)  # whatever the umask of the one who came first
        if _taken(handle):
            raise UserError(
                f"journal.directory {directory}: another daemon tends with it, or a test moves its vents; "
                "stop that one first (systemctl stop coalminder), or give each grill a directory of its own"
            )
        yield
    finally:
        os.close(handle)


def held(directory: Path) -> bool | None:
    """Whether another program holds the lock of `directory`; None when this user may not look."""
    try:
        handle = os.open(directory / _LOCK, os.O_RDONLY | os.O_CLOEXEC)
    except PermissionError:
        return None
    except (OSError, ValueError):
        return False
    try:
        return _taken(handle)
    finally:
        os.close(handle)


def _taken(handle: int) -> bool:
    """Take the lock; True when somebody else has it."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        pass  # a file system without locks
    return False
