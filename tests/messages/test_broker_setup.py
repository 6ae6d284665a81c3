"""The broker files of config/ on a real mosquitto: what they let in and what they keep out.

The very files are used; only the folder /etc/mosquitto and the two ports are replaced.
"""

from __future__ import annotations

import gc
import json
import shutil
import socket
import ssl
import subprocess
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from brokers import Mosquitto, Watcher, free_port, wait_for

from coalminder.events import SetPoint
from coalminder.messages.announcer import Announcer
from coalminder.messages.discovery import Described
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.values import HEALTHY, Action, Alarm, AlarmState, Decision, Phase

pytestmark = pytest.mark.broker

CONFIG = Path(__file__).parents[2] / "config" / "mosquitto"
USERS = {"coalminder": "pit-1", "phone": "pit-2", "hub": "pit-3", "gateway": "pit-4"}
READERS = ("phone", "hub", "coalminder")
PHONE = ("phone", USERS["phone"])
ALARM = Alarm("fire_out", AlarmState.UNACKNOWLEDGED, Action.WARN, "high", True, 0.0, "Out.", "Relight.")


@dataclass
class Setup:
    """The broker as a reader of docs/mqtt.md gets it, and the daemon's link to it."""

    broker: Mosquitto
    link: Link
    tls_port: int
    ca_file: str
    step: int = 0

    def offer(self, *alarms: Alarm) -> None:
        self.step += 1
        decision = Decision(
            Phase.TENDING, 93.0, 0.05, 0.3, pit_c=90.0 + 0.1 * (self.step % 50), alarms=alarms
        )
        self.link.offer(decision, HEALTHY, float(self.step), time.time())


@pytest.fixture(scope="module")
def setup(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Setup]:
    folder = tmp_path_factory.mktemp("etc-mosquitto")
    tls_port, local_port = free_port(), free_port()
    subprocess.run(
        [str(CONFIG / "make-certificates.sh"), str(folder / "certs"), "localhost", "127.0.0.1"], check=True
    )
    shutil.copy(CONFIG / "coalminder.acl", folder)
    passwords = folder / "coalminder.passwd"
    passwords.touch(mode=0o600)
    for user, password in USERS.items():
        subprocess.run(["mosquitto_passwd", "-b", str(passwords), user, password], check=True)
    conf = (CONFIG / "coalminder.conf").read_text(encoding="utf-8")
    for old, new, times in (
        ("/etc/mosquitto/co", f"{folder}/co", 3),
        ("/etc/mosquitto/certs", f"{folder}/certs", 3),
        ("listener 8883\n", f"listener {tls_port}\n", 1),
        ("listener 1883 127.0.0.1\n", f"listener {local_port} 127.0.0.1\n", 1),
    ):
        assert conf.count(old) == times, old
        conf = conf.replace(old, new)
    broker = Mosquitto(folder, conf, port=local_port, whole_conf=True)
    broker.start()
    ca_file = str(folder / "certs" / "ca.crt")
    link = Link(
        LinkOptions(
            host="localhost", port=tls_port, tls=True, ca_file=Path(ca_file), username="coalminder",
            password=USERS["coalminder"],
        ),
        alarm_codes=["fire_out"],
    )  # fmt: skip
    Announcer(link, Described(alarms=(("fire_out", "Fire out"),)))
    link.start()
    wait_for(lambda: link.connected, what=link.trouble)
    yield Setup(broker, link, tls_port, ca_file)
    link.stop()
    broker.kill()


def command(**fields: object) -> str:
    return json.dumps({"id": str(uuid.uuid4()), "issued_utc": datetime.now(UTC).isoformat(), **fields})


def refused(address: Mosquitto | tuple[str, int], **options: object) -> str | None:
    with Watcher(address, (), reconnect=False, **options) as stranger:  # type: ignore[arg-type]
        return stranger.connect_reason


def test_daemon_publishes_everything_over_tls_and_phone_reads_it(setup: Setup) -> None:
    with Watcher(("localhost", setup.tls_port), "coalminder/#", login=PHONE, ca_file=setup.ca_file) as phone:
        setup.offer(ALARM)
        setup.link.publish("coalminder/kettle/part/food", "{}", retain=True)
        phone.wait("coalminder/kettle/alarm/fire_out")
        setup.offer(ALARM)  # 'online' comes once the alarms are told
        for topic in ("availability", "state", "alarm/fire_out", "part/food"):
            phone.wait(f"coalminder/kettle/{topic}")
    with Watcher(setup.broker, "homeassistant/#", login=("hub", USERS["hub"])) as hub:
        hub.wait("homeassistant/device/coalminder_kettle/config")


