"""A power cut in the middle of a cook: the board may be up before the bus of the servos is."""

from __future__ import annotations

import configparser
import os
import signal
import threading
from pathlib import Path

import pytest

from coalminder.cli import main
from coalminder.vents.simulated import NoPulses

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


@pytest.mark.parametrize(("obeys", "code"), [(True, 0), (False, 1)], ids=["obeys", "does not"])
def test_a_daemon_that_leaves_a_vent_where_it_was_does_not_end_well(
    obeys: bool, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Whoever stopped it, or a script, must not take the vent for shut."""

    def refuse(_output: NoPulses, _pulse_us: float) -> None:
        raise OSError("the chip is gone")

    if not obeys:
        monkeypatch.setattr(NoPulses, "set_pulse_us", refuse)
    config = tmp_path / "c.toml"
    text = CONFIG.format(directory=tmp_path / "records").replace('"pca9685"', '"simulated"')
    config.write_text(
        "\n".join(line for line in text.splitlines() if not line.startswith(("channel", "bus")))
    )
    ended = threading.Event()

    def stop() -> None:
        while "phase cold" not in caplog.text:  # it tends: from now on the signal is its own
            if ended.wait(0.05):
                return
        os.kill(os.getpid(), signal.SIGTERM)

    caplog.set_level("INFO")
    threading.Thread(target=stop, daemon=True).start()
    try:
        assert main(["tend", "--config", str(config)]) == code
    finally:
        ended.set()
    assert ("did NOT obey" in caplog.text) is not obeys
