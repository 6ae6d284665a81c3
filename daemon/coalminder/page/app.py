"""The routes. A GET changes nothing; a POST needs a session, its word against forgery, and our own origin."""

from __future__ import annotations

import asyncio
import contextlib
import html
import json
import math
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from sse_starlette import EventSourceResponse
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from coalminder.page.alarms import to_acknowledge
from coalminder.page.broker import Answer, Wire
from coalminder.page.feed import Feed
from coalminder.page.guard import Guard, TooLargeError, small_body
from coalminder.page.login import Guesses, Rate, Session, Sessions, password_fits, same
from coalminder.page.order import read_asked
from coalminder.page.view import Shown

STATIC = Path(__file__).parent / "static"
NO_COOKIE = "The password was right, but this browser keeps no cookie. Allow cookies for this address."
SEND_TIMEOUT_S = 30.0  # a phone that takes nothing for so long is gone
_ANYBODY = Session("", "no-login", math.inf)


@dataclass(slots=True)
class Door:
    """Everything about who may come in. password_hash None: anybody on this machine."""

    password_hash: str | None
    session_s: float = 86_400.0
    names: tuple[str, ...] = ()
    secure: bool = False
    sessions: Sessions = field(init=False)
    guesses: Guesses = field(default_factory=Guesses)
    commands: Rate = field(default_factory=lambda: Rate(20, 1.0))

    def __post_init__(self) -> None:
        """Sessions of the length asked for."""
        self.sessions = Sessions(self.session_s)

    @property
    def cookie(self) -> str:
        """Name of the cookie; with TLS the prefix that browsers bind to this host."""
        return "__Host-coalminder_page" if self.secure else "coalminder_page"

    def session(self, request: Request) -> Session | None:
        """Who asks; None: nobody known."""
        if self.password_hash is None:
            return _ANYBODY
        return self.sessions.find(request.cookies.get(self.cookie), time.monotonic())

    def holds(self, session: Session) -> bool:
        """Whether a session is still open."""
        return session is _ANYBODY or self.sessions.holds(session, time.monotonic())


