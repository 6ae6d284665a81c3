"""The page's requests: who may see it, who may ask for what, what every answer carries."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher
from page_messages import NOW, FakeWire, alarm, later, tell

import coalminder.page
from coalminder.page.app import Door, PageApp
from coalminder.page.broker import Answer
from coalminder.page.view import Shown
from coalminder.units import US

PASSWORD = "alder and char"
HASH = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1).hash(PASSWORD)  # quick
STATIC = Path(coalminder.page.__file__).parent / "static"
HOME = "http://127.0.0.1:8480"


class Phone:
    """A browser on a phone: knows the cookie, the word against forgery and the headers browsers send."""

    def __init__(self, wire: FakeWire, app: PageApp, base: str = HOME) -> None:
        self.wire = wire
        self.http = httpx.AsyncClient(
            transport=httpx.ASGITransport(app.asgi, client=("192.0.2.7", 4711)), base_url=base
        )
        self.headers = {"origin": base, "sec-fetch-site": "same-origin"}
        self.csrf = ""

    async def log_in(self, password: str = PASSWORD) -> httpx.Response:
        answer = await self.http.post("/login", data={"password": password}, headers=self.headers)
        page = await self.http.get("/")
        found = re.search(r'name="csrf" content="([^"]+)"', page.text)
        self.csrf = found[1] if found else ""
        return answer

    async def ask(
        self, kind: str, body: Any = None, content: bytes | None = None, **headers: str
    ) -> httpx.Response:
        given = {name.replace("_", "-"): value for name, value in headers.items()}
        every = (
            self.headers | {"x-csrf": self.csrf, "content-type": "application/json", "x-asked": "1"} | given
        )
        kept = {name: value for name, value in every.items() if value != "-"}
        if content is not None:
            return await self.http.post(f"/command/{kind}", content=content, headers=kept)
        return await self.http.post(f"/command/{kind}", json=body or {}, headers=kept)


def make(door: Door | None = None, shown: Shown | None = None, base: str = HOME) -> Phone:
    wire = FakeWire()
    return Phone(wire, PageApp(wire, door or Door(HASH), shown or Shown()), base)  # type: ignore[arg-type]


@pytest.fixture
async def phone() -> AsyncIterator[Phone]:
    phone = make()
    yield phone
    await phone.http.aclose()


async def test_a_browser_that_keeps_no_cookie_is_told_so(phone: Phone) -> None:
    """Else the right password leads to an empty form, again and again."""
    answer = await phone.http.post("/login", data={"password": PASSWORD}, headers=phone.headers)
    kept = dict(phone.http.cookies)
    phone.http.cookies.clear()
    page = await phone.http.get(answer.headers["location"], follow_redirects=True)
    assert "keeps no cookie" in page.text
    phone.http.cookies.update(kept)
    page = await phone.http.get(answer.headers["location"], follow_redirects=True)
    assert page.url.path == "/"
    assert page.url.query == b""
    assert 'id="pit-figure"' in page.text


async def test_a_stranger_sees_the_login_and_nothing_else(phone: Phone) -> None:
    page = await phone.http.get("/")
    assert (page.status_code, page.headers["location"]) == (303, "/login")
    assert (await phone.http.get("/events")).status_code == 401
    assert (await phone.ask("snuff")).status_code == 401
    login = await phone.http.get("/login")
    assert login.status_code == 200
    assert "92.4" not in login.text
    assert not phone.wire.asked


async def test_the_right_password_opens_the_page_and_logging_out_closes_it(phone: Phone) -> None:
    answer = await phone.log_in()
    assert answer.status_code == 303
    assert phone.csrf
    assert (await phone.http.get("/")).status_code == 200
    out = await phone.http.post("/logout", json={}, headers=phone.headers | {"x-csrf": phone.csrf})
    assert out.status_code == 200
    assert (await phone.http.get("/")).status_code == 303


async def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(phone: Phone) -> None:
    cookie = (await phone.log_in()).headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "path=/" in cookie
    assert "domain" not in cookie


async def test_with_tls_the_cookie_never_goes_without() -> None:
    phone = make(Door(HASH, secure=True), base="https://127.0.0.1:8480")
    cookie = (await phone.log_in()).headers["set-cookie"]
    assert cookie.startswith("__Host-")
    assert "secure" in cookie.lower()
    await phone.http.aclose()


async def test_a_wrong_password_is_refused_and_guessing_is_stopped(phone: Phone) -> None:
    codes = [(await phone.log_in("wrong password")).status_code for _ in range(7)]
    assert codes == [403] * 5 + [429] * 2
    late = await phone.log_in(PASSWORD)
    assert late.status_code == 429, "the right one has to wait as well"
    assert 0 < int(late.headers["retry-after"]) <= 30


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "-"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "http://example.org"},
        {"origin": "http://127.0.0.1:8480.example.org"},
        {"origin": "http://["},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site"},
        {"x_csrf": "-"},
        {"x_csrf": "guess"},
        {"content_type": "text/plain"},
        {"content_type": "application/x-www-form-urlencoded"},
    ],
    ids=lambda headers: ",".join(f"{k}={v}" for k, v in headers.items()),
)
async def test_forged_requests_are_refused_even_with_the_cookie(
    phone: Phone, headers: dict[str, str]
) -> None:
    await phone.log_in()
    answer = await phone.ask("snuff", **headers)
    assert answer.status_code in (403, 415)
    assert not phone.wire.asked


async def test_another_session_s_word_does_not_do(phone: Phone) -> None:
    await phone.log_in()
    other = phone.csrf
    phone.http.cookies.clear()
    await phone.log_in()
    assert (await phone.ask("snuff", x_csrf=other)).status_code == 403


async def test_a_login_from_a_foreign_page_is_refused(phone: Phone) -> None:
    answer = await phone.http.post(
        "/login", data={"password": PASSWORD}, headers={"origin": "http://example.org"}
    )
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("127.0.0.1:8480", True), ("[::1]:8480", True), ("192.0.2.17", True), ("localhost", True),
        ("grillpi.local:8480", True), ("grill.example.org", True), ("GRILL.example.org.", True),
        ("rebind.example.com", False), ("127.0.0.1.example.com", False), ("local", False),
        ("[", False), ("", False),
    ],
)  # fmt: skip
async def test_names_that_a_stranger_could_point_here_are_refused(host: str, known: bool) -> None:
    phone = make(Door(HASH, names=("grill.example.org",)))
    answer = await phone.http.get("/login", headers={"host": host})
    assert (answer.status_code == 200) == known
    await phone.http.aclose()


@pytest.mark.parametrize(
    ("host", "status"), [("localhost", 200), ("grillpi.local", 200), ("guest.local", 421), ("127.0.0.1", 200)]
)
async def test_without_a_login_a_guest_on_the_network_points_no_name_here(
    host: str, status: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Any device answers for names in `.local` (RFC 6762, 21), and no password keeps its page from ours."""
    monkeypatch.setattr("socket.gethostname", lambda: "grillpi")
    phone = make(Door(None))
    headers = {"host": host, "origin": f"http://{host}", "x-csrf": "no-login"}
    assert (await phone.http.post("/command/snuff", json={}, headers=headers)).status_code == status
    await phone.http.aclose()


