"""The page in headless Chromium against a live rehearsal: what a cook with a phone meets."""

from __future__ import annotations

import json
import re
import signal
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from brokers import Watcher
from live_page import PHONE, LiveStack, chromium, end, log_in, phone, until
from page_messages import state
from playwright.sync_api import Browser, BrowserContext, Page, Request, expect

pytestmark = [pytest.mark.browser, pytest.mark.broker]

NOISY = ("--grill", "live_grill:noisy", "--grill-arg", "after_s=500")  # an alarm comes and stays


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveStack]:
    with LiveStack(tmp_path_factory.mktemp("page")) as stack:
        stack.rehearse(*NOISY)
        yield stack


class Eye:
    """One phone, logged in; notes what it fetches and complains about."""

    def __init__(self, context: BrowserContext, stack: LiveStack) -> None:
        self.context, self.stack = context, stack
        self.page: Page = context.new_page()
        self.fetched: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", self._note)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on(
            "console",
            lambda message: self.complaints.append(message.text) if message.type == "error" else None,
        )

    def _note(self, request: Request) -> None:
        self.fetched.append(request.url)

    def trust(self, kind: str, within_s: float = 15.0) -> None:
        expect(self.page.locator("body")).to_have_attribute("data-trust", kind, timeout=1000 * within_s)


@pytest.fixture(scope="module")
def cookies(browser: Browser, stack: LiveStack) -> object:
    context = phone(browser)
    page = context.new_page()
    log_in(page, stack.url)
    expect(page.locator("body")).to_have_attribute("data-trust", "live", timeout=20_000)
    state = context.storage_state()
    context.close()
    return state


@pytest.fixture
def eye(browser: Browser, stack: LiveStack, cookies: dict[str, list[dict[str, object]]]) -> Iterator[Eye]:
    context = phone(browser)
    context.add_cookies(cookies["cookies"])  # type: ignore[arg-type]
    eye = Eye(context, stack)
    eye.page.goto(stack.url)
    eye.trust("live")
    yield eye
    context.close()


def test_login_and_logout(browser: Browser, stack: LiveStack) -> None:
    context = phone(browser)
    page = context.new_page()
    log_in(page, stack.url, "not the password")
    expect(page.get_by_role("alert")).to_have_text("That is not the password.")
    log_in(page, stack.url)
    expect(page.locator("body")).to_have_attribute("data-trust", "live", timeout=20_000)  # it may yet start
    assert page.evaluate("document.cookie") == "", "scripts cannot read the cookie"
    page.get_by_role("button", name="Log out").click()
    expect(page.get_by_label("Password")).to_be_visible()
    page.goto(stack.url)
    expect(page.get_by_label("Password")).to_be_visible()
    context.close()


def test_it_shows_the_cook_and_follows_it(eye: Eye) -> None:
    page = eye.page
    first = page.locator("#pit-figure").inner_text()
    expect(page.locator("#pit-figure")).not_to_have_text(first, timeout=10_000)
    expect(page.locator("#phase-word")).to_have_text(
        re.compile(r"(Lighting|Settling|Tending|Lid off)\."), timeout=10_000
    )
    expect(page.get_by_text("Charcoal lasts")).to_be_visible()
    expect(page.get_by_text("Lower vent")).to_be_visible()
    expect(page.locator("#next-list li").first).to_be_visible()
    expect(page.locator("#plot canvas")).to_be_visible()
    expect(page.locator("#plot-summary")).to_contain_text("the pit was between")
    points = page.evaluate("plot.columns.at_s.length")
    until(page, f"plot.columns.at_s.length > {points}")
    assert page.title().endswith("rehearsal")
    assert eye.complaints == [], "the content policy blocks nothing that the page needs"
    assert all(url.startswith(eye.stack.url) for url in eye.fetched), "no request leaves for elsewhere"


def test_an_alarm_is_shown_spoken_and_acknowledged(eye: Eye) -> None:
    page = eye.page
    eye.stack.rehearse(*NOISY)
    expect(page.locator("#phase-word")).to_have_text("Lighting.", timeout=20_000)
    button = page.get_by_role("button", name="Acknowledge: The pit probe is noisy")
    expect(button).to_be_visible(timeout=30_000)
    expect(page.locator("#shout")).to_contain_text("Alarm, medium: The pit probe is noisy")
    expect(page.locator("#attend")).to_have_text("I have looked: acknowledge all")
    item = page.locator("#alarm-list li").filter(has=button)
    expect(item).to_contain_text("Medium")
    with Watcher(eye.stack.broker, "coalminder/rehearsal/#") as watcher:
        button.click()
        expect(page.locator("#reply")).to_have_text("Acknowledge: accepted")
        command = json.loads(watcher.wait("coalminder/rehearsal/command/acknowledge")[0].payload)
    assert command["client"] == "page 127.0.0.1"
    assert command["code"] == "pit_probe_noisy"
    expect(page.locator("#alarm-list li").filter(has_text=", acknowledged").first).to_be_visible()
    expect(button).to_be_hidden()


