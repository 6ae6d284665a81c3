"""Pictures of the phone page for docs/page.md, from a live rehearsal in headless Chromium.

PYTHONPATH=tests python docs/pictures/page.py        (about 1 min; needs mosquitto and chromium)
"""

from __future__ import annotations

import signal
import tempfile
from pathlib import Path

from live_page import PASSWORD, LiveStack, chromium, log_in, phone, until
from playwright.sync_api import Browser, Page

HERE = Path(__file__).parent


def main() -> None:
    """Make them all."""
    with tempfile.TemporaryDirectory() as folder, chromium() as browser:
        with LiveStack(Path(folder), speed=400.0) as stack:
            stack.rehearse()
            tending(browser, stack)
        with LiveStack(Path(folder), speed=100.0) as stack:
            stack.rehearse("--grill", "live_grill:noisy", "--grill-arg", "after_s=500")
            trouble(browser, stack)


def opened(browser: Browser, stack: LiveStack, *, dark: bool = False) -> Page:
    """A logged-in phone with a sharp screen."""
    page = phone(browser, dark=dark, scale=1.5).new_page()
    log_in(page, stack.url, PASSWORD)
    return page


def whole(page: Page, name: str) -> None:
    """The whole page in one picture, as on a very long phone."""
    for _ in range(2):  # the plot may grow with the window
        height = page.evaluate("document.documentElement.scrollHeight")
        page.set_viewport_size({"width": 360, "height": height})
        page.wait_for_timeout(300)
    page.screenshot(path=HERE / f"page-{name}.png")


def screen(page: Page, name: str) -> None:
    """What fits on the phone."""
    page.screenshot(path=HERE / f"page-{name}.png")


def tending(browser: Browser, stack: LiveStack) -> None:
    """A cook going well: by day, by night, about to be snuffed."""
    day, night = opened(browser, stack), opened(browser, stack, dark=True)
    until(
        day,
        "doc && doc.finish && doc.finish.low_s && plot.columns.at_s.at(-1) - plot.columns.at_s[0] > 6600",
        60,
    )
    whole(day, "light")
    whole(night, "dark")
    day.set_viewport_size({"width": 360, "height": 740})
    day.get_by_role("button", name="Snuff the fire…").click()
    screen(day, "snuff")


def trouble(browser: Browser, stack: LiveStack) -> None:
    """An alarm, and a daemon that is not heard any more."""
    page = opened(browser, stack)
    until(page, "doc && doc.alarms.length > 0", 60)
    page.wait_for_timeout(300)
    screen(page, "alarm")
    assert stack.rehearsal is not None
    stack.rehearsal.send_signal(signal.SIGSTOP)
    until(page, "document.body.dataset.trust === 'old'", 30)
    page.wait_for_timeout(3000)
    screen(page, "old")


if __name__ == "__main__":
    main()
