"""The page in headless Chromium against its program with a made-up wire: what goes wrong on the way."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import pytest
import uvicorn
from argon2 import PasswordHasher
from brokers import wait_for
from live_page import PASSWORD, chromium, log_in, phone, until
from page_messages import NOW, TOPICS, FakeWire, alarm, later, state, tell
from playwright.sync_api import Browser, Locator, Page, Route, expect

from coalminder.page.app import Door, PageApp
from coalminder.page.broker import Answer
from coalminder.page.connections import PhoneConnection
from coalminder.page.view import Shown

pytestmark = pytest.mark.browser

HASH = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1).hash(PASSWORD)


class SlowWire(FakeWire):
    """Answers after `wait_s`."""

    wait_s = 0.0

    async def ask(
        self, kind: str, fields: Mapping[str, Any], client: str, asked_s: float | None = None
    ) -> Answer:
        answer = await super().ask(kind, fields, client, asked_s)
        await asyncio.sleep(self.wait_s)
        return answer

    @property
    def kinds(self) -> list[str]:
        return [kind for kind, _, _ in self.asked]


class Program:
    """The page's program in a thread of this process."""

    def __init__(self) -> None:
        self.wire, self.door = SlowWire(), Door(HASH)
        listening = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{listening.getsockname()[1]}/"
        app = PageApp(self.wire, self.door, Shown())  # type: ignore[arg-type]
        self.server = uvicorn.Server(
            uvicorn.Config(
                app.asgi, log_level="warning", http=PhoneConnection, ws="none", timeout_graceful_shutdown=1
            )
        )
        self._thread = threading.Thread(target=self.server.run, args=([listening],), daemon=True)
        self._thread.start()
        wait_for(lambda: self.server.started)

    def stop(self) -> None:
        self.server.should_exit = True
        self._thread.join(10)

    def log_all_out(self) -> None:
        self.door.sessions._open.clear()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def program() -> Iterator[Program]:
    program = Program()
    yield program
    program.stop()


@pytest.fixture
def page(browser: Browser, program: Program) -> Iterator[Page]:
    context = phone(browser)
    page = context.new_page()
    log_in(page, program.url)
    expect(page.locator("#phase-word")).to_have_text("Tending.")
    yield page
    context.close()


@contextlib.contextmanager
def slow_down(url: str) -> Iterator[tuple[str, dict[str, float]]]:
    """The program behind a network that lets down as many bytes in a second as `pace` says; others wait."""
    pace = {"bytes_per_s": 1e6}
    port = int(re.findall(r":(\d+)/", url)[0])

    def move(source: socket.socket, sink: socket.socket, paced: bool) -> None:
        with contextlib.suppress(OSError), source, sink:
            while part := source.recv(64 if paced else 4096):
                sink.sendall(part)
                time.sleep(len(part) / pace["bytes_per_s"] if paced else 0.0)

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                near, far = listening.accept()[0], socket.create_connection(("127.0.0.1", port))
                for ends in ((near, far, False), (far, near, True)):
                    threading.Thread(target=move, args=ends, daemon=True).start()

    with socket.create_server(("127.0.0.1", 0)) as listening:
        threading.Thread(target=serve, daemon=True).start()
        yield f"http://127.0.0.1:{listening.getsockname()[1]}/", pace


def reply(page: Page) -> Locator:
    return page.locator("#reply")


def snuff(page: Page) -> None:
    page.get_by_role("button", name="Snuff the fire…").click()
    page.get_by_role("button", name="Snuff", exact=True).click()


def hold(page: Page, kind: str) -> list[Route]:
    """The network keeps commands of this kind back."""
    held: list[Route] = []
    page.route(f"**/command/{kind}", lambda route: held.append(route))
    return held


def shows(page: Page, code: str) -> None:
    expect(page.locator(f"#alarm-list li[data-key={code}]")).to_be_visible()