def test_the_set_point_is_changed_within_its_limits(eye: Eye) -> None:
    page = eye.page
    page.get_by_label("Hold the pit at").fill("300")
    page.get_by_role("button", name="Set", exact=True).click()
    expect(page.locator("#set-trouble")).to_have_text("A number from 55 to 110 °C.")
    expect(page.get_by_label("Hold the pit at")).to_be_focused()
    page.get_by_label("Hold the pit at").fill("95")
    page.get_by_role("button", name="One degree more").click()
    page.get_by_role("button", name="Set", exact=True).click()
    expect(page.locator("#reply")).to_have_text(re.compile("Set point 96 °C: accepted"))
    expect(page.locator("#set-range")).to_contain_text("Now 96")


def test_wood_is_told_with_its_weight(eye: Eye) -> None:
    page = eye.page
    page.get_by_role("button", name="Wood added…").click()
    page.get_by_label("Wood laid on the coals, kg").fill("9")
    page.get_by_role("button", name="Wood added", exact=True).click()
    expect(page.locator("#confirm-trouble")).to_have_text("A number from 0.01 to 0.5 kg (80 g is 0.08).")
    page.get_by_label("Wood laid on the coals, kg").fill("0,08")
    page.get_by_role("button", name="Wood added", exact=True).click()
    expect(page.locator("#reply")).to_have_text("Wood added: accepted")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_it_fits_a_small_phone_and_thick_thumbs(eye: Eye, dark: bool) -> None:
    page = eye.page
    page.emulate_media(color_scheme="dark" if dark else "light")
    ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    assert ground == ("rgb(18, 20, 18)" if dark else "rgb(251, 250, 245)")
    page.get_by_text("The same in figures").click()
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, select, summary, #reach label, #set-input')]
        .filter(e => e.offsetParent && !e.closest('dialog'))
        .map(e => [e.textContent || e.id, e.getBoundingClientRect()])
        .filter(([, r]) => r.height < 48 || r.width < 48).map(([name]) => name)"""
    )
    assert small == []
    # axe-core: rules of WCAG 2.0 to 2.2, levels A and AA, and the contrast of level AAA
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    rules = {"color-contrast-enhanced": {"enabled": True}}
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}, "rules": rules})
    assert found.response["violations"] == [], found.generate_report()
    assert len(found.response["passes"]) > 20, "the rules were run"
    assert eye.complaints == []


def test_light_can_be_chosen_against_the_phone_and_is_remembered(eye: Eye) -> None:
    page = eye.page
    page.emulate_media(color_scheme="dark")
    page.get_by_label("Light or dark").select_option("light (sun)")
    background = "getComputedStyle(document.documentElement).backgroundColor"
    assert page.evaluate(background) == "rgb(251, 250, 245)"
    page.reload()
    assert page.evaluate(background) == "rgb(251, 250, 245)"


@pytest.mark.parametrize("width", [320, PHONE["width"]])
def test_text_of_twice_the_size_still_fits(eye: Eye, width: int) -> None:
    """WCAG 2.2, 1.4.4: text may be resized to 200 % without loss; 1.4.10: no scrolling in two directions."""
    eye.stack.rehearse(*NOISY)
    expect(eye.page.locator("#alarm-list button").first).to_be_visible(timeout=40_000)
    eye.page.set_viewport_size(PHONE | {"width": width})  # type: ignore[arg-type]
    eye.page.evaluate("document.documentElement.style.fontSize = '225%'")
    eye.page.wait_for_timeout(200)
    assert eye.page.evaluate("document.documentElement.scrollWidth") <= width


LETTERS_SEEN = """() => {
  const range = document.createRange(), call = document.getElementById('call'), text = call.firstChild;
  const edge = call.getBoundingClientRect();
  return [...text.data].filter((_, at) => {
    range.setStart(text, at); range.setEnd(text, at + 1);
    const letter = range.getBoundingClientRect();
    return letter.bottom <= edge.bottom && letter.right <= edge.right;
  }).join(''); }"""


@pytest.mark.parametrize("text", ["112.5%", "225%"], ids=["usual", "twice"])
def test_neither_sign_nor_answer_takes_the_place_of_snuff_or_pit(eye: Eye, text: str) -> None:
    """At twice the text, lying, an answer beside a sign left one pixel of the page, of the sign 'Medi'."""
    page = eye.page

    def box(selector: str) -> dict[str, float]:
        found = page.locator(selector).bounding_box()
        assert found is not None
        return {**found, "bottom": found["y"] + found["height"]}

    def snuff_is_whole_and_on_top(height: int) -> bool:
        there = box("#snuff")
        x, y = there["x"] + there["width"] / 2, there["y"] + there["height"] / 2
        on_top = page.evaluate(f"document.elementFromPoint({x}, {y}).id") == "snuff"
        return bool(on_top) and there["y"] >= 0 and there["bottom"] <= height

    eye.stack.rehearse(*NOISY)
    page.evaluate(f"document.documentElement.style.fontSize = '{text}'")
    for width, height in ((320, 568), (360, 740), (568, 320), (740, 360)):
        page.set_viewport_size({"width": width, "height": height})
        page.evaluate("document.getElementById('facts').scrollIntoView({behavior: 'instant'})")
        expect(page.locator("#call")).to_contain_text("noisy", timeout=60_000)
        # not its priority alone; the noise comes and goes, and the sign with it
        until(page, f"({LETTERS_SEEN})().startsWith('◆ Medium: The pit')", 60.0)
        assert snuff_is_whole_and_on_top(height)
        assert box("#bar")["y"] >= box("#pit-figure")["height"], "the pit's figure can be seen whole"
        answer = "Set point 95 °C: refused: a newer command of the same client was accepted before"
        page.evaluate("words => { $('reply').textContent = words; }", answer)
        assert snuff_is_whole_and_on_top(height)
        assert box("#bar")["y"] >= 40, "what stands above can be scrolled to"
        page.evaluate("$('reply').textContent = ''; scrollTo({top: 0, behavior: 'instant'})")
        if text == "112.5%":
            assert box("#pit-figure")["bottom"] <= box("#bar")["y"], "at once, without scrolling"


def test_eight_probes_with_the_longest_names_fit_and_none_is_left_out(
    browser: Browser, tmp_path: Path
) -> None:
    """Names may have 32 letters, and no space where a line could break; WCAG 2.2, 1.4.10 as above."""
    names = [f"{letter * 30}_{number}" for number, letter in enumerate("abcdmnow")]
    told = state(
        grill="rehearsal",
        utc=datetime.now(UTC),
        foods=[{"name": name, "temp_c": 40.0 + at} for at, name in enumerate(names)],
    )
    with LiveStack(tmp_path, old_after_s=60.0) as alone, Watcher(alone.broker, ()) as daemon:
        daemon.client.publish("coalminder/rehearsal/state", told.model_dump_json(), qos=1, retain=True)
        context = phone(browser)
        page = context.new_page()
        page.set_viewport_size(PHONE | {"width": 320})  # type: ignore[arg-type]
        log_in(page, alone.url)
        expect(page.locator("#key")).to_contain_text(names[3])
        page.get_by_text("The same in figures").click()
        for name in names:
            expect(page.locator("#figures thead")).to_contain_text(name)
            expect(page.locator("#facts")).to_contain_text(name)
        expect(page.locator("#plot-summary")).to_contain_text("Drawn are the first 4 foods")
        assert page.evaluate("document.documentElement.scrollWidth") <= 320
        context.close()


def test_everything_is_reached_and_left_by_keyboard(eye: Eye) -> None:
    page = eye.page
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the pit")).to_be_focused()
    reached = []
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id || document.activeElement.textContent"))
        wide = page.evaluate(
            "parseFloat(getComputedStyle(document.activeElement.closest('#reach label')"
            " ?? document.activeElement).outlineWidth)"
        )
        assert wide >= 2, f"no visible focus on {reached[-1]}"
        if reached[-1] == "snuff":
            break
    assert {"attend", "set-input", "set-more", "theme", "logout", "snuff"} <= set(reached)
    page.keyboard.press("Enter")
    dialog = page.get_by_role("dialog", name="Snuff the fire?")
    expect(dialog).to_be_visible()
    expect(page.get_by_role("button", name="Go back")).to_be_focused()
    page.keyboard.press("Escape")
    expect(dialog).to_be_hidden()
    expect(page.locator("#snuff")).to_be_focused()


def test_the_focus_stays_while_the_page_is_refreshed(eye: Eye) -> None:
    button = eye.page.get_by_role("button", name="Wood added…")
    button.focus()
    eye.page.wait_for_timeout(1500)
    expect(button).to_be_focused()


def test_a_foreign_page_in_the_same_browser_moves_nothing(eye: Eye, tmp_path: Path) -> None:
    """Ports do not count for SameSite: the cookie goes along here, and is not enough."""
    stack = eye.stack
    foreign = "http://127.0.0.1:1/"
    page = eye.context.new_page()
    page.route(
        f"{foreign}**", lambda route: route.fulfill(body="<title>foreign</title>", content_type="text/html")
    )
    page.goto(foreign)
    with Watcher(stack.broker, "coalminder/rehearsal/command/#") as watcher:
        for mode, kind in (("no-cors", "text/plain"), ("cors", "application/json")):
            page.evaluate(
                """([url, mode, kind]) => fetch(url, {method: 'POST', mode, credentials: 'include',
                body: '{}', headers: {'Content-Type': kind}}).catch(() => null)""",
                [f"{stack.url}command/snuff", mode, kind],
            )
        with page.expect_response(f"{stack.url}command/snuff") as answer:
            page.evaluate(
                """(url) => { const f = document.createElement('form'); f.method = 'POST'; f.action = url;
                document.body.append(f); f.submit(); }""",
                f"{stack.url}command/snuff",
            )
        assert answer.value.status == 403
        assert "coalminder_page" in answer.value.request.all_headers().get("cookie", ""), (
            "the cookie went along"
        )
        page.wait_for_timeout(300)
        assert watcher.messages == []


def test_the_broker_is_lost_and_comes_back(eye: Eye) -> None:
    page = eye.page
    eye.stack.broker.kill()
    eye.trust("no_broker")
    expect(page.locator("#trust-text")).to_have_text(
        "Old. The broker is away: alarms reach nobody. Go to the grill."
    )
    expect(page.locator("#pit-old")).to_be_visible()
    expect(page.locator("#age")).to_contain_text(
        re.compile(r"Last word \d+ s ago. What follows was so then.")
    )
    assert page.title().startswith("old") or ") old" in page.title()
    page.get_by_role("button", name="Snuff the fire…").click()
    page.get_by_role("button", name="Snuff", exact=True).click()
    expect(page.locator("#reply")).to_contain_text("not sent")
    expect(page.locator("#reply")).to_contain_text("Shut both vents by hand")
    eye.stack.broker.start()
    eye.trust("live", 20)
    expect(page.locator("#pit-old")).to_be_hidden()


def test_a_daemon_that_falls_silent_is_told(eye: Eye) -> None:
    assert eye.stack.rehearsal is not None
    eye.stack.rehearsal.send_signal(signal.SIGSTOP)
    try:
        eye.trust("old", 12)
        expect(eye.page.locator("#trust-text")).to_contain_text("The daemon has gone silent")
        expect(eye.page.locator("#pit-old")).to_be_visible()
    finally:
        eye.stack.rehearsal.send_signal(signal.SIGCONT)
    eye.trust("live")


def test_the_page_program_is_lost_and_comes_back_by_itself(eye: Eye) -> None:
    eye.stack.stop_page()
    eye.trust("unreached", 15)
    expect(eye.page.locator("#trust-text")).to_contain_text("not reached")
    eye.stack.start_page()
    expect(eye.page.get_by_label("Password")).to_be_visible(timeout=15_000)
    log_in(eye.page, eye.stack.url)
    eye.trust("live")


def test_snuff_asks_first_and_then_shuts_the_vents(browser: Browser, stack: LiveStack) -> None:
    stack.rehearse()
    context = phone(browser)
    page = context.new_page()
    log_in(page, stack.url)
    expect(page.locator("#phase-word")).to_have_text("Lighting.", timeout=20_000)
    until(page, "parseFloat(document.querySelector('#pit-figure').textContent) > 30")
    with Watcher(stack.broker, "coalminder/rehearsal/command/#") as watcher:
        page.get_by_role("button", name="Snuff the fire…").click()
        page.get_by_role("button", name="Go back").click()
        page.wait_for_timeout(200)
        assert watcher.messages == [], "nothing was asked"
        page.get_by_role("button", name="Snuff the fire…").click()
        page.get_by_role("button", name="Snuff", exact=True).click()
        expect(page.locator("#reply")).to_have_text("Snuff: accepted")
    expect(page.locator("#phase-word")).to_have_text("Snuffing.")
    for vent in ("Lower vent", "Upper vent"):
        expect(page.locator("#facts > div").filter(has_text=vent)).to_contain_text("shut")
    expect(page.get_by_role("button", name="Ease")).to_have_count(0)
    context.close()


def test_a_dead_daemon_is_told_at_once(browser: Browser, stack: LiveStack) -> None:
    context = phone(browser)
    page = context.new_page()
    log_in(page, stack.url)
    expect(page.locator("body")).to_have_attribute("data-trust", "live", timeout=10_000)
    end(stack.rehearsal, signal.SIGKILL)
    expect(page.locator("body")).to_have_attribute("data-trust", "offline", timeout=10_000)
    expect(page.locator("#trust-text")).to_contain_text("nobody tends the fire")
    context.close()
