"""What holds for every request: known host names, headers, small bodies, no foreign pages' requests."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Collection
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY_BYTES = 4096

# W3C Content Security Policy 3: no script, style, picture or connection but our own; no frame around us.
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "cache-control": "no-store",
}


class Guard:
    """ASGI middleware. A name that a stranger's DNS could point at us is refused: DNS rebinding.

    open_to_all: without a login. Then of names in `.local`, which any device on the network may answer for,
    only that of this machine is known.
    """

    def __init__(self, app: ASGIApp, names: Collection[str] = (), *, open_to_all: bool = False) -> None:
        self._app, self._open_to_all = app, open_to_all
        own = socket.gethostname()  # on some machines with the network's domain
        alone = own.partition(".")[0]
        known = (*names, "localhost", own, alone, f"{alone}.local")
        self._names = {name.lower().rstrip(".") for name in known}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check, pass on, add headers."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        headers = Headers(scope=scope)
        trouble = self._trouble(scope["method"], headers)
        if trouble:
            status, text = trouble
            await PlainTextResponse(text, status)(scope, receive, send_with_headers)
            return
        await self._app(scope, receive, send_with_headers)

    def _trouble(self, method: str, headers: Headers) -> tuple[int, str] | None:
        host = headers.get("host", "")
        if not self._known(host):
            return 421, "this name is not known here; add it to names of [page]"
        if method not in ("GET", "HEAD") and not same_origin(headers):
            return 403, "the request comes from another page"
        return None

    def _known(self, host: str) -> bool:
        try:
            name = (urlsplit(f"//{host}").hostname or "").lower().rstrip(".")
        except ValueError:
            return False
        if name in self._names or (name.endswith(".local") and not self._open_to_all):
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True


def same_origin(headers: Headers) -> bool:
    """Whether the browser says that our own page asks (Origin; Fetch Metadata where it sends them)."""
    if headers.get("sec-fetch-site", "same-origin") != "same-origin":
        return False
    try:
        origin = urlsplit(headers.get("origin", ""))
    except ValueError:  # no browser sends it
        return False
    return origin.scheme in ("http", "https") and origin.netloc.lower() == headers.get("host", "").lower()


class TooLargeError(Exception):
    """A body over MAX_BODY_BYTES."""


async def small_body(request: Request) -> bytes:
    """The body, read no further than the limit. Raises TooLargeError."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MAX_BODY_BYTES:
            raise TooLargeError
    return body