def test_a_command_tells_when_it_was_tapped_not_when_it_came(page: Page, program: Program) -> None:
    held = hold(page, "tend")
    tell(program.wire.board, state(phase="easing"))
    program.wire.on_news()
    page.get_by_role("button", name="Tend again").click()
    page.wait_for_timeout(1500)
    snuff(page)
    expect(reply(page)).to_have_text("Snuff: accepted")
    held[0].continue_()
    expect(reply(page)).to_have_text("Tend again: accepted")
    assert program.wire.kinds == ["snuff", "tend"]
    snuffed_s, tend_s = program.wire.asked_s
    assert snuffed_s is not None
    assert tend_s is not None
    assert 1.0 < snuffed_s - tend_s < 10.0


def test_looking_acknowledges_only_what_was_shown(page: Page, program: Program) -> None:
    held = hold(page, "acknowledge")
    tell(program.wire.board, alarm("fire_out"))
    program.wire.on_news()
    shows(page, "fire_out")
    page.locator("#attend").click()
    tell(program.wire.board, alarm("lid_long_off", raised_utc=later(5)))
    program.wire.on_news()
    shows(page, "lid_long_off")
    held[0].continue_()
    expect(reply(page)).to_have_text("Looked: accepted")
    assert [fields for _, fields, _ in program.wire.asked] == [{"code": "fire_out"}]


def test_a_double_tap_acknowledges_once(page: Page, program: Program) -> None:
    program.wire.wait_s = 0.2
    tell(program.wire.board, alarm("fire_out"))
    program.wire.on_news()
    button = page.get_by_role("button", name="Acknowledge: ")
    expect(button).not_to_have_attribute("aria-disabled", "true")
    for _ in range(3):
        button.click(force=True)
        page.wait_for_timeout(150)
    page.wait_for_timeout(400)
    assert program.wire.kinds == ["acknowledge"]
    expect(reply(page)).to_have_text("Acknowledge: accepted")
    expect(button).to_be_focused()


def tap_twice(page: Page, button: Locator, meanwhile: Callable[[], None], changed: Locator) -> None:
    """Two taps on one spot; between them the page shows what came of the first."""
    button.scroll_into_view_if_needed()
    expect(button).not_to_have_attribute("aria-disabled", "true")
    box = button.bounding_box()
    assert box is not None
    spot = (box["x"] + 30, box["y"] + box["height"] / 2)
    page.mouse.click(*spot)
    page.wait_for_timeout(200)
    meanwhile()
    expect(changed).to_be_visible()
    page.mouse.click(*spot)
    page.wait_for_timeout(500)


def test_a_double_tap_does_not_press_what_came_under_the_thumb(page: Page, program: Program) -> None:
    def lifted() -> None:
        tell(program.wire.board, state(phase="lid_off", lid_off=True))
        program.wire.on_news()

    back = page.get_by_role("button", name="Lid is back on")
    tap_twice(page, page.get_by_role("button", name="Lid comes off"), lifted, back)
    assert [fields for _, fields, _ in program.wire.asked] == [{"lid_open": True}]
    back.click()  # after a moment
    expect(reply(page)).to_have_text("Lid is back on: accepted")


def test_the_focus_stays_when_other_buttons_go(page: Page, program: Program) -> None:
    button = page.get_by_role("button", name="Wood added…")
    button.focus()
    tell(program.wire.board, state(phase="lid_off", lid_off=True))
    program.wire.on_news()
    expect(page.get_by_role("button", name="Lid is back on")).to_be_visible()
    expect(button).to_be_focused()


def test_a_double_tap_does_not_acknowledge_the_next_alarm(page: Page, program: Program) -> None:
    for seconds, code in enumerate(("fire_out", "lid_long_off")):
        tell(program.wire.board, alarm(code, message=code, raised_utc=later(seconds)))
    program.wire.on_news()
    shows(page, "lid_long_off")

    def acknowledged() -> None:
        tell(program.wire.board, alarm("fire_out", message="fire_out", state="acknowledged"))
        program.wire.on_news()

    moved = page.locator("#alarm-list li[data-key=lid_long_off]:first-child")
    tap_twice(page, page.get_by_role("button", name="Acknowledge: fire_out"), acknowledged, moved)
    assert [fields for _, fields, _ in program.wire.asked] == [{"code": "fire_out"}]


