"""Moving vents from the command line: not beside a daemon, and never left half way."""

from __future__ import annotations

import shutil
import signal
import subprocess
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from coalminder.errors import UserError
from coalminder.vents.alone import alone

#: What may end a program that holds vents: stop, Ctrl-C, a dropped terminal, Ctrl-\
ENDING = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT)
#: What would stop or end it half way, with the vents as they are, and is not heeded: Ctrl-Z, a word from the
#: background to a terminal that wants none (stty tostop), and what others take for a word to show their state
_UNHEEDED = (signal.SIGTSTP, signal.SIGTTOU, signal.SIGUSR1, signal.SIGUSR2, signal.SIGALRM)
_UNITS = ("coalminder.service", "coalminder@*.service")
_RUNNING = "active,activating,reloading,deactivating"  # activating: also the wait before a restart


@contextmanager
def by_hand(directory: Path, wires: Iterable[str] = ()) -> Iterator[None]:
    """Move the vents on `wires` inside; `directory` is that of the grill's records.

    UserError while a unit of ours runs, of whichever grill: its wires may be these. UserError, too, while
    another program holds one of the locks of vents/alone.py.
    """
    refuse_while_tending()
    with alone(directory, wires), unstopped(), _ending_in_order():
        yield


def refuse_while_tending() -> None:
    """UserError while systemd runs coalminder.service or one of coalminder@NAME.

    Says nothing of daemons started otherwise, nor where there is no systemd; see `by_hand`.
    """
    if shutil.which("systemctl") is None:
        return
    asked = ["systemctl", "list-units", "--plain", "--no-legend", f"--state={_RUNNING}", *_UNITS]
    try:
        shown = subprocess.run(asked, check=False, capture_output=True, text=True, timeout=10.0).stdout
    except (OSError, subprocess.TimeoutExpired):
        return
    running = [line.split()[0] for line in shown.splitlines() if line.strip()]
    if running:
        names = " ".join(running)
        raise UserError(f"{names}: tending; stop it first: sudo systemctl stop {names}")


def ending() -> tuple[signal.Signals, ...]:
    """Those of ENDING that nobody had switched off (nohup does)."""
    return tuple(number for number in ENDING if signal.getsignal(number) is not signal.SIG_IGN)


@contextmanager
def unstopped() -> Iterator[None]:
    """No Ctrl-Z inside, nor what ends a program that knows no such signal: a fire burns on."""
    before = {number: signal.signal(number, signal.SIG_IGN) for number in _UNHEEDED}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _ending_in_order() -> Iterator[None]:
    """The first signal ends the work like Ctrl-C, so that each `finally` shuts its vent; more do nothing."""

    def end(_number: int, _frame: object) -> None:
        for number in ENDING:
            signal.signal(number, signal.SIG_IGN)
        raise KeyboardInterrupt

    before = {number: signal.signal(number, end) for number in ending()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
