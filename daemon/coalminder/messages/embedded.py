"""A small broker inside the process, for rehearsals only (extra `demo`).

It speaks MQTT 3.1.1 without passwords, so it listens on loopback alone. A real grill uses a real broker.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from typing import Any

from coalminder.errors import UserError
from coalminder.messages.options import LinkOptions


class EmbeddedBroker:
    """A broker on 127.0.0.1 in a thread and loop of its own. Use as a context manager, or start and stop."""

    host = "127.0.0.1"

    def __init__(self, port: int = 0) -> None:
        """`port` 0 takes a free one."""
        self.port = port
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._stop: asyncio.Event | None = None
        self._ready = threading.Event()
        self._error: BaseException | None = None

    @property
    def url(self) -> str:
        return f"mqtt://{self.host}:{self.port}"

    def options(self, grill: str = "kettle") -> LinkOptions:
        """How a link reaches this broker, without the seconds that finding out its version takes."""
        return LinkOptions(host=self.host, port=self.port, grill=grill, mqtt_version="3.1.1")

    def start(self) -> None:
        """Start and wait until it listens. UserError when it cannot, ModuleNotFoundError without amqtt."""
        import amqtt.broker  # noqa: F401  # the extra is loaded only when asked for

        self._ready.clear()
        self._thread = threading.Thread(target=self._main, name="embedded broker", daemon=True)
        self._thread.start()
        if not self._ready.wait(10) or self._error is not None:
            raise UserError(f"the embedded broker did not start on port {self.port}: {self._error}")

    def stop(self, timeout_s: float = 3.0) -> None:
        """Shut down; gives up waiting after `timeout_s`."""
        if self._loop is not None and self._stop is not None and self._thread is not None:
            if self._thread.is_alive():
                self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(timeout_s)
        self._thread = None

    def __enter__(self) -> EmbeddedBroker:
        self.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.stop()

    def _main(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # noqa: BLE001  # told to the thread that waits in start()
            self._error = error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        from amqtt.broker import Broker

        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        if self.port == 0:
            with socket.socket() as sock:
                sock.bind((self.host, 0))
                self.port = sock.getsockname()[1]
        config: dict[str, Any] = {
            "listeners": {"default": {"type": "tcp", "bind": f"{self.host}:{self.port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
        broker = Broker(config)
        serve, writers = broker.stream_connected, set[asyncio.StreamWriter]()

        async def kept(
            reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
        ) -> None:
            writers.add(writer)
            try:
                await serve(reader, writer, listener_name)
            finally:
                writer.close()
                writers.discard(writer)

        broker.stream_connected = kept  # the broker leaves one open that said nothing yet, or came last
        await broker.start()
        self._ready.set()
        await self._stop.wait()
        ending = asyncio.create_task(broker.shutdown())
        await asyncio.wait({ending}, timeout=0.2)  # from Python 3.12 on it waits for who said nothing yet
        for writer in writers:
            writer.close()
        await ending
        others = asyncio.all_tasks() - {asyncio.current_task()}
        if others:  # let the handlers of connections end
            await asyncio.wait(others, timeout=0.5)