def test_a_double_tap_tells_of_one_turning(page: Page, program: Program) -> None:
    body = b'{"stage": "cooking"}'
    program.wire.board.take(TOPICS.part("food"), body, retained=False, mono_s=time.monotonic())
    program.wire.on_news()
    button = page.get_by_role("button", name="Food was turned round")
    tap_twice(page, button, lambda: None, button)
    page.wait_for_timeout(300)
    assert program.wire.kinds == ["food"]


def test_a_second_tap_does_not_answer_the_question(page: Page, program: Program) -> None:
    page.set_viewport_size({"width": 640, "height": 360})  # here the yes lies over the button below
    page.locator("#snuff").click()
    box = page.locator("#confirm-yes").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_timeout(700)
    assert program.wire.kinds == []
    page.get_by_role("button", name="Snuff", exact=True).click()
    expect(reply(page)).to_have_text("Snuff: accepted")


def test_a_snuff_gets_through_beside_six_open_pages(page: Page, program: Program) -> None:
    for _ in range(5):
        other = page.context.new_page()
        other.goto(program.url)
        expect(other.locator("#phase-word")).to_have_text("Tending.")
    snuff(page)
    expect(reply(page)).to_have_text("Snuff: accepted", timeout=5000)


def test_a_snuff_without_an_answer_says_so(page: Page, program: Program) -> None:
    program.wire.wait_s = 20.0
    snuff(page)
    expect(reply(page)).to_have_text("Shut both vents by hand. Snuff: no answer", timeout=12_000)


def test_a_page_that_nobody_sees_holds_no_connection(page: Page, program: Program) -> None:
    def look(hidden: str) -> None:
        page.evaluate(
            f"Object.defineProperty(document, 'hidden', {{value: {hidden}, configurable: true}});"
            "document.dispatchEvent(new Event('visibilitychange'))"
        )

    busy = program.server.server_state.tasks
    wait_for(lambda: len(busy) == 1)  # the stream: the plot has come, too
    look("true")
    wait_for(lambda: not busy)
    assert page.title() == "kettle", "no figure that nobody brings up to date"
    look("false")
    wait_for(lambda: len(busy) == 1)
    expect(page.locator("body")).to_have_attribute("data-trust", re.compile("live|old"))


def test_a_snuff_after_the_session_ended_says_so_and_stays(page: Page, program: Program) -> None:
    page.get_by_role("button", name="Snuff the fire…").click()
    program.log_all_out()
    page.wait_for_timeout(3000)  # meanwhile the stream says so
    page.get_by_role("button", name="Snuff", exact=True).click()
    expect(reply(page)).to_have_text("Shut both vents by hand. Snuff: not sent – log in again")
    page.wait_for_timeout(1500)
    expect(reply(page)).to_contain_text("Shut both vents by hand")
    assert program.wire.kinds == []
    page.get_by_role("link", name="Log in").click()
    expect(page.get_by_label("Password")).to_be_visible()


def test_nothing_that_was_told_gets_lost_at_the_login_without_a_word(page: Page, program: Program) -> None:
    button = page.get_by_role("button", name="Food is on the grill")
    expect(button).not_to_have_attribute("aria-disabled", "true")
    page.evaluate("pause()")  # the tap comes before the stream's word
    program.log_all_out()
    button.click()
    expect(reply(page)).to_have_text("Food is on the grill: not sent – log in again")
    page.wait_for_timeout(1500)
    expect(reply(page)).to_be_visible()
    page.get_by_role("link", name="Log in").click()
    expect(page.get_by_label("Password")).to_be_visible()


