"""One program moves the vents of a grill: two that do would fight, and write the same record.

Two locks, for either may be missing: a file beside the records, and a name in the kernel for each wire.
Imports little: `snuff` asks here whether somebody tends.
"""

from __future__ import annotations

import errno
import fcntl
import os
import socket
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from coalminder.errors import UserError

_LOCK = "tend.lock"
_FLAGS = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW


@contextmanager
def alone(directory: Path, wires: Iterable[str] = ()) -> Iterator[None]:
    """Hold the records in `directory` and the `wires` of the vents.

    The kernel lets go of them however this process ends. UserError when another one holds one of them. A
    directory that is not there or cannot be written (a full or read-only disk) is no reason not to tend.
    """
    with ExitStack() as locks:
        locks.enter_context(_alone_in(directory))
        for wire in wires:
            locks.enter_context(_alone_on(wire))
        yield


def held(directory: Path, wires: Iterable[str] = ()) -> bool:
    """Whether another program holds the lock of `directory` or of one of the `wires`."""
    return any(_wire_held(wire) for wire in wires if wire) or _folder_held(directory)


def untended(directory: Path, option: str) -> None:
    """UserError, naming `option`, when a service keeps its records in `directory`.

    It would take a simulated cook that was recorded there for its own, and go on with it on a real grill.
    """
    if os.path.exists(directory / _LOCK):
        raise UserError(
            f"{option} {directory}: the service keeps its records there, and would go on with this one as "
            "with a cook; name another folder"
        )


@contextmanager
def _alone_in(directory: Path) -> Iterator[None]:
    try:
        # To read is enough for a lock: a file that root made does not shut the service's user out. No link is
        # followed: by one of that user's, root would open any file to all.
        handle = os.open(directory / _LOCK, _FLAGS | os.O_CREAT, 0o644)
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


@contextmanager
def _alone_on(wire: str) -> Iterator[None]:
    # a name without a file (unix(7), abstract): any user can hold it and look for it, on any disk
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as name:
        try:
            name.bind(_address(wire))
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                raise UserError(
                    f"{wire}: another daemon, or a test, moves a vent there; stop that one first (systemctl "
                    "stop coalminder, or coalminder@NAME), or give each vent a wire of its own in [vents]"
                ) from None  # any other error: no such names here
        yield


def _wire_held(wire: str) -> bool:
    """By asking, not by taking: a daemon that starts just now finds its name free."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(_address(wire))
        except OSError as error:
            return error.errno == errno.EPERM  # somebody has it who takes no word from others
    return True


def _address(wire: str) -> str:
    return f"\0coalminder/{wire}"


def _folder_held(directory: Path) -> bool:
    try:
        handle = os.open(directory / _LOCK, _FLAGS)
    except (OSError, ValueError):
        return False  # not there, or this user may not look
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