@pytest.mark.parametrize(
    ("host", "known"),
    [("grillpi:8480", True), ("grillpi.home.arpa", True), ("pi.home.arpa", False), ("home.arpa", False)],
)
async def test_a_machine_with_a_domain_is_known_by_its_name_alone_too(
    host: str, known: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "grillpi.home.arpa")
    phone = make(Door(HASH))
    answer = await phone.http.get("/login", headers={"host": host})
    assert (answer.status_code == 200) == known
    await phone.http.aclose()


async def test_a_command_goes_out_with_the_phone_s_address(phone: Phone) -> None:
    await phone.log_in()
    answer = await phone.ask("acknowledge", {"code": "fire_out"})
    assert answer.json() == {"result": "accepted", "reason": ""}
    assert phone.wire.asked == [("acknowledge", {"code": "fire_out"}, "page 192.0.2.7")]


async def test_units_of_the_page_become_the_daemon_s() -> None:
    phone = make(shown=Shown(units=US))
    await phone.log_in()
    await phone.ask("set_point", {"temp": 200})
    await phone.ask("wood", {"mass": 0.2})
    # 200 °F = 93.3 °C, 1 lb = 0.45359237 kg: NIST SP 811 (2008), B.8
    assert phone.wire.asked[0][1]["temp_c"] == pytest.approx(93.333, abs=1e-3)
    assert phone.wire.asked[1][1]["mass_kg"] == pytest.approx(0.0907, abs=1e-4)
    await phone.http.aclose()