def test_a_tap_while_the_login_is_on_its_way_does_not_get_lost_without_a_word(
    page: Page, program: Program
) -> None:
    button = page.get_by_role("button", name="Food is on the grill")
    expect(button).not_to_have_attribute("aria-disabled", "true")
    button.scroll_into_view_if_needed()
    box = button.bounding_box()
    assert box is not None
    page.route("**/login", lambda route: None)  # a network that takes its time
    with page.expect_request("**/login"):
        program.log_all_out()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    expect(reply(page)).to_have_text("Food is on the grill: not sent – log in again")
    page.unroute("**/login")
    page.get_by_role("link", name="Log in").click()
    expect(page.get_by_label("Password")).to_be_visible()


def test_the_login_waits_for_an_open_question(page: Page, program: Program) -> None:
    page.get_by_role("button", name="Wood added…").click()
    program.log_all_out()
    page.wait_for_timeout(3000)
    page.get_by_role("button", name="Go back").click()
    expect(page.get_by_label("Password")).to_be_visible()


def test_a_long_answer_leaves_the_page_in_sight(page: Page, program: Program) -> None:
    program.wire.answer = Answer("refused", "its cause is still there: look at the probe and the lid. " * 12)
    for size in ("112.5%", "225%"):
        page.evaluate(f"document.documentElement.style.fontSize = '{size}'")
        page.locator("#attend").click()
        expect(reply(page)).to_contain_text("refused")
        rect = page.evaluate("document.getElementById('bar').getBoundingClientRect().toJSON()")
        assert rect["height"] < 0.6 * 740
        assert page.evaluate("(e => e.scrollHeight > e.clientHeight)(document.getElementById('answer'))")
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        expect(page.locator("#reply-time")).to_have_text(re.compile(r"\d\d:\d\d"))
        page.get_by_role("button", name="Close the answer").click()
        expect(reply(page)).to_have_text("")
        page.wait_for_timeout(1100)


@pytest.mark.parametrize(("width", "height"), [(320, 568), (360, 740), (667, 320)])
@pytest.mark.parametrize("size", ["112.5%", "225%"])
def test_what_to_do_when_a_snuff_failed_is_on_the_screen_of_any_phone(
    page: Page, program: Program, width: int, height: int, size: str
) -> None:
    """WCAG 2.2, 1.4.4: text of twice the size without loss. Beside it stands what calls to the alarms."""
    page.set_viewport_size({"width": width, "height": height})
    page.evaluate(f"document.documentElement.style.fontSize = '{size}'")
    program.wire.answer = Answer("unsent", "the broker is away")
    tell(program.wire.board, alarm("pit_too_hot"))
    shows(page, "pit_too_hot")
    snuff(page)
    expect(reply(page)).to_contain_text("not sent")
    page.evaluate("scrollTo(0, document.documentElement.scrollHeight)")
    expect(page.locator("#call")).to_be_visible()
    lines, box = page.evaluate(
        """() => { const words = new Range(), text = document.querySelector('#reply').firstChild;
        words.setStart(text, text.data.indexOf('Shut')); words.setEnd(text, text.data.indexOf('hand') + 4);
        const flat = ({left, top, right, bottom}) => [left, top, right, bottom];
        return [[...words.getClientRects()].map(flat),
          flat(document.querySelector('#answer').getBoundingClientRect())]; }"""
    )
    for left, top, right, bottom in lines:
        assert left >= box[0]
        assert top >= box[1] - 1
        assert right <= box[2]
        assert bottom <= box[3] + 1
    assert box[3] <= height
    assert lines


def test_an_answer_stays_no_longer_than_a_minute(page: Page, program: Program) -> None:
    page.clock.install()
    page.reload()
    expect(page.locator("#phase-word")).to_have_text("Tending.")
    snuff_button = page.get_by_role("button", name="Snuff the fire…")
    page.locator("#attend").click()
    expect(reply(page)).to_have_text("Looked: accepted")
    page.clock.fast_forward(61_000)
    expect(reply(page)).to_have_text("")
    expect(snuff_button).to_be_visible()


