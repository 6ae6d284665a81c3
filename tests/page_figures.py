"""Figures of the phone page for docs/page.md: delay, load, memory, weight.

PYTHONPATH=tests python tests/page_figures.py        (about 1 min; needs mosquitto and chromium)
"""

from __future__ import annotations

import os
import re
import statistics
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as paho
from live_page import LiveStack, chromium, log_in, phone, until
from page_messages import state
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Page

DAY_S, EVERY_S = 100_000, 5


class Daemon:
    """Says states as the daemon does."""

    def __init__(self, port: int) -> None:
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def say(self, pit_c: float, at: datetime | None = None) -> None:
        """One state."""
        message = state(grill="rehearsal", utc=at or datetime.now(UTC), pit_c=round(pit_c, 1))
        self.client.publish("coalminder/rehearsal/state", message.model_dump_json(), retain=True)


def used(pid: int) -> tuple[float, float]:
    """Processor seconds and resident memory in MiB of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    cpu_s = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    assert found
    return cpu_s, int(found[1]) / 1024


def delays(page: Page, daemon: Daemon, count: int = 40) -> list[float]:
    """From the daemon's word to the figure on the screen, s."""
    out = []
    for i in range(count):
        began = time.monotonic()
        daemon.say(40.0 + i)
        until(page, f"document.getElementById('pit-figure').textContent.startsWith('{40 + i}.0')")
        out.append(time.monotonic() - began)
        time.sleep(0.37)
    return out


def main() -> None:
    """Print them."""
    with tempfile.TemporaryDirectory() as folder, chromium() as browser, LiveStack(Path(folder)) as stack:
        assert stack.program is not None
        daemon = Daemon(stack.broker.port)
        daemon.say(90.0)
        page = phone(browser).new_page()
        log_in(page, stack.url)
        until(page, "doc.trust.kind === 'live'")
        seen = delays(page, daemon)
        print(f"broker to screen: median {statistics.median(seen):.2f} s, longest {max(seen):.2f} s")
        before, began = used(stack.program.pid)[0], time.monotonic()
        for i in range(20):
            daemon.say(90.0 + i % 10 / 10)
            time.sleep(1)
        cpu_s, memory = used(stack.program.pid)
        share = (cpu_s - before) / (time.monotonic() - began)
        print(f"at 1 Hz with one phone: {100 * share:.1f} % of a core, {memory:.0f} MiB")
        start = datetime.now(UTC)
        for i in range(0, DAY_S, EVERY_S):
            daemon.say(90.0 + i % 10 / 10, start + timedelta(seconds=i))
            if i % 1000 == 0:
                time.sleep(0.1)
        time.sleep(3)
        size = page.evaluate("JSON.stringify(plot.columns).length")
        points = page.evaluate("plot.columns.at_s.length")
        print(
            f"after {DAY_S / 3600:.0f} h of states: {used(stack.program.pid)[1]:.0f} MiB, "
            f"{points} points, {size / 1024:.0f} KiB for a phone that comes"
        )
        weight = page.evaluate(
            "performance.getEntriesByType('resource').filter(e => !e.name.endsWith('/events'))"
            ".reduce((a, e) => a + e.transferSize, performance.getEntriesByType('navigation')[0]"
            ".transferSize)"
        )
        print(f"the page itself: {weight / 1024:.0f} KiB")
        daemon.client.disconnect()
        daemon.client.loop_stop()


if __name__ == "__main__":
    main()