@pytest.mark.parametrize("body", ['"x"', "[1]", "{", '{"temp":"93"}', '{"temp":true}', '{"temp":null}'])
async def test_a_body_that_is_no_command_is_refused(phone: Phone, body: str) -> None:
    await phone.log_in()
    assert (await phone.ask("set_point", content=body.encode())).status_code == 422
    assert not phone.wire.asked


async def test_a_large_body_is_not_read(phone: Phone) -> None:
    await phone.log_in()
    assert (await phone.ask("wood", content=b"{" + b" " * 5000 + b"}")).status_code == 413
    login = await phone.http.post("/login", content=b"password=" + b"x" * 5000, headers=phone.headers)
    assert login.status_code == 413
    assert not phone.wire.asked


async def test_a_flood_of_commands_is_slowed_but_snuff_goes_through(phone: Phone) -> None:
    await phone.log_in()
    codes = [(await phone.ask("acknowledge")).status_code for _ in range(30)]
    assert codes.count(200) in range(20, 23)
    assert codes[-1] == 429
    assert (await phone.ask("snuff", content=b"not even JSON")).json()["result"] == "accepted"
    assert phone.wire.asked[-1][0] == "snuff"


@pytest.mark.parametrize("path", ["/", "/login", "/events", "/command/snuff", "/logout", "/static/page.js"])
@pytest.mark.parametrize("method", ["GET", "HEAD"])
async def test_looking_changes_nothing(phone: Phone, path: str, method: str) -> None:
    await phone.log_in()
    if path != "/events":
        await phone.http.request(method, path)
    assert not phone.wire.asked
    assert (await phone.http.get("/")).status_code == 200


@pytest.mark.parametrize("path", ["/", "/login", "/static/page.js", "/static/nothing", "/events", "/nowhere"])
async def test_every_answer_carries_the_safety_headers(phone: Phone, path: str) -> None:
    headers = (await phone.http.get(path)).headers
    policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
    # W3C CSP 3; OWASP Secure Headers project (from memory)
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"
    assert "server" not in headers


async def test_without_login_the_page_opens_but_forgery_is_refused_all_the_same() -> None:
    phone = make(Door(None))
    assert (await phone.http.get("/")).status_code == 200
    assert (await phone.ask("snuff", x_csrf="no-login", origin="http://example.org")).status_code == 403
    assert (await phone.ask("snuff", x_csrf="-")).status_code == 403
    assert not phone.wire.asked
    await phone.http.aclose()


@pytest.mark.parametrize("path", ["/static/../app.py", "/static/%2e%2e/app.py", "/static//etc/passwd"])
async def test_only_the_static_files_are_served(phone: Phone, path: str) -> None:
    assert (await phone.http.get(path)).status_code == 404


@pytest.mark.parametrize(
    "name", ["page.html", "login.html", "page.css", "ask.js", "page.js", "plot.js", "theme.js"]
)
def test_our_files_hold_no_inline_code_and_no_foreign_address(name: str) -> None:
    text = (STATIC / name).read_text("utf-8").replace("http://www.w3.org/2000/svg", "")
    assert "http:" not in text
    assert "https:" not in text
    assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\son\w+=|\sstyle=|javascript:", text)
    assert not re.search(r"\beval\(|innerHTML|outerHTML|document\.write|insertAdjacentHTML", text)


def test_the_plot_library_lies_there_with_its_licence() -> None:
    assert "MIT License" in (STATIC / "vendor" / "uPlot-LICENSE.txt").read_text("utf-8")
    assert "v1.6.32" in (STATIC / "vendor" / "uPlot.iife.min.js").read_text("utf-8")[:100]