def test_a_set_point_that_was_begun_and_not_set_does_not_stay(page: Page, program: Program) -> None:
    """A sleeve touched '+'; an hour later, when another phone has set 100, it is read as what holds."""
    page.clock.install()
    page.get_by_role("button", name="One degree more").click()
    field = page.get_by_label("Hold the pit at")
    expect(field).to_have_value("94")
    tell(program.wire.board, state(utc=later(1), set_point_c=100.0))
    expect(page.locator("#set-range")).to_contain_text("Now 100")
    expect(field).to_have_value("94")
    page.clock.fast_forward(61_000)
    expect(field).to_have_value("100", timeout=10_000)


def test_what_is_not_known_is_not_told(page: Page, program: Program) -> None:
    expect(page.locator("#alarms-title")).to_have_text("Alarms: none")
    board = program.wire.board
    board.take(TOPICS.state, b"", retained=False, mono_s=0.0)
    board.take(TOPICS.availability, b"offline", retained=True, mono_s=0.0)
    program.wire.on_news()
    expect(page.locator("#alarms-title")).to_have_text("Alarms: not known yet")
    expect(page.locator("#phase-word")).to_have_text("Nothing heard yet")
    expect(page.locator("#pit-figure")).to_have_text("–")
    expect(page.locator("#facts")).to_have_text("")
    expect(page.locator("#trust-text")).to_contain_text("nobody tends the fire")


def test_an_alarm_is_seen_wherever_the_page_is_scrolled_to(page: Page, program: Program) -> None:
    call = page.locator("#call")
    page.locator("#theme").scroll_into_view_if_needed()
    expect(call).to_be_visible()  # the figures of these tests are old, and the first line is out of sight
    expect(call).to_have_text("◌ Old. The daemon has gone silent. Go and look.")
    tell(program.wire.board, alarm("fire_out"))
    program.wire.on_news()
    expect(call).to_have_text("▲ High, old: The fire is out")
    tell(program.wire.board, alarm("pit_probe_noisy", priority="medium", message="Noise"))
    program.wire.on_news()
    expect(call).to_have_text("▲ 2 alarms, old: The fire is out")
    call.click()
    expect(page.get_by_role("button", name="Acknowledge: The fire is out")).to_be_in_viewport()
    expect(call).to_have_text(re.compile("Old"))
    expect(page.locator("#alarms")).to_be_focused()
    call.click()
    expect(page.locator("#trust")).to_be_in_viewport()
    assert page.evaluate("history.length") == 3, "the way back is not longer for it"


def test_what_the_food_presses_for_is_seen_below_the_fold_too(page: Page, program: Program) -> None:
    """An alarm that everybody has seen fills a small screen, and hides that the food is to be thrown away."""
    page.set_viewport_size({"width": 320, "height": 568})
    ask = "There is no fire under the food: finish it in an oven now."
    tell(program.wire.board, alarm("pit_too_hot", state="acknowledged", remedy="Leave the lid on. " * 8))
    call, line = page.locator("#call"), page.locator("#next-list li", has_text=ask)
    for level, sign in (("note", ""), ("warn", "! "), ("alarm", "!! ")):
        reminders = [{"code": "no_fire", "level": level, "text": ask}]
        body = json.dumps({"stage": "cooking", "reminders": reminders}).encode()
        tell(
            program.wire.board, state(utc=datetime.now(UTC), alarms=["pit_too_hot"]), mono_s=time.monotonic()
        )
        program.wire.board.take(TOPICS.part("food"), body, retained=False, mono_s=time.monotonic())
        expect(line).to_have_class(level)
        page.evaluate("scrollTo(0, 0)")
        expect(line).not_to_be_in_viewport()
        expect(call).to_have_text(f"{sign}{ask}" if sign else "")
    call.click()
    expect(line).to_be_in_viewport(ratio=1.0)
    expect(call).to_be_hidden()
    assert page.evaluate("document.activeElement.id") == "next"


