"""A power cut in the middle of a cook: the board may be up before the bus of the servos is."""

from __future__ import annotations

import configparser
from pathlib import Path

import pytest

from coalminder.cli import main

UNIT = Path(__file__).parents[2] / "systemd" / "coalminder.service"
CONFIG = """
[probes.pit]
kind = "simulated"
[vents.lower]
driver = "pca9685"
channel = 0
bus = 31  # no board has it
[journal]
directory = "{directory}"
[mqtt]
enabled = false
"""


def test_a_vent_that_is_not_there_yet_is_tried_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the exit code of a wrong configuration systemd left the fire alone for good."""
    config = tmp_path / "c.toml"
    config.write_text(CONFIG.format(directory=tmp_path / "records"))
    code = main(["tend", "--config", str(config)])
    said = capsys.readouterr().err
    assert "[vents]: " in said
    assert "coalminder check" in said
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.read_string(UNIT.read_text("utf-8"))
    service = unit["Service"]
    assert service["Restart"] == "on-failure"  # systemd.service(5): any exit code but 0
    assert code != 0
    assert str(code) not in service["RestartPreventExitStatus"].split()
