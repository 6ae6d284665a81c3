"""Where a grill's files lie: by hand and in its unit the same."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from coalminder.settings import load

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