def test_a_phone_that_lies_shows_the_alarm_beside_the_snuff(page: Page, program: Program) -> None:
    page.set_viewport_size({"width": 740, "height": 360})
    tell(program.wire.board, alarm("fire_out"))
    program.wire.on_news()
    call, snuff = page.locator("#call"), page.locator("#snuff")
    expect(call).to_be_visible()
    boxes = [button.bounding_box() for button in (call, snuff)]
    assert boxes[0] is not None
    assert boxes[1] is not None
    assert boxes[0]["y"] == boxes[1]["y"]
    assert min(box["height"] for box in boxes if box) >= 48
    bar = page.locator("#bar").bounding_box()
    assert bar is not None
    assert bar["height"] < 360 / 4


def test_what_a_slow_network_held_back_is_not_live(browser: Browser, program: Program) -> None:
    """A word each second, of 1 kB and more: at 600 byte/s each comes later than the one before."""
    with slow_down(program.url) as (url, pace):
        context = phone(browser)
        page = context.new_page()
        log_in(page, url)
        expect(page.locator("#phase-word")).to_have_text("Tending.")
        pace["bytes_per_s"] = 600.0
        for _ in range(25):
            tell(program.wire.board, state(utc=datetime.now(UTC)), mono_s=time.monotonic())
            program.wire.on_news()
            page.wait_for_timeout(1000)
        behind_s = time.monotonic() - page.evaluate("doc.clock_s")
        assert behind_s > 15.0, "the network of this test is slow"
        shown_s = float(re.findall(r"Last word (\d+) s ago", page.locator("#age").inner_text())[0])
        assert shown_s == pytest.approx(behind_s, abs=2.5)
        expect(page.locator("#trust-text")).to_have_text(
            "Old. The network is slow: words come late. Go and look."
        )
        context.close()


def test_a_long_cook_is_shown_over_a_slow_network(browser: Browser, program: Program) -> None:
    """Eight probes and most of 720 points are 87 kB: at 8 kB/s the plot takes longer than a silence may."""
    foods = [{"name": f"probe_number_{n}", "temp_c": 41.125} for n in range(8)]
    now, board = datetime.now(UTC), program.wire.board
    for ago_s in range(28_000, 0, -5):
        board._note(state(utc=now - timedelta(seconds=ago_s), pit_c=92.375, foods=foods))
    with slow_down(program.url) as (url, pace):
        context = phone(browser)
        page = context.new_page()
        log_in(page, url)
        expect(page.locator("#phase-word")).to_have_text("Tending.")
        tell(board, state(utc=datetime.now(UTC), foods=foods), mono_s=time.monotonic())
        expect(page.locator("body")).to_have_attribute("data-trust", "live")
        pace["bytes_per_s"] = 8000.0
        page.evaluate("plot.columns = { at_s: [] }; dispatchEvent(new Event('online'))")  # another network
        until(page, "plot.columns.at_s.length > 690", 30.0)
        assert page.locator("body").get_attribute("data-trust") != "unreached"
        pace["bytes_per_s"] = 1e6  # what still waits can go
        context.close()


def test_every_old_figure_is_told_as_old(page: Page, program: Program) -> None:
    """Not the pit alone: who has scrolled down does not see the first line."""
    tell(program.wire.board, state(utc=datetime.now(UTC)), mono_s=time.monotonic())
    program.wire.on_news()
    told = """() => [...document.querySelectorAll('main h2')].map(
        e => e.textContent + getComputedStyle(e, '::after').content.replace(/none|"/g, ''))"""
    expect(page.locator("body")).to_have_attribute("data-trust", "live")
    assert [text for text in page.evaluate(told) if "old" in text] == []
    program.stop()
    expect(page.locator("body")).to_have_attribute("data-trust", "unreached", timeout=12_000)
    assert [text for text in page.evaluate(told) if "old" in text] == [
        f"{title} – old"
        for title in ("Now", "Alarms: none", "What to do next", "Food, fuel, vents", "Set point")
    ]
    for figure in ("#pit-figure", "#facts dd span"):
        expect(page.locator(figure).first).to_have_css("text-decoration-style", "dashed")


def test_without_scripts_no_alarm_is_denied(browser: Browser, program: Program) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    log_in(page, program.url)
    expect(page.locator("#alarms-title")).to_have_text("Alarms: not known yet")
    expect(page.locator("#unready")).to_contain_text("needs JavaScript. Shut the vents by hand.")
    expect(page.locator("#unready")).to_be_visible()
    expect(page.locator("#unready")).to_be_in_viewport(ratio=1.0)
    context.close()