async def test_a_command_says_when_it_was_asked_for(phone: Phone) -> None:
    await phone.log_in()
    await phone.ask("tend", x_asked="1234.5")
    assert phone.wire.asked_s == [1234.5]
    for bad in ("-", "", "soon", "nan", "inf"):
        assert (await phone.ask("tend", x_asked=bad)).status_code == 422
        assert (await phone.ask("snuff", x_asked=bad)).json()["result"] == "accepted"
    assert [kind for kind, _, _ in phone.wire.asked] == ["tend", *["snuff"] * 5]


DEEP, HUGE, LONG = b"[" * 2000, b'{"temp":' + b"9" * 400 + b"}", b"x" * 200_000


@pytest.mark.parametrize("body", [DEEP, HUGE, LONG, b"\xff\x00"], ids=["deep", "huge", "long", "no text"])
async def test_no_body_holds_up_a_snuff(phone: Phone, body: bytes) -> None:
    await phone.log_in()
    answer = await phone.ask("snuff", content=body)
    assert (answer.status_code, answer.json()["result"]) == (200, "accepted")
    assert phone.wire.asked == [("snuff", {}, "page 192.0.2.7")]


@pytest.mark.parametrize("body", [DEEP, HUGE], ids=["deep", "huge"])
async def test_odd_bodies_are_refused_with_a_word(phone: Phone, body: bytes) -> None:
    await phone.log_in()
    assert (await phone.ask("set_point", content=body)).status_code == 422
    assert not phone.wire.asked


async def test_a_login_with_many_fields_is_refused_with_a_word(phone: Phone) -> None:
    answer = await phone.http.post("/login", content=b"a=1&b=2&c=3&d=4&e=5&f=6", headers=phone.headers)
    assert answer.status_code == 422
    assert "set-cookie" not in answer.headers


async def test_looking_acknowledges_what_was_on_the_screen_and_no_more(phone: Phone) -> None:
    await phone.log_in()
    board, at_s = phone.wire.board, NOW.timestamp()
    for code in ("fire_out", "pit_probe_noisy"):
        tell(board, alarm(code))
    tell(board, alarm("lid_long_off", raised_utc=later(30)))
    shown = {"fire_out": at_s, "pit_probe_noisy": at_s, "lid_long_off": at_s, "gone": at_s}
    assert (await phone.ask("acknowledge", {"shown": shown})).json()["result"] == "accepted"
    assert [fields for _, fields, _ in phone.wire.asked] == [
        {"code": "fire_out"},
        {"code": "pit_probe_noisy"},
    ]
    phone.wire.asked.clear()
    for unseen in ({}, {"gone": at_s}):
        answer = (await phone.ask("acknowledge", {"shown": unseen})).json()
        assert (answer["result"], "changed" in answer["reason"]) == ("refused", True)
    assert not phone.wire.asked, "what came meanwhile still asks"


@pytest.mark.parametrize("shown", [[], "x", 7, None])
async def test_what_shows_nothing_acknowledges_nothing(phone: Phone, shown: Any) -> None:
    await phone.log_in()
    assert (await phone.ask("acknowledge", {"shown": shown})).json()["result"] == "refused"
    assert not phone.wire.asked


async def test_somebody_is_there_also_without_an_alarm(phone: Phone) -> None:
    await phone.log_in()
    assert (await phone.ask("acknowledge", {"shown": {}})).json()["result"] == "accepted"
    assert phone.wire.asked == [("acknowledge", {"code": ""}, "page 192.0.2.7")]


async def test_reasons_are_in_the_units_of_the_page() -> None:
    phone = make(shown=Shown(units=US))
    await phone.log_in()
    phone.wire.answer = Answer("refused", "set point 49 °C is outside 55 to 110 °C \ud800")
    reason = (await phone.ask("set_point", {"temp": 120})).json()["reason"]
    assert reason == "set point 120 °F is outside 131 to 230 °F ?"
    await phone.http.aclose()
