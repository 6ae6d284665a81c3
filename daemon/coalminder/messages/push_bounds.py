"""Bounds on what a push service answers, in bytes and in time.

The library of push services asks by `requests`, which reads an answer whole, however long it is, and whose
time-outs begin anew with each byte.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import requests.sessions
import urllib3.util.connection
from requests import PreparedRequest, RequestException, Response
from requests.adapters import HTTPAdapter

MOST_BYTES = 1 << 20
"""Of an answer; what comes after it is not read. The answers of push services have some kB [estimate]."""
WHOLE_S = 30.0
"""For a request and its answer, in all."""
_PART_BYTES = 8192


class _Exchange:
    """One request and its answer: `cut` ends its connections, whatever they wait for."""

    def __init__(self) -> None:
        self.over = False
        self._sockets: list[socket.socket] = []
        self._lock = threading.Lock()

    def add(self, connection: socket.socket) -> None:
        """A copy, for TLS takes the socket itself over; to shut one down shuts both."""
        with self._lock:
            self._sockets.append(connection.dup())
        if self.over:
            self.cut()

    def cut(self) -> None:
        with self._lock:
            self.over = True
            for connection in self._sockets:
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        with self._lock:
            for connection in self._sockets:
                connection.close()
            self._sockets.clear()


_now = threading.local()
_connect = urllib3.util.connection.create_connection


def _noted_connection(*args: Any, **others: Any) -> socket.socket:
    connection = _connect(*args, **others)
    if exchange := getattr(_now, "exchange", None):
        exchange.add(connection)
    return connection


@contextmanager
def _whole_within(seconds: float) -> Iterator[_Exchange]:
    """The exchange of this thread, cut off after `seconds`."""
    _now.exchange = exchange = _Exchange()
    timer = threading.Timer(seconds, exchange.cut)
    timer.daemon = True
    timer.start()
    try:
        yield exchange
    finally:
        timer.cancel()
        _now.exchange = None
        exchange.close()


class _BoundedAdapter(HTTPAdapter):
    """Reads an answer as far as the bounds allow. Once its status is known, a body cut short is no failure:
    the service has taken the notice, and would be told again.
    """

    def send(self, request: PreparedRequest, stream: bool = False, *args: Any, **others: Any) -> Response:
        with _whole_within(WHOLE_S) as exchange:
            response = super().send(request, True, *args, **others)
            body = bytearray()
            try:
                for part in response.iter_content(_PART_BYTES):
                    body += part
                    if len(body) >= MOST_BYTES:
                        break
            except RequestException:
                if not exchange.over:
                    raise
            finally:
                response.close()
                self.close()  # the next exchange counts its own connections only
            response._content = bytes(body[:MOST_BYTES])  # no public way; it is what `content` gives
            return response


def bound() -> None:
    """From now on every session of `requests` in this process keeps the bounds."""
    urllib3.util.connection.create_connection = _noted_connection
    vars(requests.sessions)["HTTPAdapter"] = _BoundedAdapter