def test_buttons_that_do_not_work_yet_say_so(page: Page, program: Program) -> None:
    """A slow network brings the button that snuffs long before the script that makes it work."""
    held: list[Route] = []
    page.route("**/page.js", lambda route: held.append(route))
    page.reload(wait_until="commit")
    expect(page.locator("#unready")).to_be_visible()
    expect(page.locator("#unready")).to_be_in_viewport(ratio=1.0)
    held[0].continue_()
    expect(page.locator("#phase-word")).to_have_text("Tending.")
    expect(page.locator("#unready")).to_have_count(0)


def test_the_fire_can_be_snuffed_before_the_plot_s_library_has_come(page: Page, program: Program) -> None:
    held: list[Route] = []
    page.route("**/uPlot*.js", lambda route: held.append(route))
    page.reload(wait_until="commit")
    expect(page.locator("#phase-word")).to_have_text("Tending.")
    snuff(page)
    expect(reply(page)).to_have_text("Snuff: accepted")
    expect(page.locator("#plot canvas")).to_have_count(0)
    held[0].continue_()
    expect(page.locator("#plot canvas")).to_be_visible()


def test_an_alarm_that_is_over_says_so_before_all_else(page: Page, program: Program) -> None:
    """Its title and remedy are of what was: 'put the lid back on', beside a lid that is on."""
    title = page.locator("#alarm-list li[data-key=lid_off_long] .title")
    for seq, (alarm_state, begins) in enumerate(
        [("unacknowledged", "◆ Medium. "), ("returned_unacknowledged", "◆ Medium, now over. ")]
    ):
        told = alarm("lid_off_long", seq=seq, priority="medium", state=alarm_state, message="The lid is off")
        tell(program.wire.board, told)
        expect(title).to_have_text(f"{begins}The lid is off")


def test_no_glance_takes_raw_food_for_done(page: Page, program: Program) -> None:
    """What stands in bold is read alone: 'Food is done', over 'not cooking' in plain letters."""
    body = {"stage": "waiting", "done": False}
    program.wire.board.take(
        TOPICS.part("food"), json.dumps(body).encode(), retained=False, mono_s=time.monotonic()
    )
    expect(page.locator("#facts")).to_contain_text("not cooking")
    assert "done" not in page.locator("#facts").inner_text().lower()


def test_an_alarm_that_is_over_is_read_to_nobody_while_another_asks(page: Page, program: Program) -> None:
    """A screen reader that goes through the page meets the spoken words again: they must still be so."""
    tell(program.wire.board, alarm("lid_off_long", message="The lid is off"))
    shows(page, "lid_off_long")
    tell(program.wire.board, alarm("fire_out", message="The fire is out"))
    expect(page.locator("#shout")).to_contain_text("The fire is out")
    tell(program.wire.board, alarm("fire_out", seq=2, state="normal", active=False))
    expect(page.locator("#alarm-list li")).to_have_count(1)
    expect(page.locator("#shout")).to_have_text("")


def test_an_alarm_that_comes_while_a_question_is_open_is_told_in_it(page: Page, program: Program) -> None:
    """The question covers the page, and a screen reader hears nothing of what lies below a modal dialog."""
    page.get_by_role("button", name="Wood added…").click()
    trouble = page.get_by_role("dialog", name="Wood added?").get_by_role("alert")
    expect(trouble).to_be_hidden()
    tell(program.wire.board, alarm(message="The fire is out", remedy="Go and look"))
    expect(trouble).to_have_text("Alarm, high: The fire is out. Go and look")
    page.get_by_role("button", name="Go back").click()
    page.get_by_role("button", name="Wood added…").click()
    expect(trouble).to_be_hidden()


