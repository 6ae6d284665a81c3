"""Delivery of notices to push services: each has a lane of its own, and what fails is tried again.

The services are those of the library apprise (extra `push`), each named by a URL.
"""

from __future__ import annotations

import logging
import re
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit

from coalminder.errors import UserError
from coalminder.messages.notice import Notice, Priority

log = logging.getLogger(__name__)

WAITING = 500  # notices; a service that is down for long gets the newest
TRIES, PAUSE_S, LONGEST = 5, 10.0, 3  # a pause is as many times as long as the service failed on end
KEPT_S, LATE_S = 3600.0, 60.0  # a router that is started anew must not cost an alarm
# what the library calls them
_TYPES = {Priority.LOW: "info", Priority.MEDIUM: "warning", Priority.HIGH: "failure"}
# Some services take a notice for HTML: what a gateway's message brings into an alarm made them refuse it.
_NO_HTML = str.maketrans("<>&", "‹›+")
# As the library reads them: where one URL ends and the next begins, and a priority that a URL names.
_NEXT = re.compile(r"[\s,;]+(?=[a-z0-9]{1,32}://)", re.IGNORECASE)
_PRIORITY = re.compile(r"[?&;]\s*priority\s*=", re.IGNORECASE)


class Sender:
    """Delivers notices to every service; one that fails or is slow holds no other up."""

    def __init__(self, urls: Sequence[str], *, pause_s: float = PAUSE_S) -> None:
        """UserError for a URL that the library does not understand (its secrets are not shown)."""
        import apprise  # where it is used: `--help` needs no extra

        from coalminder.messages import push_bounds

        push_bounds.bound()
        self._lanes: list[_Lane] = []
        for number, several in enumerate(urls, 1):
            # with commas: what fails at one must not be sent to the others again
            for url in _NEXT.split(several.strip()):
                service = apprise.Apprise()
                if not service.add(url):
                    scheme = url.partition(":")[0]
                    raise UserError(
                        f"push URL {number} ('{scheme}:...') is not understood; "
                        "see docs/mqtt.md for the form, for example json://host/path"
                    )
                self._lanes += [_Lane(one, _insistent(one, url), pause_s) for one in service]

    def start(self) -> None:
        """Begin to deliver."""
        for lane in self._lanes:
            lane.thread.start()

    def send(self, notice: Notice) -> None:
        """Queue a notice; never blocks. The oldest goes when too many wait."""
        for lane in self._lanes:
            lane.put(notice)

    def stop(self, timeout_s: float = 10.0) -> None:
        """Deliver what waits, then end, within about `timeout_s`."""
        deadline = time.monotonic() + timeout_s
        for lane in self._lanes:
            lane.end()
        for lane in self._lanes:
            lane.thread.join(max(0.0, deadline - time.monotonic()))

    @property
    def running(self) -> bool:
        """Whether notices may still be on their way."""
        return any(lane.thread.is_alive() for lane in self._lanes)

    @property
    def failed(self) -> int:
        """Notices that did not reach a service."""
        return sum(lane.failed for lane in self._lanes)


@dataclass(slots=True, eq=False)
class _Waiting:
    """A notice that was not delivered yet. since_s: monotonic."""

    notice: Notice
    since_s: float = field(default_factory=time.monotonic)
    tries: int = 0

    @property
    def age_s(self) -> float:
        return time.monotonic() - self.since_s


class _Lane:
    """One service: its notices in order, in a thread of its own; a failing delivery is tried again.

    One that failed `TRIES` times lets the others pass: it may be the notice that the service refuses.
    """

    def __init__(self, service: Any, insistent: Any, pause_s: float) -> None:
        """insistent: the same service for what is of high urgency."""
        import apprise

        self._service, self._pause_s = apprise.Apprise([service]), pause_s
        self._insistent = apprise.Apprise([insistent])
        self._waiting: list[_Waiting] = []
        self._news = threading.Condition()
        self._ending = False
        self.thread = threading.Thread(target=self._run, name="push", daemon=True)
        self.failed = 0

    def put(self, notice: Notice) -> None:
        with self._news:
            if len(self._waiting) >= WAITING:
                del self._waiting[0]
                self.failed += 1
            self._waiting.append(_Waiting(notice))
            self._news.notify()

    def end(self) -> None:
        with self._news:
            self._ending = True
            self._news.notify()

    def _run(self) -> None:
        failures = 0
        while (one := self._next()) is not None:
            why = self._deliver(one)
            one.tries += 1
            failures = 0 if why is None else failures + 1
            given_up = one.age_s > KEPT_S or (self._ending and one.tries >= TRIES)
            if why is not None and (given_up or one.tries == TRIES):
                told = (one.notice.title, _named(self._service), "" if given_up else " yet", why)
                log.error("could not push '%s' to %s%s: %s", *told)
            with self._news:
                if why is not None and not given_up:
                    self._news.wait(0.1 if self._ending else self._pause_s * min(failures, LONGEST))
                elif one in self._waiting:
                    self._waiting.remove(one)
                    self.failed += why is not None

    def _next(self) -> _Waiting | None:
        """What is tried now; None at the end."""
        with self._news:
            while not self._waiting and not self._ending:
                self._news.wait()
            return min(self._waiting, key=lambda one: one.tries // TRIES, default=None)

    def _deliver(self, one: _Waiting) -> str | None:
        """None when it was taken, else why not."""
        import apprise

        capture: Any = apprise.LogCapture
        notice = one.notice if one.age_s < LATE_S else _late(one.notice, time.time() - one.age_s)
        kind = apprise.NotifyType(_TYPES[notice.urgency])
        service = self._insistent if notice.urgency is Priority.HIGH else self._service
        try:
            # the library has one log: when two services fail at once this may be the other's reason
            with capture(level=logging.WARNING, fmt="%(message)s") as told:
                title, body = (text.translate(_NO_HTML) for text in (notice.title, notice.body))
                if service.notify(body=body, title=title, notify_type=kind):
                    return None
                why = (told.getvalue().strip().splitlines() or [""])[-1]
        except Exception as error:
            log.exception("a push service failed")
            why = type(error).__name__
        return why.strip().rstrip(".") or "no reason given"


def _insistent(service: Any, url: str) -> Any:
    """`service` with the priority "high", where it knows priorities and its `url` names none; else as it is.

    A phone at night lets by what has it, and nothing else.
    """
    import apprise

    if "priority" not in service.template_args or _PRIORITY.search(url):
        return service
    try:
        urgent = f"{url}{'&' if '?' in url else '?'}priority=high"
        return apprise.Apprise.instantiate(urgent, suppress_exceptions=False) or service
    except Exception:  # noqa: BLE001 - one that has other words for its priorities
        return service


def _late(notice: Notice, utc_s: float) -> Notice:
    """A notice that waited says when it was so."""
    when = datetime.fromtimestamp(utc_s).astimezone()
    return replace(notice, body=f"{notice.body} (late: it was so at {when:%H:%M %Z})")


def _named(service: Any) -> str:
    """Scheme and host of its URL; where a secret stands in place of the host, that is blotted out."""
    url = urlsplit(service[0].url(privacy=True))
    return f"{url.scheme}://{url.netloc.rpartition('@')[2]}"