def test_command_of_the_phone_is_taken_and_answered(setup: Setup) -> None:
    with Watcher(setup.broker, "coalminder/kettle/reply/#", login=PHONE) as phone:
        setup.link.take_events()
        phone.client.publish("coalminder/kettle/command/set_point", command(temp_c=95.0), qos=1)
        taken: list[object] = []
        wait_for(lambda: taken.extend(setup.link.take_events()) or taken)
        assert isinstance(taken[0], SetPoint)
        phone.client.publish("coalminder/kettle/command/set_point", command(temp_c=300.0), qos=1)
        wait_for(lambda: setup.link.take_events() or phone.on("#"))
        assert "outside" in json.loads(phone.on("#")[0].payload)["reason"]


@pytest.mark.parametrize(
    "login",
    [None, ("phone", "wrong"), ("phone", ""), ("nobody", "pit-2"), ("coalminder", USERS["phone"])],
    ids=["no password", "wrong password", "empty password", "unknown user", "password of another"],
)
def test_strangers_are_not_let_in(setup: Setup, login: tuple[str, str] | None) -> None:
    assert refused(setup.broker, login=login) == "Not authorized"
    assert refused(("localhost", setup.tls_port), login=login, ca_file=setup.ca_file) == "Not authorized"


# The MQTT library leaves the socket of a failed handshake to the garbage collector, which is to come within
# the test: else the next one is blamed.
failed_handshake = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


@failed_handshake
def test_daemon_refuses_a_broker_with_a_certificate_of_another_authority(
    setup: Setup, tmp_path: Path
) -> None:
    subprocess.run([str(CONFIG / "make-certificates.sh"), str(tmp_path / "other"), "localhost"], check=True)
    link = Link(
        LinkOptions(host="localhost", port=setup.tls_port, tls=True, ca_file=tmp_path / "other" / "ca.crt")
    )
    link.start()
    wait_for(lambda: "certificate" in link.trouble.lower(), what="a complaint about the certificate")
    assert not link.connected
    link.stop()


def openssl(folder: Path, words: str) -> str:
    return subprocess.run(
        ["openssl", *words.split()], cwd=folder, check=True, capture_output=True, text=True
    ).stdout


def test_the_brokers_certificate_is_one_that_phones_take_and_is_renewed(tmp_path: Path) -> None:
    """At most 825 days: Apple HT210176, of certificates that a person's own authority made (from memory)."""

    def make() -> subprocess.CompletedProcess[str]:
        line = [str(CONFIG / "make-certificates.sh"), str(tmp_path), "localhost"]
        return subprocess.run(line, capture_output=True, text=True, check=False)

    assert make().returncode == 0
    day_s = 86400
    with pytest.raises(subprocess.CalledProcessError):
        openssl(tmp_path, f"x509 -in server.crt -noout -checkend {825 * day_s}")
    openssl(tmp_path, f"x509 -in server.crt -noout -checkend {800 * day_s}")
    authority, first = (tmp_path / "ca.crt").read_text(), (tmp_path / "server.crt").read_text()
    assert make().returncode == 0
    assert (tmp_path / "ca.crt").read_text() == authority, "phones have it"
    assert (tmp_path / "server.crt").read_text() != first
    assert openssl(tmp_path, "verify -CAfile ca.crt server.crt") == "server.crt: OK\n"
    (tmp_path / "ca.key").rename(tmp_path / "elsewhere")
    refused = make()
    assert refused.returncode == 1
    assert "put that beside it" in refused.stderr
    assert (tmp_path / "ca.crt").read_text() == authority


def test_the_brokers_certificate_is_good_for_each_address(tmp_path: Path) -> None:
    """A second one, of IPv6 say, was passed over without a word, and each phone that used it was refused."""
    addresses = "192.0.2.17", "2001:db8::17"
    subprocess.run(
        [str(CONFIG / "make-certificates.sh"), str(tmp_path), "grill.local", *addresses], check=True
    )
    for address in addresses:
        told = openssl(tmp_path, f"x509 -in server.crt -noout -checkip {address}")
        assert "does match certificate" in told
    assert "does NOT match" in openssl(tmp_path, "x509 -in server.crt -noout -checkip 192.0.2.18")