def test_an_alarm_known_only_by_its_code_is_shown(page: Page, program: Program) -> None:
    tell(program.wire.board, state(phase="cut_off", alarms=["pit_too_hot"]))
    program.wire.on_news()
    item = page.locator("#alarm-list li")
    expect(item).to_contain_text("Alarm. Pit too hot")
    expect(page.locator("#shout")).to_contain_text("Pit too hot")
    page.get_by_role("button", name="Acknowledge: Pit too hot").click()
    expect(reply(page)).to_have_text("Acknowledge: accepted")
    assert program.wire.asked[0][1] == {"code": "pit_too_hot"}


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(89, "89 s ago"), (3600, "60 min ago"), (93_600, "26.0 h ago"), (172_800, "2 days ago"),
     (19_895_000, "230 days ago")],
)  # fmt: skip
def test_how_long_ago_is_told_in_a_unit_that_one_can_picture(page: Page, seconds: int, told: str) -> None:
    """The first word of the season was '5526.3 h ago'."""
    assert page.evaluate(f"ago({seconds})") == told


def test_a_time_of_another_day_has_its_day(page: Page, program: Program) -> None:
    today = page.evaluate("moment(Date.now() / 1000)")
    assert re.fullmatch(r"\d\d:\d\d", today)
    assert page.evaluate(f"moment({NOW.timestamp()})") == "Sat 11 Apr, 15:00"
    tell(program.wire.board, alarm("fire_out"))
    program.wire.on_news()
    expect(page.locator("#alarm-list .state")).to_contain_text("Since Sat 11 Apr, 15:00")
    expect(page.locator("#plot-summary")).to_contain_text("Sat 11 Apr")


@pytest.mark.parametrize(
    ("place", "raised", "told"),
    [  # IANA time zone database: Berlin goes from CEST to CET on 2026-10-25 at 01:00 UTC, Lord Howe by 30 min
        ("Europe/Berlin", datetime(2026, 10, 24, 23, 30, tzinfo=UTC), "01:30,"),
        ("Europe/Berlin", datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "02:30 GMT+2,"),
        ("Europe/Berlin", datetime(2026, 10, 25, 1, 30, tzinfo=UTC), "02:30 GMT+1,"),
        ("Europe/Berlin", datetime(2026, 10, 25, 2, 0, tzinfo=UTC), "03:00,"),
        ("Europe/Berlin", datetime(2026, 3, 29, 1, 30, tzinfo=UTC), "03:30,"),
        ("Australia/Lord_Howe", datetime(2026, 4, 4, 14, 50, tzinfo=UTC), "01:50 GMT+11,"),
        ("Australia/Lord_Howe", datetime(2026, 4, 4, 15, 20, tzinfo=UTC), "01:50 GMT+10:30,"),
    ],
)
def test_a_time_of_the_hour_that_comes_twice_has_its_zone(
    browser: Browser, program: Program, place: str, raised: datetime, told: str
) -> None:
    tell(program.wire.board, alarm(raised_utc=raised))
    context = browser.new_context(timezone_id=place, locale="en-US")
    page = context.new_page()
    log_in(page, program.url)
    expect(page.locator("#alarm-list .state")).to_contain_text(told)
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_browser_of_years_ago_paints_the_question_too(
    browser: Browser, program: Program, scheme: Literal["light", "dark"]
) -> None:
    """Colour functions newer than 2022 (CSS Color 5) are taken away, as an old phone has them not."""
    context = browser.new_context(color_scheme=scheme)
    page = context.new_page()

    def old(route: Route) -> None:
        answer = route.fetch()
        css = re.sub(r"(light-dark|color-mix|contrast-color)\(", "unheard-of(", answer.text())
        route.fulfill(response=answer, body=css)

    page.route("**/page.css", old)
    log_in(page, program.url)
    page.locator("#snuff").click()
    grounds = [
        page.locator(where).evaluate("e => getComputedStyle(e).backgroundColor")
        for where in ("dialog", "#bar", "html")
    ]
    assert grounds == 3 * ["rgb(18, 20, 18)" if scheme == "dark" else "rgb(251, 250, 245)"]
    context.close()
