"""A device that is given up after a failure and opened again for its next use.

A handle may outlive its device: after a bus was taken away and came back, by an adapter on USB or a driver of
the kernel loaded anew, the old handle fails for ever and a new one works.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Any


class Reopened:
    """What `open_device` opens: something with a `close`. Opened at once. Its owner sees to threads."""

    def __init__(self, open_device: Callable[[], Any]) -> None:
        self._open_device = open_device
        self._device: Any = open_device()

    def use(self, job: Callable[[Any], Any]) -> Any:
        """`job` of the open device. OSError when it fails or cannot be opened."""
        if self._device is None:
            self._device = self._open_device()
        try:
            return job(self._device)
        except OSError:
            failed, self._device = self._device, None
            with suppress(OSError):
                failed.close()
            raise
