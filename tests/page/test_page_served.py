"""The program as it is started: over TLS, ended by SIGTERM, small."""

from __future__ import annotations

import asyncio
import re
import shutil
import ssl
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest
from brokers import free_port

from coalminder.page.connections import MOST
from coalminder.page.login import hash_password

CERTIFICATES = Path(__file__).parents[2] / "config" / "mosquitto" / "make-certificates.sh"
PASSWORD = "alder and char"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[subprocess.Popen[str], str, Path]]:
    assert shutil.which("openssl"), "openssl is missing: apt-get install openssl"
    folder = tmp_path_factory.mktemp("served")
    subprocess.run(
        ["bash", str(CERTIFICATES), str(folder), "localhost", "127.0.0.1"], check=True, capture_output=True
    )
    (folder / "hash").write_text(hash_password(PASSWORD))
    config = folder / "c.toml"
    config.write_text(
        f'[page]\npassword_hash_file = "{folder}/hash"\ncertificate_file = "{folder}/server.crt"\n'
        f'key_file = "{folder}/server.key"\nport = 0\n'
    )
    command = [sys.executable, "-m", "coalminder.cli", "page", "--config", str(config)]
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [*command, "--broker", f"mqtt://127.0.0.1:{free_port()}"],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )
    assert process.stdout is not None
    line = process.stdout.readline()
    found = re.search(r"https://\S+", line)
    assert found, (folder / "log").read_text()
    yield process, found[0], folder / "ca.crt"
    process.kill()
    process.wait()
    process.stdout.close()


@asynccontextmanager
async def logged_in(
    url: str, trusted: ssl.SSLContext
) -> AsyncIterator[tuple[httpx.AsyncClient, httpx.Response]]:
    """A phone, and what it was answered when it logged in."""
    headers = {"origin": url.rstrip("/")}
    async with httpx.AsyncClient(verify=trusted, base_url=url, headers=headers) as client:
        yield client, await client.post("/login", data={"password": PASSWORD})


async def test_it_serves_over_tls_and_hides_its_name(
    served: tuple[subprocess.Popen[str], str, Path],
) -> None:
    _, url, ca_file = served
    trusted = ssl.create_default_context(cafile=str(ca_file))
    async with logged_in(url, trusted) as (client, answer):
        assert answer.status_code == 303
        assert "Secure" in answer.headers["set-cookie"]
        page = await client.get("/")
        assert page.status_code == 200
        assert "server" not in page.headers
        async with client.stream("GET", "/events") as events:
            seen = b""
            async for part in events.aiter_raw():
                seen += part
                if b"event: now" in seen and seen.endswith(b"\r\n\r\n"):
                    break
        assert b'"kind":"no_broker"' in seen
    with pytest.raises(httpx.ConnectError):
        async with httpx.AsyncClient(base_url=url) as client:
            await client.get("/login")


async def test_idle_connections_do_not_keep_a_snuff_out(
    served: tuple[subprocess.Popen[str], str, Path],
) -> None:
    _, url, ca_file = served
    trusted = ssl.create_default_context(cafile=str(ca_file))
    async with logged_in(url, trusted) as (client, _):
        csrf = re.search(r'name="csrf" content="([^"]+)"', (await client.get("/")).text)
        assert csrf
        at = httpx.URL(url)
        idle = [await asyncio.open_connection(at.host, at.port, ssl=trusted) for _ in range(100)]
        answer = await client.post("/command/snuff", json={}, headers={"x-csrf": csrf[1]})
        assert (answer.status_code, answer.json()["result"]) == (200, "unsent"), "no broker here"
        for _, writer in idle:
            writer.transport.abort()


async def test_who_never_begins_to_speak_tls_takes_no_phones_place(
    served: tuple[subprocess.Popen[str], str, Path],
) -> None:
    """A process has 1024 descriptors by default: as many silent callers would be the end of the page."""
    _, url, ca_file = served
    at = httpx.URL(url)
    silent = [await asyncio.open_connection(at.host, at.port) for _ in range(3 * MOST)]
    trusted = ssl.create_default_context(cafile=str(ca_file))
    async with httpx.AsyncClient(verify=trusted, base_url=url, timeout=5.0) as client:
        assert (await client.get("/login")).status_code == 200
    gone = await asyncio.gather(*(_hung_up_on(reader) for reader, _ in silent))
    assert gone.count(False) < MOST, "the phone had a place, too"
    for _, writer in silent:
        writer.close()


async def _hung_up_on(reader: asyncio.StreamReader) -> bool:
    try:
        return await asyncio.wait_for(reader.read(1), 1.0) == b""
    except ConnectionError:
        return True
    except TimeoutError:
        return False


async def test_it_ends_at_once_with_phones_still_looking(
    served: tuple[subprocess.Popen[str], str, Path],
) -> None:
    process, url, ca_file = served
    trusted = ssl.create_default_context(cafile=str(ca_file))
    async with logged_in(url, trusted) as (client, _), client.stream("GET", "/events") as events:
        await anext(events.aiter_raw())
        began = time.monotonic()
        process.terminate()
        await asyncio.to_thread(process.wait, 10)
        assert time.monotonic() - began < 5.0