class PageApp:
    """The page's handlers around one wire and one door; `asgi` is the application to serve."""

    def __init__(self, wire: Wire, door: Door, shown: Shown) -> None:
        self._wire, self._door, self._shown = wire, door, shown
        self._feed: Feed | None = None
        self._hashing = asyncio.Semaphore(1)
        self._page = (STATIC / "page.html").read_text("utf-8")
        self._login = (STATIC / "login.html").read_text("utf-8")
        self.asgi = Starlette(
            routes=[
                Route("/", self.page),
                Route("/login", self.show_login, methods=["GET"]),
                Route("/login", self.log_in, methods=["POST"]),
                Route("/logout", self.log_out, methods=["POST"]),
                Route("/events", self.events),
                Route("/command/{kind}", self.command, methods=["POST"]),
                Mount("/static", StaticFiles(directory=STATIC)),
            ],
            middleware=[Middleware(Guard, names=door.names, open_to_all=door.password_hash is None)],
            exception_handlers={TooLargeError: _too_large},
            lifespan=self._life,
        )

    @contextlib.asynccontextmanager
    async def _life(self, _app: Starlette) -> AsyncIterator[None]:
        self._feed = Feed(self._wire, self._shown)
        self._wire.start()
        task = asyncio.create_task(self._feed.run())
        try:
            yield
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            await asyncio.to_thread(self._wire.stop)

    async def page(self, request: Request) -> Response:
        """The page itself, for who is logged in."""
        session = self._door.session(request)
        if session is None:
            return RedirectResponse("/login", 303)
        grill = self._wire.look(lambda board: board.topics.grill)
        text = self._page.replace("{{csrf}}", html.escape(session.csrf)).replace(
            "{{grill}}", html.escape(grill)
        )
        return HTMLResponse(text.replace("{{login}}", "no" if self._door.password_hash is None else "yes"))

    async def show_login(self, request: Request) -> Response:
        """The form."""
        if self._door.session(request) is not None:
            return RedirectResponse("/", 303)
        return self._form(NO_COOKIE if "entered" in request.query_params else "")

    async def log_in(self, request: Request) -> Response:
        """A try. Counted before the password is looked at."""
        body = await small_body(request)
        address = request.client.host if request.client else "?"
        wait_s = self._door.guesses.wait_s(address, time.monotonic())
        if wait_s > 0:
            seconds = math.ceil(wait_s)
            answer = self._form(f"Too many tries. Wait {seconds} s.", 429)
            answer.headers["retry-after"] = str(seconds)
            return answer
        try:
            password = parse_qs(body.decode("utf-8", "replace"), max_num_fields=4).get("password", [""])[0]
        except ValueError:
            return self._form("Send the password and nothing else.", 422)
        if self._door.password_hash is None:
            return RedirectResponse("/", 303)
        async with self._hashing:
            right = await asyncio.to_thread(password_fits, password, self._door.password_hash)
        if not right:
            return self._form("That is not the password.", 403)
        self._door.guesses.forgive(address)
        token, _ = self._door.sessions.open(time.monotonic())
        inside = RedirectResponse("/login?entered", 303)  # on to the page, or why it stays shut
        inside.set_cookie(
            self._door.cookie,
            token,
            max_age=int(self._door.session_s),
            path="/",
            secure=self._door.secure,
            httponly=True,
            samesite="strict",
        )
        return inside

    async def log_out(self, request: Request) -> Response:
        """End the session; its streams end with it."""
        session = await self._allowed(request)
        if isinstance(session, Response):
            return session
        self._door.sessions.close(session)
        answer = JSONResponse({"result": "out"})
        answer.delete_cookie(
            self._door.cookie, path="/", secure=self._door.secure, httponly=True, samesite="strict"
        )
        return answer

    async def events(self, request: Request) -> Response:
        """Server-sent events: `clock`, `history`, `now`, `bye`."""
        session = self._door.session(request)
        if session is None or self._feed is None:
            return PlainTextResponse("log in first", 401)
        events = self._feed.events(lambda: self._door.holds(session))
        return EventSourceResponse(events, ping=60, send_timeout=SEND_TIMEOUT_S)

    async def command(self, request: Request) -> Response:
        """Send a command to the daemon, and its reply back. Body: JSON object of the command's fields.

        Header `x-asked`: when the person tapped, by the clock that each view tells. A snuff needs neither.
        """
        session = await self._allowed(request)
        if isinstance(session, Response):
            return session
        kind, client = request.path_params["kind"], f"page {request.client.host if request.client else '?'}"
        now_s = time.monotonic()
        asked_s = read_asked(request.headers.get("x-asked", ""))
        if kind == "snuff":
            self._door.commands.take(now_s)
            return self._told(await self._wire.ask(kind, {}, client, asked_s))
        if self._door.commands.wait_s(now_s) > 0:
            return JSONResponse({"result": "unsent", "reason": "too many commands; wait a second"}, 429)
        self._door.commands.take(now_s)
        fields = self._fields(await small_body(request))
        if fields is None:
            return JSONResponse({"result": "refused", "reason": "not a JSON object"}, 422)
        if asked_s is None:
            return JSONResponse({"result": "refused", "reason": "nothing was heard of the grill yet"}, 422)
        if kind == "acknowledge" and "shown" in fields:
            return self._told(await self._acknowledge(fields["shown"], client, asked_s))
        return self._told(await self._wire.ask(kind, fields, client, asked_s))

    async def _acknowledge(self, shown: Any, client: str, asked_s: float) -> Answer:
        """Acknowledge what the page showed, and no alarm that has come since. shown: code -> when raised."""
        if not isinstance(shown, dict):
            return Answer("refused", "shown: an object of codes and times is needed")
        codes = self._wire.look(lambda board: to_acknowledge(board, shown))
        if codes is None:
            return Answer("refused", "the alarms have changed meanwhile; look at them again")
        answers = await asyncio.gather(
            *(self._wire.ask("acknowledge", {"code": code}, client, asked_s) for code in codes)
        )
        return next((answer for answer in answers if answer.result != "accepted"), answers[0])

    def _told(self, answer: Answer) -> Response:
        reason = self._shown.units.words(answer.reason).encode("utf-8", "replace").decode()
        return JSONResponse({"result": answer.result, "reason": reason})

    async def _allowed(self, request: Request) -> Session | Response:
        """The session of a request that may change something."""
        session = self._door.session(request)
        if session is None:
            return JSONResponse({"result": "unsent", "reason": "log in first"}, 401)
        if request.headers.get("content-type", "").split(";")[0].strip() != "application/json":
            return JSONResponse({"result": "unsent", "reason": "send application/json"}, 415)
        if not same(request.headers.get("x-csrf", ""), session.csrf):
            return JSONResponse({"result": "unsent", "reason": "load the page again"}, 403)
        return session

    def _fields(self, body: bytes) -> dict[str, Any] | None:
        """Fields of a command from those of the page: `temp` and `mass` are in the page's units."""
        try:
            fields = json.loads(body or b"{}")
        except (ValueError, RecursionError):
            return None
        if not isinstance(fields, dict):
            return None
        for name, inside, convert in (
            ("temp", "temp_c", self._shown.celsius),
            ("mass", "mass_kg", self._shown.kilograms),
        ):
            if name in fields:
                value = fields.pop(name)
                if not isinstance(value, int | float) or isinstance(value, bool):
                    return None
                try:
                    fields[inside] = convert(float(value))
                except (OverflowError, ValueError):  # an integer beyond all floats, or no number
                    return None
        return fields

    def _form(self, trouble: str, status: int = 200) -> HTMLResponse:
        return HTMLResponse(self._login.replace("{{trouble}}", html.escape(trouble)), status)


async def _too_large(_request: Request, _error: Exception) -> Response:
    return PlainTextResponse("too large", 413)
