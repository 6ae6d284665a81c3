"""`coalminder page` on the command line: safe by default, one line for each mistake."""

from __future__ import annotations

import argparse
import io
import socket
import stat
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from brokers import free_port

from coalminder.cli import main
from coalminder.page.command import _broker, _shown, _tell, add_arguments
from coalminder.page.login import hash_password
from coalminder.service.command import command_limits
from coalminder.settings import load_settings
from coalminder.settings.page import PageSettings, is_loopback

PASSWORD_HASH = hash_password("alder and char")


def parse(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return parser.parse_args(words)


def test_what_the_page_lets_people_ask_is_what_the_daemon_takes(tmp_path: Path) -> None:
    file = tmp_path / "c.toml"
    file.write_text(
        "[band]\nleast_set_point = 60\nhighest_set_point = 112\n"
        "[mqtt]\nwood_max_kg = 0.3\ncharcoal_max_kg = 6.0\n"
    )
    everything = load_settings(file)
    shown, taken = _shown(everything, everything.page), command_limits(everything)
    for name in ("set_point_min_c", "set_point_max_c", "wood_max_kg", "charcoal_max_kg"):
        assert getattr(shown, name) == getattr(taken, name), name


def test_it_listens_on_this_machine_only_unless_told() -> None:
    settings = PageSettings()
    assert settings.loopback
    assert settings.login


@pytest.mark.parametrize("name", ["grillpi", "grillpi.home.arpa"])
def test_the_address_that_is_told_is_one_that_phones_find(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """RFC 6762, 3: names of the local network have one label before `.local`."""
    monkeypatch.setattr("socket.gethostname", lambda: name)
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        _tell(PageSettings(host="0.0.0.0"), listening)
    assert capsys.readouterr().out == f"The page is at http://grillpi.local:{port}/\n"


@pytest.mark.parametrize(
    ("host", "only_here"),
    [("127.0.0.1", True), ("::1", True), ("localhost", True), ("0.0.0.0", False), ("192.0.2.1", False),
     ("::", False), ("grill", False)],
)  # fmt: skip
def test_what_counts_as_this_machine(host: str, only_here: bool) -> None:
    assert is_loopback(host) == only_here


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "--set-password FILE"),
        (["--no-login", "--host", "0.0.0.0"], "set a password"),
        (["--port", "70000"], "65535"),
        (["--password-file", "/nowhere/hash"], "No such file"),
        (["--no-login", "--broker", "http://x"], "mqtt://host"),
        (["--no-login", "--grill", "No Such"], "a-z"),
        (["--password-file", "HASH", "--host", "no.such.name.invalid"], "--port"),
        (["--config", "/nowhere.toml"], "does not exist"),
    ],
    ids=["no password", "no login for the network", "port", "hash file", "broker", "grill", "host", "config"],
)
def test_mistakes_are_told_in_one_line(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "hash").write_text(PASSWORD_HASH)
    assert main(["page", *(str(tmp_path / "hash") if word == "HASH" else word for word in words)]) == 2
    told = capsys.readouterr().err.strip().splitlines()
    assert len(told) == 1
    assert told[0].startswith("coalminder page: ")
    assert says in told[0]


def test_a_taken_port_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert main(["page", "--no-login", "--port", str(taken.getsockname()[1])]) == 2
    assert "in use" in capsys.readouterr().err


def test_a_hash_that_is_none_and_a_certificate_that_is_none_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "hash"
    bad.write_text("my password\n")
    assert main(["page", "--password-file", str(bad)]) == 2
    assert "my password" not in capsys.readouterr().err
    config = tmp_path / "c.toml"
    config.write_text(f'[page]\nlogin = false\ncertificate_file = "{bad}"\nkey_file = "{bad}"\n')
    assert main(["page", "--config", str(config), "--port", str(free_port())]) == 2
    assert "PEM" in capsys.readouterr().err


def test_the_password_is_kept_as_a_hash_that_only_its_owner_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "page-password"
    monkeypatch.setattr("sys.stdin", io.StringIO("alder and char\n"))
    assert main(["page", "--set-password", str(path)]) == 0
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert path.read_text().startswith("$argon2id$")
    assert "alder" not in path.read_text()


def test_what_set_password_tells_to_write_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO("alder and char\n"))
    assert main(["page", "--set-password", "page-password"]) == 0
    line = capsys.readouterr().out.partition("[page] ")[2]
    told = PageSettings.model_validate(tomllib.loads(line))
    assert told.password_hash_file == tmp_path / "page-password"


def test_the_page_has_its_own_user_at_the_broker(tmp_path: Path) -> None:
    secret = tmp_path / "phone"
    secret.write_text("pit-2\n")
    mqtt = {"host": "192.0.2.9", "port": 8883, "tls": True, "username": "coalminder", "password": "pit-1"}
    page = PageSettings(mqtt_username="phone", mqtt_password_file=secret)
    options = _broker(parse(), page, dict(mqtt), "kettle")
    assert (options.host, options.username, options.password) == ("192.0.2.9", "phone", "pit-2")
    options = _broker(parse(), PageSettings(), dict(mqtt), "kettle")
    assert (options.username, options.password) == ("coalminder", "pit-1")


def test_the_page_cannot_reach_the_hardware() -> None:
    """Everything it imports is looked at: no pin, bus, vent or probe module is among it."""
    script = (
        "import sys, coalminder.page.app, coalminder.page.command, coalminder.settings;"
        "ours = tuple('coalminder.' + n for n in ('probes', 'vents', 'service', 'journal', 'rehearse'));"
        "bad = [m for m in sys.modules if m.split('.')[0] in ('gpiozero', 'lgpio', 'spidev', 'smbus2')"
        " or m.startswith(ours)];"
        "print(*bad)"
    )
    out = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60
    )
    assert out.stdout.split() == []
