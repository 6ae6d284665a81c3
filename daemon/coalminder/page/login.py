"""Who may look: the password's hash, sessions in memory, limits on guessing.

Passwords are hashed with Argon2id, parameters of the library's default (RFC 9106, second recommended set:
64 MiB, 3 passes). A session is a random token of 256 bits; only its SHA-256 is kept here. Times are of a
steady clock, in s, handed in by the caller.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, field

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from coalminder.errors import UserError

LEAST_LENGTH = 8  # NIST SP 800-63B-3, 5.1.1.2
MOST_LENGTH = 128
MAX_SESSIONS = 32
MAX_ADDRESSES = 256

_hasher = PasswordHasher()


def hash_password(password: str) -> str:
    """The hash to keep. UserError for one that is too short or too long."""
    if not LEAST_LENGTH <= len(password) <= MOST_LENGTH:
        raise UserError(f"the password has {len(password)} characters; use {LEAST_LENGTH} to {MOST_LENGTH}")
    return _hasher.hash(password)


def check_hash(text: str) -> str:
    """The same hash, stripped. UserError when it is none."""
    text = text.strip()
    try:
        _hasher.check_needs_rehash(text)
    except (InvalidHashError, ValueError):
        raise UserError(
            "the page's password hash is not one; make it with 'coalminder page --set-password FILE'"
        ) from None
    return text


def password_fits(password: str, password_hash: str) -> bool:
    """Whether it is the password. Slow, and takes 64 MiB: one at a time, in a thread."""
    if len(password) > MOST_LENGTH:
        return False
    try:
        return _hasher.verify(password_hash, password)
    except (VerificationError, InvalidHashError):
        return False


@dataclass(frozen=True, slots=True)
class Session:
    """One login. csrf: the word that a request which changes something must repeat."""

    key: str
    csrf: str
    until_s: float


class Sessions:
    """Logins that hold, in memory: a restart of the page ends them all."""

    def __init__(self, lasts_s: float) -> None:
        self._lasts_s = lasts_s
        self._open: dict[str, Session] = {}

    def open(self, now_s: float) -> tuple[str, Session]:
        """A new session: (token for the cookie, session). The oldest goes when there are too many."""
        self._expire(now_s)
        while len(self._open) >= MAX_SESSIONS:
            del self._open[next(iter(self._open))]
        token = secrets.token_urlsafe(32)
        session = Session(_key(token), secrets.token_urlsafe(24), now_s + self._lasts_s)
        self._open[session.key] = session
        return token, session

    def find(self, token: str | None, now_s: float) -> Session | None:
        """The session of a cookie, None when there is none any more."""
        if not token:
            return None
        self._expire(now_s)
        return self._open.get(_key(token))

    def holds(self, session: Session, now_s: float) -> bool:
        """Whether it is still open; for streams that outlive a request."""
        self._expire(now_s)
        return session.key in self._open

    def close(self, session: Session) -> None:
        """Log out."""
        self._open.pop(session.key, None)

    def _expire(self, now_s: float) -> None:
        for key in [k for k, s in self._open.items() if now_s >= s.until_s]:
            del self._open[key]


@dataclass(slots=True)
class Rate:
    """A bucket of `burst` tokens that gets one back every `every_s`."""

    burst: float
    every_s: float
    _tokens: float | None = None
    _at_s: float = 0.0

    def wait_s(self, now_s: float) -> float:
        """0 when one may go now, else how long to wait."""
        tokens = self._filled(now_s)
        return 0.0 if tokens >= 1.0 else (1.0 - tokens) * self.every_s

    def take(self, now_s: float) -> None:
        """One goes."""
        self._tokens = self._filled(now_s) - 1.0
        self._at_s = now_s

    def _filled(self, now_s: float) -> float:
        if self._tokens is None:
            return self.burst
        return min(self.burst, self._tokens + (now_s - self._at_s) / self.every_s)


@dataclass(slots=True)
class Guesses:
    """Limits on login tries: each address 5 and then one in 30 s, all together 20 and one in 5 s.

    Every try counts before its password is looked at, so tries made at once do not slip through.
    """

    _all: Rate = field(default_factory=lambda: Rate(20, 5.0))
    _by_address: dict[str, Rate] = field(default_factory=dict)

    def wait_s(self, address: str, now_s: float) -> float:
        """0: the try may go and is counted. Else how long to wait."""
        rate = self._by_address.pop(address, None) or Rate(5, 30.0)
        self._by_address[address] = rate  # the newest last
        while len(self._by_address) > MAX_ADDRESSES:
            del self._by_address[next(iter(self._by_address))]
        wait = max(rate.wait_s(now_s), self._all.wait_s(now_s))
        if wait == 0.0:
            rate.take(now_s)
            self._all.take(now_s)
        return wait

    def forgive(self, address: str) -> None:
        """The password was right: this address starts afresh."""
        self._by_address.pop(address, None)


def same(one: str, other: str) -> bool:
    """Compare two secrets in constant time."""
    return hmac.compare_digest(one.encode(), other.encode())


def _key(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
