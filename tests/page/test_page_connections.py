"""Who holds connections open and asks for nothing locks nobody out."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator

import httpx
import pytest
import uvicorn
from brokers import wait_for
from page_messages import FakeWire

from coalminder.page import connections
from coalminder.page.app import Door, PageApp
from coalminder.page.connections import PhoneConnection
from coalminder.page.view import Shown


class Served:
    """The page on a free port, in this process, without a login."""

    def __init__(self) -> None:
        self.wire = FakeWire()
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.port = self.listening.getsockname()[1]
        app = PageApp(self.wire, Door(None), Shown())  # type: ignore[arg-type]
        config = uvicorn.Config(app.asgi, log_level="warning", http=PhoneConnection, ws="none")
        self.server = uvicorn.Server(config)

    @property
    def open(self) -> int:
        return len(self.server.server_state.connections)

    async def snuff(self) -> float:
        """How long one takes, s."""
        began_s = asyncio.get_running_loop().time()
        home = f"http://127.0.0.1:{self.port}"
        headers = {"origin": home, "x-csrf": "no-login"}
        async with httpx.AsyncClient(base_url=home, timeout=5.0) as phone:
            answer = await phone.post("/command/snuff", json={}, headers=headers)
        assert answer.json()["result"] == "accepted"
        return asyncio.get_running_loop().time() - began_s


@pytest.fixture
async def served() -> AsyncIterator[Served]:
    served = Served()
    task = asyncio.create_task(served.server.serve(sockets=[served.listening]))
    await asyncio.to_thread(wait_for, lambda: served.server.started)
    yield served
    served.server.should_exit = True
    await task


async def dial(served: Served, first: bytes = b"") -> asyncio.StreamWriter:
    _, writer = await asyncio.open_connection("127.0.0.1", served.port)
    writer.write(first)
    return writer


async def test_three_hundred_idle_connections_do_not_hold_up_a_snuff(served: Served) -> None:
    half = b"POST /command/snuff HTTP/1.1\r\nhost: 127.0.0.1\r\n"
    idle = [await dial(served, half if i % 2 else b"") for i in range(300)]
    assert await served.snuff() < 2.0
    assert served.open <= connections.MOST
    for writer in idle:
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


@pytest.mark.parametrize(
    "first",
    [b"", b"GET / HTTP/1.1\r\n", b"POST /login HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 9\r\n\r\npa"],
    ids=["silent", "half a head", "half a body"],
)
async def test_a_request_that_does_not_become_whole_is_hung_up_on(
    served: Served, first: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "WHOLE_REQUEST_S", 0.3)
    writer = await dial(served, first)
    await asyncio.to_thread(wait_for, lambda: served.open)
    for _ in range(10):
        await asyncio.sleep(0.05)
        writer.write(b"x" if first else b"")  # a byte now and then buys no time
    assert not served.open
    writer.close()


async def test_a_phone_that_looks_on_is_not_hung_up_on(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "WHOLE_REQUEST_S", 0.3)
    async with (
        httpx.AsyncClient(base_url=f"http://127.0.0.1:{served.port}") as phone,
        phone.stream("GET", "/events") as events,
    ):
        parts = events.aiter_raw()
        await anext(parts)
        await asyncio.sleep(1.0)
        assert await anext(parts)
        assert (await phone.get("/")).status_code == 200
