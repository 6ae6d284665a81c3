"""A real mosquitto on a free loopback port, for tests. Use the fixture `mosquitto` (tests/conftest.py).

def test_something(mosquitto):
    client.connect(mosquitto.host, mosquitto.port)
    mosquitto.kill(); mosquitto.start()      # back on the same port
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

OPEN = "allow_anonymous true\n"


def free_port() -> int:
    """A TCP port on loopback that is free, and stays so for who asked.

    It lies below those that Linux gives to who asks for any port (from 32768 on, ip(7)), and each process of
    tests side by side has ports of its own: else a broker that was killed may find its port taken.
    """
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    while True:
        port = secrets.choice(range(20_000 + worker % 16, 32_000, 16))
        with contextlib.suppress(OSError), socket.socket() as sock:
            sock.bind(("127.0.0.1", port))
            return port


def mosquitto_program() -> str | None:
    """Path of mosquitto, also where it is kept from ordinary users' PATH."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


class Mosquitto:
    """One mosquitto process. `conf` follows a loopback listener; with `whole_conf` it is everything.

    A whole configuration must listen on `port`.
    """

    host = "127.0.0.1"

    def __init__(
        self, folder: Path, conf: str = OPEN, *, port: int | None = None, whole_conf: bool = False
    ) -> None:
        self.folder, self._conf, self._whole = folder, conf, whole_conf
        self.port = free_port() if port is None else port
        self._process: subprocess.Popen[bytes] | None = None
        self.log_path = folder / "mosquitto.log"

    @property
    def url(self) -> str:
        return f"mqtt://{self.host}:{self.port}"

    @property
    def pid(self) -> int:
        assert self._process is not None, "the broker is not running"
        return self._process.pid

    def start(self) -> None:
        """Start (again) on the same port and wait until it accepts connections."""
        program = mosquitto_program()
        assert program, "mosquitto is missing: apt-get install mosquitto"
        head = "" if self._whole else f"listener {self.port} {self.host}\n"
        user = "user root\n" if os.geteuid() == 0 else ""  # else it cannot read a private folder
        path = self.folder / "mosquitto.conf"
        path.write_text(user + head + self._conf, encoding="utf-8")
        with self.log_path.open("ab") as log:
            self._process = subprocess.Popen([program, "-c", str(path), "-v"], stdout=log, stderr=log)
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            if self._process.poll() is not None:
                break
            with contextlib.suppress(OSError), socket.create_connection((self.host, self.port), 1):
                return
            time.sleep(0.02)
        raise AssertionError(f"mosquitto did not start:\n{self.log_path.read_text()[-2000:]}")

    def stop(self) -> None:
        """End politely (DISCONNECT with a reason in MQTT 5)."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End at once, as a power cut would."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Stop answering while the sockets stay open; `thaw` ends it."""
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        os.kill(self.pid, signal.SIGCONT)

    def _end(self, sig: signal.Signals) -> None:
        if self._process is None:
            return
        if self._process.poll() is None:
            self._process.send_signal(sig)
            self._process.send_signal(signal.SIGCONT)
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(10)
        self._process = None


class Watcher:
    """A subscriber that keeps what it gets: `messages` is a list of paho messages in order of arrival.

    `arrivals[i]` is time.monotonic() of `messages[i]`. Use as a context manager.
    """

    def __init__(
        self,
        broker: Mosquitto | tuple[str, int],
        topics: str | tuple[str, ...] = "#",
        *,
        qos: int = 1,
        protocol: int = paho.MQTTv5,
        login: tuple[str, str] | None = None,
        ca_file: str | None = None,
        reconnect: bool = True,
    ) -> None:
        self.messages: list[paho.MQTTMessage] = []
        self.arrivals: list[float] = []
        self.granted: list[str] = []
        self.connect_reason: str | None = None
        self._topics = (topics,) if isinstance(topics, str) else topics
        self._address = broker if isinstance(broker, tuple) else (broker.host, broker.port)
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2, protocol=protocol, reconnect_on_failure=reconnect
        )
        if login:
            self.client.username_pw_set(*login)
        if ca_file:
            self.client.tls_set(ca_certs=ca_file)
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message
        self._qos = qos

    def _on_connect(self, client, _userdata, _flags, reason, _properties):  # type: ignore[no-untyped-def]
        self.connect_reason = str(reason)
        if not reason.is_failure and self._topics:
            client.subscribe([(topic, self._qos) for topic in self._topics])

    def _on_subscribe(self, _client, _userdata, _mid, reasons, _properties):  # type: ignore[no-untyped-def]
        self.granted = [str(reason) for reason in reasons]

    def _on_message(self, _client, _userdata, message):  # type: ignore[no-untyped-def]
        self.messages.append(message)
        self.arrivals.append(time.monotonic())

    def __enter__(self) -> Watcher:
        self.client.reconnect_delay_set(1, 1)
        self.client.connect(*self._address, keepalive=20)
        self.client.loop_start()
        if self._topics:
            wait_for(lambda: bool(self.granted) or (self.connect_reason or "Success") != "Success")
        else:
            wait_for(lambda: self.connect_reason is not None)
        return self

    def __exit__(self, *_exc: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        # it closes its last sockets when it goes, so it must not be left to the collector together with us
        self.client.on_connect = self.client.on_subscribe = self.client.on_message = None

    def on(self, topic: str) -> list[paho.MQTTMessage]:
        """What arrived on topics that match `topic` (a filter) so far."""
        return [m for m in list(self.messages) if paho.topic_matches_sub(topic, m.topic)]

    def wait(self, topic: str, count: int = 1, within_s: float = 10.0) -> list[paho.MQTTMessage]:
        """Wait until `count` messages have arrived on `topic`; return all of them."""
        wait_for(lambda: len(self.on(topic)) >= count, within_s, f"{count} message(s) on {topic}")
        return self.on(topic)


def wait_for(condition, within_s: float = 10.0, what: str = "the condition") -> None:  # type: ignore[no-untyped-def]
    """Poll a condition that real sockets will make true; fail after `within_s`."""
    deadline = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {within_s} s in vain for {what}")
        time.sleep(0.01)
