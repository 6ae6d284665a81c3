"""`coalminder page`: serves the page. Reads its settings, binds its socket, runs until Ctrl-C or SIGTERM."""

from __future__ import annotations

import argparse
import asyncio
import getpass
import logging
import os
import socket
import ssl
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from coalminder.errors import UserError
from coalminder.messages.options import LinkOptions

if TYPE_CHECKING:
    from coalminder.page.view import Shown
    from coalminder.settings import Settings
    from coalminder.settings.page import PageSettings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `page`."""
    add = parser.add_argument
    add(
        "--config",
        type=Path,
        metavar="FILE",
        help="configuration; [page], [mqtt], [band] and [grill] are used",
    )
    add("--broker", metavar="URL", help="mqtt://[user:password@]host[:port] instead of [mqtt]")
    add("--grill", metavar="NAME", help="name of the grill (default: that of the configuration, or kettle)")
    add("--host", metavar="ADDRESS", help="address to listen on (default 127.0.0.1: this machine only)")
    add("--port", type=int, metavar="N", help="TCP port (default 8480; 0: any free one)")
    add("--password-file", type=Path, metavar="FILE", help="file that --set-password wrote")
    add("--no-login", action="store_true", help="no password; only when nobody else can reach the page")
    add("--set-password", type=Path, metavar="FILE", help="ask for a password, write its hash to FILE, end")


def run(args: argparse.Namespace) -> int:
    """Serve the page, or set its password."""
    if args.set_password is not None:
        return _set_password(args.set_password)
    import uvicorn

    from coalminder.page.app import Door, PageApp
    from coalminder.page.broker import Wire
    from coalminder.page.connections import MOST, PhoneConnection
    from coalminder.settings import load_settings

    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    everything = load_settings(args.config)
    page = _page_settings(everything.page, args)
    options = _broker(args, page, everything.mqtt.model_dump(), everything.grill.name)
    door = Door(
        password_hash=_password_hash(page),
        session_s=page.session_hours * 3600.0,
        names=page.names,
        secure=page.certificate_file is not None,
    )
    tls = _tls_context(page)
    app = PageApp(Wire(options, points=page.history_points), door, _shown(everything, page))
    with _bound(page) as listening:
        _tell(page, listening)
        server = uvicorn.Server(
            uvicorn.Config(
                app.asgi,
                log_level="warning",
                access_log=False,
                server_header=False,
                proxy_headers=False,
                lifespan="on",
                ws="none",
                http=cast("type[asyncio.Protocol]", partial(PhoneConnection, tls=tls)),
                backlog=MOST,
                timeout_keep_alive=15,
                timeout_graceful_shutdown=1,
            )
        )
        server.run(sockets=[listening])
    return 0 if server.started else 1


def _shown(everything: Settings, page: PageSettings) -> Shown:
    """How the page shows it; what it lets people ask is what the daemon takes by the same configuration."""
    from coalminder.page.view import Shown
    from coalminder.units import units

    return Shown(
        units=units(page.units),
        old_after_s=page.old_after_s,
        set_point_min_c=everything.band.least_set_point,
        set_point_max_c=everything.band.highest_set_point,
        wood_max_kg=everything.mqtt.wood_max_kg,
        charcoal_max_kg=everything.mqtt.charcoal_max_kg,
    )


def _set_password(path: Path) -> int:
    from coalminder.page.login import hash_password

    if sys.stdin.isatty():
        password = getpass.getpass("Password for the page: ")
        if getpass.getpass("Once more: ") != password:
            raise UserError("the two passwords differ; try again")
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    text = hash_password(password) + "\n"
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise UserError(f"--set-password {path}: cannot be written: {error.strerror}") from None
    whole = path.absolute()  # the configuration takes no other
    print(f'The hash is in {path}. Name it in the configuration: [page] password_hash_file = "{whole}"')
    return 0


def _page_settings(section: PageSettings, args: argparse.Namespace) -> PageSettings:
    """The section [page] with the options of the command line over it."""
    from pydantic import ValidationError

    from coalminder.settings.page import PageSettings

    values: dict[str, Any] = section.model_dump()
    for name in ("host", "port"):
        if getattr(args, name) is not None:
            values[name] = getattr(args, name)
    if args.no_login:
        values["login"] = False
    if args.password_file is not None:
        values |= {"password_hash_file": args.password_file.absolute(), "password_hash": None}
    try:
        return PageSettings(**values)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(["page", *(str(part) for part in first["loc"])])
        raise UserError(f"{place}: {first['msg'].removeprefix('Value error, ')}") from None


def _broker(args: argparse.Namespace, page: PageSettings, mqtt: dict[str, Any], grill: str) -> LinkOptions:
    """How to reach the broker: --broker, or [mqtt] with the page's own user."""
    name = args.grill or grill
    if args.broker is not None:
        return LinkOptions.from_url(args.broker, name)
    if page.mqtt_username is not None:
        mqtt |= {
            "username": page.mqtt_username,
            "password": None,
            "password_file": page.mqtt_password_file,
        }
    return LinkOptions.from_settings(mqtt | {"grill": name})


def _password_hash(page: PageSettings) -> str | None:
    from coalminder.page.login import check_hash

    if not page.login:
        return None
    if page.password_hash is not None:
        return check_hash(page.password_hash.get_secret_value())
    path = page.password_hash_file
    if path is None:
        raise UserError(
            "the page needs a password: make one with 'coalminder page --set-password FILE', then name it "
            "with --password-file FILE or password_hash_file in [page]; --no-login serves this machine only"
        )
    try:
        return check_hash(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(
            f"page.password_hash_file {path}: {getattr(error, 'strerror', None) or error}; "
            "make it with 'coalminder page --set-password FILE'"
        ) from None


def _tls_context(page: PageSettings) -> ssl.SSLContext | None:
    if page.certificate_file is None:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(page.certificate_file, page.key_file)
    except (OSError, ssl.SSLError) as error:
        raise UserError(
            f"page.certificate_file {page.certificate_file}: {error.strerror or error}; "
            "name a readable certificate and its key, both PEM"
        ) from None
    return context


def _bound(page: PageSettings) -> socket.socket:
    """A listening socket, made here so that a taken port is told in one line."""
    try:
        family, kind, proto, _, address = socket.getaddrinfo(
            page.host, page.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listening = socket.socket(family, kind, proto)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind(address)
            listening.listen(128)  # before the address is told: who comes at once waits a moment
        except OSError:
            listening.close()
            raise
    except OSError as error:
        raise UserError(
            f"page.host {page.host} port {page.port}: {error.strerror}; "
            "choose another with --port, or an address of this machine"
        ) from None
    return listening


def _tell(page: PageSettings, listening: socket.socket) -> None:
    scheme = "http" if page.certificate_file is None else "https"
    port = listening.getsockname()[1]
    host = page.host
    if host in ("0.0.0.0", "::"):  # noqa: S104 (only read here)
        host = f"{socket.gethostname().partition('.')[0]}.local"  # on some machines it has a domain
    elif ":" in host:
        host = f"[{host}]"
    print(f"The page is at {scheme}://{host}:{port}/", flush=True)
    if not page.loopback and scheme == "http":
        print(
            "Without TLS, who listens on this network can read the password: "
            "set certificate_file and key_file in [page].",
            file=sys.stderr,
        )