def test_a_certificate_that_cannot_be_made_is_told_and_can_be_made_then(tmp_path: Path) -> None:
    """A common name has 64 characters at most (RFC 5280, ub-common-name)."""

    def make(name: str) -> subprocess.CompletedProcess[str]:
        line = [str(CONFIG / "make-certificates.sh"), str(tmp_path), name]
        return subprocess.run(line, capture_output=True, text=True, check=False)

    failed = make(70 * "g" + ".local")
    assert failed.returncode == 1
    assert "no certificate was made for 'ggg" in failed.stderr
    assert "maxsize" in failed.stderr  # openssl's own word
    assert make("grill.local").returncode == 0
    assert openssl(tmp_path, "verify -CAfile ca.crt server.crt") == "server.crt: OK\n"


@failed_handshake
def test_a_broker_that_asks_for_a_certificate_gets_the_daemons_own(tmp_path: Path) -> None:
    subprocess.run([str(CONFIG / "make-certificates.sh"), str(tmp_path), "localhost"], check=True)
    openssl(tmp_path, "req -newkey rsa:2048 -nodes -subj /CN=grill -keyout grill.key -out grill.csr")
    openssl(tmp_path, "x509 -req -in grill.csr -CA ca.crt -CAkey ca.key -CAcreateserial -out grill.crt")
    openssl(tmp_path, "rsa -aes128 -passout pass:sesame -in grill.key -out locked.key")
    broker = Mosquitto(
        tmp_path,
        f"cafile {tmp_path}/ca.crt\ncertfile {tmp_path}/server.crt\nkeyfile {tmp_path}/server.key\n"
        "require_certificate true\nuse_identity_as_username true\n",
    )
    broker.start()

    def link(**own: Path) -> Link:
        options = LinkOptions(
            host="localhost", port=broker.port, tls=True, ca_file=tmp_path / "ca.crt", **own
        )
        link = Link(options)
        link.start()
        return link

    own = tmp_path / "grill.crt"
    links = {
        "known": link(certificate_file=own, key_file=tmp_path / "grill.key"),
        "stranger": link(),
        "locked": link(certificate_file=own, key_file=tmp_path / "locked.key"),
    }
    wait_for(lambda: links["known"].connected, what=links["known"].trouble)
    wait_for(lambda: "passphrase" in links["locked"].trouble, what=links["locked"].trouble)
    stranger = links["stranger"]  # tls is on already: that it may be a port for TLS is no help
    wait_for(lambda: "ask for a certificate of ours?" in stranger.trouble, what=stranger.trouble)
    assert not links["stranger"].connected
    assert "u'grill'" in broker.log_path.read_text()
    while links:
        links.popitem()[1].stop()
    broker.stop()
    gc.collect()


