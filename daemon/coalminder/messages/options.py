"""What the link has to know, apart from the settings so that they need not be loaded here."""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal
from urllib.parse import unquote, urlsplit

from coalminder.errors import UserError
from coalminder.messages.topics import is_name


@dataclass(frozen=True, slots=True)
class LinkOptions:
    """How to reach the broker and as whom. Times in s. The fields are those of settings.mqtt."""

    host: str = "127.0.0.1"
    port: int = 1883
    grill: str = "kettle"
    tls: bool = False
    ca_file: Path | None = None  # None: the system's certificate authorities
    certificate_file: Path | None = None  # with key_file, for a broker that asks for a certificate
    key_file: Path | None = None
    username: str | None = None
    password: str | None = None
    password_file: Path | None = None  # read again for each connection: some passwords are short-lived
    client_id: str = ""  # "": made from the grill's name
    mqtt_version: Literal["auto", "5", "3.1.1"] = "auto"  # auto: 5, then 3.1.1 when the broker cannot
    keepalive_s: int = 15
    connect_timeout_s: float = 5.0
    retry_max_s: float = 5.0
    state_every_s: float = 5.0
    discovery: bool = True
    discovery_prefix: str = "homeassistant"
    discovery_name: str = ""  # "": the grill's own

    def named(self, client_id: str) -> LinkOptions:
        """The same for another program: a client id must be unique at the broker."""
        return replace(self, client_id=client_id)

    def password_now(self) -> str | None:
        """What the file says now; what it said at the start while it cannot be read."""
        if self.password_file is None:
            return self.password
        try:
            return _first_line(self.password_file)
        except UserError:
            return self.password

    def tls_context(self) -> ssl.SSLContext:
        """For a connection: TLS 1.2 or newer. UserError when a file that it needs is of no use."""
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
        except OSError as error:
            raise UserError(
                f"mqtt.ca_file {self.ca_file}: {error.strerror or error}; name a readable file with the "
                "certificate of the broker's authority, PEM"
            ) from None
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.certificate_file is not None:
            try:  # a password, empty, or OpenSSL asks at the terminal
                context.load_cert_chain(self.certificate_file, self.key_file, password="")
            except OSError as error:
                raise UserError(
                    f"mqtt.certificate_file {self.certificate_file}, mqtt.key_file {self.key_file}: "
                    f"{error.strerror or error}; name two readable files, PEM, a certificate and its key "
                    "without a passphrase"
                ) from None
        return context

    @classmethod
    def from_settings(cls, values: Mapping[str, Any]) -> LinkOptions:
        """From the dump of the section [mqtt] (`settings.mqtt.model_dump()`).

        The password may be plain, secret, or the first line of `password_file`; UserError when that file
        cannot be read, or for a `grill` that is no name.
        """
        known = {field.name for field in fields(cls)}
        chosen = {name: value for name, value in values.items() if name in known}
        _refuse_no_name(chosen.get("grill", cls().grill))
        password = chosen.get("password")
        if password is not None:
            chosen["password"] = getattr(password, "get_secret_value", lambda: password)()
            chosen["password_file"] = None
        elif values.get("password_file"):
            chosen["password"] = _first_line(Path(values["password_file"]))
        return cls(**chosen)

    @classmethod
    def from_url(cls, url: str, grill: str = "kettle") -> LinkOptions:
        """From `mqtt://[user:password@]host[:port]` or `mqtts://...`. UserError when it is no such thing."""
        try:
            parts = urlsplit(url)
            port = parts.port
        except ValueError:  # its words may hold a part of the password
            raise UserError(_no_broker_url(url)) from None
        beside = parts.path.strip("/") or parts.query or parts.fragment
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or beside:
            raise UserError(_no_broker_url(url))
        _refuse_no_name(grill)
        tls = parts.scheme == "mqtts"
        return cls(
            host=parts.hostname,
            port=port if port is not None else (8883 if tls else 1883),
            grill=grill,
            tls=tls,
            username=unquote(parts.username) if parts.username else None,
            password=unquote(parts.password) if parts.password else None,
        )


def _refuse_no_name(grill: str) -> None:
    if not is_name(grill):
        raise UserError(f"grill name {grill!r}: use 1 to 32 of a-z, 0-9, _ and -")


def _first_line(path: Path) -> str:
    try:
        line = path.read_text(encoding="utf-8-sig").split("\n", 1)[0].rstrip("\r")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(
            f"mqtt.password_file {path}: {getattr(error, 'strerror', None) or error}; "
            "name a readable file with the password in its first line"
        ) from None
    if not line:
        raise UserError(f"mqtt.password_file {path}: its first line is empty; put the password there")
    return line


def _no_broker_url(url: str) -> str:
    told = (
        f"broker URL {_public(url)!r}: write mqtt://host:1883 or mqtts://host:8883, an address of IPv6 in [ ]"
    )
    if "@" not in url:
        return told
    return (
        f"{told}; in user and password write %3A for :, %2F for /, %3F for ?, %23 for #, %25 for %, %40 for @"
    )


def _public(url: str) -> str:
    """`url` without user and password: it goes into the system's log."""
    before, at, after = url.rpartition("@")
    return f"{before.partition('//')[0]}//…{at}{after}" if at else url
