"""systemd's notification protocol, sd_notify(3): one datagram to $NOTIFY_SOCKET. Never blocks, never fails.

Own lines rather than a package: the one in use encodes Latin-1, which turns '°' into a lone byte.
"""

from __future__ import annotations

import os
import socket
from contextlib import suppress


class Notifier:
    """Tells systemd READY, STATUS, WATCHDOG and STOPPING; silent when nobody asked ($NOTIFY_SOCKET unset)."""

    def __init__(self, address: str | None = None) -> None:
        where = os.environ.get("NOTIFY_SOCKET", "") if address is None else address
        self._address = "\0" + where[1:] if where.startswith("@") else where
        self._socket: socket.socket | None = None
        if where:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)

    def tell(self, *assignments: str) -> None:
        """Send assignments such as 'READY=1'; a full or missing socket is ignored."""
        if self._socket is None:
            return
        with suppress(OSError):
            self._socket.sendto("\n".join(assignments).encode(), self._address)

    def close(self) -> None:
        """Give the socket back."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
