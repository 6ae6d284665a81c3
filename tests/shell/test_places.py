"""Where a grill's files lie: by hand and in its unit the same."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from coalminder.settings import load
from coalminder.vents import snuff

UNIT = Path(__file__).parents[2] / "systemd" / "coalminder@.service"


def test_a_further_grill_has_the_files_of_its_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(load, "_read", lambda _path: {})
    by_hand = load.load_settings(Path("/etc/coalminder/east.toml"))
    first = load.load_settings(Path("/etc/coalminder/coalminder.toml"))
    assert first.journal.directory == Path("/var/lib/coalminder")
    for name, value in re.findall(r"(?m)^Environment=(COALMINDER_\w+)=(.+)$", UNIT.read_text("utf-8")):
        monkeypatch.setenv(name, value.replace("%i", "east"))
    in_unit = load.load_settings(Path("/etc/coalminder/east.toml"))
    assert by_hand == in_unit
    assert by_hand.calibration_file == Path("/var/lib/coalminder/east/calibration.json")


def test_by_hand_a_further_grill_has_its_own_password(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(load, "_read", lambda _path: {})
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    (tmp_path / "mqtt_password").write_text("first\n", "utf-8")
    (tmp_path / "east_mqtt_password").write_text("east\n", "utf-8")
    for name, password in (("coalminder", "first"), ("east", "east"), ("west", "first")):
        found = load.load_settings(Path(f"/etc/coalminder/{name}.toml")).mqtt.password
        assert found is not None
        assert found.get_secret_value() == password


def test_the_urls_of_push_services_need_not_be_in_a_file_that_all_can_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(load, "_read", lambda _path: {"mqtt": {"push_urls": ["json://in.file"]}})
    assert urls("coalminder") == ["json://in.file"]
    monkeypatch.setattr(load, "_read", lambda _path: {})
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    (tmp_path / "push_urls").write_text("\n", "utf-8")  # the unit's default
    assert urls("coalminder") == []
    (tmp_path / "push_urls").write_text("json://one\njson://two\n", "utf-8")
    (tmp_path / "east_push_urls").write_text("json://east\n", "utf-8")
    assert urls("coalminder") == ["json://one", "json://two"]
    assert urls("east") == ["json://east"]


def urls(name: str) -> list[str]:
    found = load.load_settings(Path(f"/etc/coalminder/{name}.toml")).mqtt.push_urls
    return [url.get_secret_value() for url in found]


@pytest.mark.parametrize(
    ("text", "environment", "found"),
    [
        ("", {}, "/var/lib/coalminder/calibration.json"),
        ('[journal]\ndirectory = "{0}/cooks"\n', {}, "{0}/cooks/calibration.json"),
        ('[journal]\ndirectory = "~/cooks"\n', {}, "{0}/cooks/calibration.json"),
        ("[journal]\nkeep_cooks = 5\n", {}, "/var/lib/coalminder/calibration.json"),
        ("", {"JOURNAL__DIRECTORY": "{0}/env"}, "{0}/env/calibration.json"),
        ('calibration_file = "{0}/c.json"\n[journal]\ndirectory = "{0}/cooks"\n', {}, "{0}/c.json"),
        ('[journal]\ndirectory = "{0}/cooks"\n', {"CALIBRATION_FILE": "{0}/e.json"}, "{0}/e.json"),
        ('calibration_file = "{0}/c.json"\n', {"CALIBRATION_FILE": "{0}/e.json"}, "{0}/e.json"),
    ],
)
@pytest.mark.parametrize("half_edited", [False, True])
def test_service_and_snuff_take_the_same_calibration(
    text: str,
    environment: dict[str, str],
    found: str,
    half_edited: bool,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A configuration for practice, with records of its own, leaves the calibration of the grill alone."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    for name, value in environment.items():
        monkeypatch.setenv(f"COALMINDER_{name}", value.format(tmp_path))
    path = tmp_path / "practice.toml"
    path.write_text(text.format(tmp_path) + '[vents.lower]\ndriver = "simulated"\n', "utf-8")
    taken = [load.load_settings(path).calibration_file]
    snuff.remember(path)
    if half_edited:
        path.write_text("[mqtt\n", "utf-8")
    monkeypatch.setattr(snuff, "_stops", lambda file: taken.append(Path(str(file)).expanduser()) or {})
    snuff.read_plans(path)
    assert taken == [Path(found.format(tmp_path))] * 2
