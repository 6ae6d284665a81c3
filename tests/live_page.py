"""The phone page as a person meets it: a real broker, a rehearsal, `coalminder page`, headless Chromium.

with LiveStack(folder) as stack:
    stack.rehearse()
Used by tests/browser and by docs/pictures/page.py.
"""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from argon2 import PasswordHasher
from brokers import Mosquitto, free_port
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

import coalminder

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PASSWORD = "alder and char"
PROGRAM = [sys.executable, "-m", "coalminder.cli"]
PHONE = {"width": 360, "height": 740}


class LiveStack:
    """Broker, rehearsal and page program as processes of their own."""

    def __init__(
        self, folder: Path, *, speed: float = 100.0, hours: float = 8.0, old_after_s: float = 6.0
    ) -> None:
        self.folder, self._speed, self._hours = folder, speed, hours
        self.broker = Mosquitto(folder)
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}/"
        (folder / "hash").write_text(PasswordHasher(time_cost=1, memory_cost=64).hash(PASSWORD) + "\n")
        self._config = folder / "page.toml"
        self._config.write_text(f"[page]\nold_after_s = {old_after_s}\n[mqtt]\nstate_every_s = 3\n")
        self.rehearsal: subprocess.Popen[bytes] | None = None
        self.program: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> LiveStack:
        self.broker.start()
        self.start_page()
        return self

    def __exit__(self, *_exc: object) -> None:
        for process in (self.rehearsal, self.program):
            end(process)
        self.broker.kill()

    def rehearse(self, *words: str) -> None:
        """Begin (again) to tend a simulated grill."""
        end(self.rehearsal)
        self.rehearsal = self._run(
            "rehearse", "--speed", str(self._speed), "--hours", str(self._hours), "--broker", self.broker.url,
            "--plot", str(self.folder / "cook.png"), *words,
        )  # fmt: skip

    def start_page(self) -> None:
        """Begin (again) to serve the page, on the same port."""
        end(self.program)
        self.program = self._run(
            "page", "--config", str(self._config), "--broker", self.broker.url, "--grill", "rehearsal",
            "--port", str(self.port), "--password-file", str(self.folder / "hash"), piped=True,
        )  # fmt: skip
        assert self.program.stdout is not None
        line = self.program.stdout.readline().decode()
        assert re.search(r"http://127\.0\.0\.1:\d+/", line), (self.folder / "page.log").read_text()

    def stop_page(self) -> None:
        """End the page program at once."""
        assert self.program is not None
        end(self.program, signal.SIGKILL)

    def _run(self, command: str, *words: str, piped: bool = False) -> subprocess.Popen[bytes]:
        package = Path(coalminder.__file__).parents[1]  # the same code as runs here
        path = f"{package}{os.pathsep}{Path(__file__).parent}"
        with (self.folder / f"{command}.log").open("ab") as log:
            return subprocess.Popen(
                [*PROGRAM, command, *words],
                cwd=self.folder,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE if piped else log,
                stderr=log,
                env=os.environ | {"TZ": "UTC", "PYTHONPATH": path},
            )


def end(process: subprocess.Popen[bytes] | None, how: signal.Signals = signal.SIGTERM) -> None:
    """End a process that we started."""
    if process is None:
        return
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(how)
        process.send_signal(signal.SIGCONT)
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(10)
    if process.stdout is not None:
        process.stdout.close()


@contextlib.contextmanager
def chromium() -> Iterator[Browser]:
    """A headless Chromium with a fresh profile."""
    assert Path(CHROMIUM).exists(), "chromium is missing: apt-get install chromium"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


def phone(browser: Browser, *, dark: bool = False, scale: float = 1.0) -> BrowserContext:
    """A phone of 360 px width."""
    return browser.new_context(
        viewport=PHONE,  # type: ignore[arg-type]
        device_scale_factor=scale,
        color_scheme="dark" if dark else "light",
        has_touch=True,
        locale="en-GB",
        timezone_id="UTC",
    )


def log_in(page: Page, url: str, password: str = PASSWORD) -> None:
    """Fill in the form."""
    page.goto(url)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Log in").click()


def until(page: Page, expression: str, within_s: float = 30.0) -> None:
    """Wait until a JavaScript expression is true (the library's own way needs eval, which we forbid)."""
    deadline = time.monotonic() + within_s
    guarded = f"(() => {{ try {{ return {expression}; }} catch {{ return false; }} }})()"  # still loading
    while not page.evaluate(guarded):
        assert time.monotonic() < deadline, f"waited {within_s} s in vain for {expression}"
        page.wait_for_timeout(50)