@failed_handshake
@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")
def test_old_tls_is_refused(setup: Setup) -> None:
    context = ssl.create_default_context(cafile=setup.ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1
    context.maximum_version = ssl.TLSVersion.TLSv1_1
    context.set_ciphers("ALL:@SECLEVEL=0")
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.tls_set_context(context)
    with pytest.raises((ssl.SSLError, ConnectionError)):
        client.connect("localhost", setup.tls_port)


@pytest.mark.parametrize(
    ("user", "topic"),
    [
        ("phone", "coalminder/kettle/state"),
        ("phone", "coalminder/kettle/availability"),
        ("phone", "coalminder/kettle/alarm/fire_out"),
        ("phone", "coalminder/kettle/reply"),
        ("phone", "coalminder/kettle/command/a/b"),
        ("phone", "coalminder/kettle/command"),
        ("phone", "homeassistant/device/coalminder_kettle/config"),
        ("phone", "probes/pit"),
        ("phone", "elsewhere"),
        ("hub", "coalminder/kettle/state"),
        ("hub", "homeassistant/device/coalminder_kettle/config"),
        ("gateway", "coalminder/kettle/command/snuff"),
        ("coalminder", "coalminder/kettle/command/light"),
        ("coalminder", "elsewhere"),
    ],
)
def test_nobody_writes_where_the_acl_does_not_say_so(setup: Setup, user: str, topic: str) -> None:
    barrier = "coalminder/kettle/command/lid"  # all readers may read it
    everyone = [Watcher(setup.broker, (topic, barrier), login=(name, USERS[name])) for name in READERS]
    answers: list[str] = []
    with (
        everyone[0],
        everyone[1],
        everyone[2],
        Watcher(setup.broker, (), login=(user, USERS[user])) as writer,
    ):
        writer.client.on_publish = lambda _c, _u, _m, reason, _p: answers.append(str(reason))
        writer.client.publish(topic, b"forbidden", qos=1)
        wait_for(lambda: answers)
        with Watcher(setup.broker, (), login=PHONE) as phone:
            phone.client.publish(barrier, b"barrier", qos=1)
            for watcher in everyone:
                wait_for(lambda watcher=watcher: b"barrier" in [m.payload for m in watcher.messages])
    assert answers == ["Not authorized"]
    assert b"forbidden" not in [m.payload for watcher in everyone for m in watcher.messages]


def test_wildcards_give_nobody_more_than_their_topics(setup: Setup) -> None:
    """A subscription to everything is granted, yet brings only what the ACL lets the user read."""
    with (
        Watcher(setup.broker, "#", login=("gateway", USERS["gateway"])) as gateway,
        Watcher(setup.broker, ("#", "$SYS/#", "+/+/command/+"), login=PHONE) as phone,
    ):
        setup.offer(ALARM)
        phone.client.publish("coalminder/kettle/command/acknowledge", command(), qos=1)
        phone.wait("coalminder/kettle/state")
        setup.link.publish("probes/mine", b"1")  # the daemon may not
        with Watcher(setup.broker, (), login=("gateway", USERS["gateway"])) as other:
            other.client.publish("probes/pit", b"90.0", qos=1).wait_for_publish(5)
        phone.wait("coalminder/kettle/command/acknowledge")
    assert gateway.messages == []
    assert {m.topic.split("/")[0] for m in phone.messages} == {"coalminder"}
    setup.link.take_events()


@pytest.mark.parametrize(
    "topic", ["coalminder/+/command/snuff", "coalminder/#", "coalminder/kettle/command/+"]
)
def test_publishing_on_a_wildcard_is_impossible(setup: Setup, topic: str) -> None:
    """MQTT 5, 3.3.2-2: the client library refuses; a broker would disconnect."""
    with Watcher(setup.broker, (), login=PHONE) as phone, pytest.raises(ValueError, match="wildcards"):
        phone.client.publish(topic, b"{}")


def test_retained_command_is_refused_by_the_daemon_at_its_next_connection(setup: Setup) -> None:
    topic = "coalminder/other/command/set_point"
    with Watcher(setup.broker, "coalminder/other/reply", login=PHONE) as phone:
        phone.client.publish(topic, command(temp_c=95.0), qos=1, retain=True).wait_for_publish(5)
        link = Link(
            LinkOptions(
                port=setup.broker.port, grill="other", username="coalminder", password=USERS["coalminder"]
            )
        )
        link.start()
        taken: list[object] = []
        wait_for(lambda: taken.extend(link.take_events()) or phone.on("#"))
        reply = json.loads(phone.on("#")[0].payload)
        phone.client.publish(topic, b"", qos=1, retain=True).wait_for_publish(5)
        link.stop()
    assert taken == []
    assert not reply["accepted"]
    assert "retain" in reply["reason"]


@pytest.mark.parametrize("size", [65_537, 1_000_000], ids=["just over", "1 MB"])
def test_oversized_payload_reaches_nobody_and_the_daemon_goes_on(setup: Setup, size: int) -> None:
    with Watcher(setup.broker, "coalminder/kettle/#", login=PHONE) as phone:
        with Watcher(setup.broker, (), login=PHONE, reconnect=False) as attacker:
            attacker.client.publish("coalminder/kettle/command/set_point", b"x" * size, qos=1)
            time.sleep(0.2)  # refused or cut off, both are right
        setup.offer()
        phone.wait("coalminder/kettle/state")
        assert setup.link.take_events() == ()
        assert not [m for m in phone.messages if len(m.payload) >= size]
    assert setup.link.connected


def test_malformed_packets_do_not_harm_the_others(setup: Setup) -> None:
    for junk in (b"\x00" * 64, b"GET / HTTP/1.1\r\n\r\n", b"\x10\xff\xff\xff\x7f", b"\x30\x02\x00"):
        with socket.create_connection((setup.broker.host, setup.broker.port), 2) as sock:
            sock.sendall(junk)
    with Watcher(setup.broker, "coalminder/kettle/state", login=PHONE) as phone:
        setup.offer()
        phone.wait("coalminder/kettle/state", 2)
