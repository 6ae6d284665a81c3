"""`coalminder check`: verdicts and remedies, on simulated and on missing hardware."""

from __future__ import annotations

import asyncio
import io
import os
import re
import subprocess
import time
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest
from brokers import Mosquitto
from fake_chips import FakeI2c
from fake_pulses import FakePulseOutput
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import TypeAdapter

from coalminder.cli import main
from coalminder.errors import UserError
from coalminder.probes import command
from coalminder.probes.command import try_probes
from coalminder.probes.find import Found, board_name, find_buses, find_chips
from coalminder.probes.listen import listening
from coalminder.probes.topic import TopicProbe
from coalminder.probes.trial import REMEDIES, judge, table, with_units
from coalminder.settings import Settings, load_settings
from coalminder.settings.calibration import NOTHING
from coalminder.settings.vents import VentsSettings
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

GOOD = """
[mqtt]
enabled = false
[probes.pit]
kind = "simulated"
temp_c = 93
[probes.char]
kind = "simulated"
temp_c = 8
[vents.lower]
driver = "simulated"
stroke_s = 0.1
settle_s = 0.02
"""


def config(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "coalminder.toml"
    head = f"calibration_file = {str(tmp_path / 'calibration.json')!r}\n"
    records = "" if "[journal]" in text else f"\n[journal]\ndirectory = {str(tmp_path)!r}\n"
    path.write_text(head + text + records, encoding="utf-8")
    return path


@pytest.fixture(autouse=True)
def no_service_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a machine on which the service is not installed: its user would not reach a test's folder."""
    monkeypatch.setattr(command, "SERVICE_USER", "no-such-user")


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """No second between two readings, where a test asks nothing of them."""
    real = asyncio.sleep
    hurried = SimpleNamespace(run=asyncio.run, sleep=lambda _for_s: real(0.0))
    monkeypatch.setattr(command, "asyncio", hurried)


def timed(samples: list[Sample]) -> list[tuple[float, Sample]]:
    return [(float(at), sample) for at, sample in enumerate(samples)]


# --- verdicts --------------------------------------------------------------------------------------------


def test_quiet_probe_is_good_and_its_drift_is_told() -> None:
    trial = judge("pit", timed([Reading(90.0 + 0.1 * at) for at in range(10)]))
    assert trial.verdict == "good"
    assert trial.mean_c == pytest.approx(90.45)
    assert trial.drift_c_per_min == pytest.approx(6.0)
    assert trial.noise_c == pytest.approx(0.0, abs=1e-9)


def test_noise_is_the_deviation_about_the_trend() -> None:
    """Points 0, 2, 0, 2: slope 0.4, residuals -0.4, 1.2, -1.2, 0.4; sqrt(3.2 / 2) = 1.265 (by hand)."""
    trial = judge("pit", timed([Reading(temp_c) for temp_c in (0.0, 2.0, 0.0, 2.0)]))
    assert trial.noise_c == pytest.approx(1.2649, abs=1e-4)
    assert trial.verdict == "noisy"
    assert trial.remedy


def test_probe_without_a_reading_is_a_fault_with_the_remedy_of_its_commonest_fault() -> None:
    faults: list[Sample] = [ProbeFault(ProbeFaultKind.OPEN, "no thermocouple")] * 3
    trial = judge("pit", timed([*faults, ProbeFault(ProbeFaultKind.BUS, "hm")]))
    assert trial.verdict == "fault"
    assert trial.remedy == REMEDIES[ProbeFaultKind.OPEN]
    assert trial.detail == "no thermocouple"


def test_one_fault_in_three_is_a_loose_probe_one_in_twenty_is_not() -> None:
    fault = ProbeFault(ProbeFaultKind.IMPLAUSIBLE_RATE)
    assert judge("pit", timed([Reading(20.0), fault, Reading(20.0)])).verdict == "loose"
    assert judge("pit", timed([*[Reading(20.0)] * 19, fault])).verdict == "good"


def test_first_sample_of_a_starting_chip_does_not_count() -> None:
    starting = ProbeFault(ProbeFaultKind.NOT_READY, "starting")
    assert judge("pit", timed([starting, Reading(20.0), Reading(20.0), Reading(20.0)])).good


def test_a_slow_wireless_probe_is_judged_from_its_first_message_on() -> None:
    """A message every 7 s: nothing for six looks, then readings."""
    waiting = ProbeFault(ProbeFaultKind.NOT_READY, "nothing has arrived yet")
    assert judge("pit", timed([*[waiting] * 6, *[Reading(20.0)] * 4]), gateway=True).good


@pytest.mark.parametrize("kind", [ProbeFaultKind.NOT_READY, ProbeFaultKind.BUS])
def test_a_probe_behind_a_gateway_is_no_matter_of_chips_and_wires(kind: ProbeFaultKind) -> None:
    trial = judge("pit", timed([ProbeFault(kind, "no temperature in the message")] * 10), gateway=True)
    assert trial.verdict == "fault"
    assert trial.detail
    assert "gateway" in trial.remedy
    assert not any(word in trial.remedy for word in ("chip", "config.txt", "capacitor"))


@pytest.mark.parametrize(
    ("means_c", "doubted"),
    [
        ([15.0, 16.2, 60.1], True),  # 15.6 °C is 60 °F
        ([-5.0, -4.0, 24.8], True),  # frost
        ([15.0, 16.2, 16.9], False),
        ([15.0, 62.0, 60.1], False),  # a warm kettle: another probe is as warm
        ([15.0, 16.2, 93.0], False),  # as °F it would agree with none
        ([None, None, 60.1], False),  # nothing to compare with
    ],
)
def test_a_gateway_that_sends_fahrenheit_is_noticed_in_a_cold_grill(
    means_c: list[float | None], doubted: bool
) -> None:
    lost = ProbeFault(ProbeFaultKind.OPEN)
    wired = [judge(f"wired {n}", [(0.0, Reading(c) if c else lost)]) for n, c in enumerate(means_c[:2])]
    wireless = judge("char", [(0.0, Reading(means_c[2] or 0.0))], gateway=True)
    *others, found = with_units([*wired, wireless])
    assert found.verdict == ("unit" if doubted else "good")
    assert ("unit = 'f'" in found.remedy) is doubted
    assert not any(other.fahrenheit for other in others)
    assert with_units([replace(found, gateway=False)])[0].verdict == "good"


@pytest.mark.parametrize(
    ("char_c", "told"),
    [
        (41.2, "char: 21 °C more than pit"),  # a Pt100 at 20 °C on 400 Ω, read as on 430 Ω (IEC 60751)
        (-23.0, "char: 43 °C less than pit"),  # 100 kΩ at 25 °C set as 10 kΩ (the beta equation)
        (27.0, ""),  # the sun on it
    ],
)
def test_a_probe_that_does_not_agree_with_the_pit_s_is_named(
    tmp_path: Path, at_once: None, capsys: pytest.CaptureFixture[str], char_c: float, told: str
) -> None:
    """Over the fire its food would be done 25 °C too early; or it lies in cold food: it is no fault."""
    text = GOOD.replace("temp_c = 93", "temp_c = 20").replace("temp_c = 8", f"temp_c = {char_c}")
    assert main(["check", "--config", str(config(tmp_path, text)), "--seconds", "3", "--no-move"]) == 0
    out = capsys.readouterr().out
    assert told in out
    assert ("side by side" in out) is (told != "")
    assert ("probes differ" in out) is (told != "")


def test_every_kind_of_fault_has_a_remedy() -> None:
    assert set(REMEDIES) == set(ProbeFaultKind)


def test_table_lines_up() -> None:
    lines = table(("a", "bb"), [("longer", "x"), ("s", "yy")]).splitlines()
    assert lines == ["a       bb", "longer  x", "s       yy"]


def test_buses_are_found_in_the_files_of_the_machine(tmp_path: Path) -> None:
    for name in ("dev/spidev0.0", "dev/spidev0.1", "dev/gpiochip0", "sys/bus/w1/devices/28-0123456789ab"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    found = {bus.bus: bus.names for bus in find_buses(tmp_path)}
    assert found == {
        "SPI": ("spidev0.0", "spidev0.1"), "I2C": (), "1-Wire": ("28-0123456789ab",), "PWM": (),
        "GPIO": ("gpiochip0",),
    }  # fmt: skip


def test_chips_that_answer_are_named_and_a_dead_bus_is_passed_over() -> None:
    def open_i2c(bus: int) -> FakeI2c:
        if bus == 0:
            raise OSError(13, "Permission denied")
        return FakeI2c({(0x48, 0): 1.0, (0x40, 0): 0.0})

    assert find_chips(("i2c-0", "i2c-1", "i2c-x"), open_i2c=open_i2c) == (
        "i2c-1 0x40 (PCA9685?)",
        "i2c-1 0x48 (ADS1115?)",
    )


def test_a_chip_for_servos_is_looked_for_where_the_configuration_has_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its address pins give it 62 addresses; one that answers is not to be told as missing."""
    there = partial(find_chips, open_i2c=lambda _bus: FakeI2c({(0x41, 0): 0.0}))
    monkeypatch.setattr(command, "find_chips", there)
    monkeypatch.setattr(command, "find_buses", lambda: (Found("I2C", ("i2c-1",), ""),))
    text = "[vents.lower]\ndriver = 'pca9685'\nchannel = 3\naddress = 0x41\n"
    said = io.StringIO()
    command.show_buses(load_settings(config(tmp_path, text)), said)
    assert "i2c-1 0x41 (PCA9685?)" in said.getvalue()


def test_board_says_its_name(tmp_path: Path) -> None:
    assert board_name(tmp_path) == ""
    (tmp_path / "proc/device-tree").mkdir(parents=True)
    (tmp_path / "proc/device-tree/model").write_bytes(b"Raspberry Pi Zero 2 W Rev 1.0\0")
    assert board_name(tmp_path) == "Raspberry Pi Zero 2 W Rev 1.0"


# --- the command -----------------------------------------------------------------------------------------


def test_simulated_configuration_is_all_good(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--config", str(config(tmp_path, GOOD)), "--seconds", "3", "--yes"]) == 0
    out = capsys.readouterr().out
    assert "all good" in out
    for word in ("pit", "char", "lower", "simulated", "93."):
        assert word in out


def test_missing_hardware_is_told_with_remedies_and_exit_code_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = """
[probes.pit]
kind = "max31855"
device = 9
[vents.lower]
driver = "kernel_pwm"
pin = 18
pwm_chip = 31
[vents.upper]
driver = "simulated"
stroke_s = 0.1
"""
    assert main(["check", "--config", str(config(tmp_path, text)), "--seconds", "3", "--yes"]) == 1
    out = capsys.readouterr().out
    assert REMEDIES[ProbeFaultKind.BUS] in out
    lower = next(line for line in out.splitlines() if line.startswith("lower"))
    upper = next(line for line in out.splitlines() if line.startswith("upper"))
    assert "fault" in lower
    assert "good" in upper


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[food]\nplan_file = '{0}/none.json'", "food.plan_file"),
        ("[food]\nspecies = 'unicorn'", "food.species: food 'unicorn' is unknown"),
        ("[food]\nspecies = 'chicken_breast'\ndone_rule = 'guidance-63'", "accepted poultry-74"),
        ("[mqtt]\npassword_file = '{0}/none'", "mqtt.password_file"),
        ("[mqtt]\ntls = true\nca_file = '{0}/none'", "mqtt.ca_file"),
        ("[mqtt]\ntls = true\nca_file = '{0}/empty'", "mqtt.ca_file"),
        (
            "[mqtt]\ntls = true\ncertificate_file = '{0}/empty'\nkey_file = '{0}/empty'",
            "mqtt.certificate_file",
        ),
        ("[journal]\ndirectory = '{0}/empty'", "empty is a file; name a folder"),
    ],
)
def test_what_tend_refuses_is_not_all_good(
    tmp_path: Path, text: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "empty").touch()
    mqtt_off, probes = GOOD.split("[probes.pit]", 1)
    base = "" if "[mqtt]" in text else mqtt_off
    path = config(tmp_path, f"{base}[probes.pit]{probes}\n{text.format(tmp_path)}\n")
    assert main(["check", "--config", str(path), "--seconds", "3", "--no-move"]) == 1
    out = capsys.readouterr().out
    assert "not all good" in out
    assert told in out
    assert main(["tend", "--config", str(path), "--simulate", "coalminder.grill:kettle"]) == 2
    error = capsys.readouterr().err
    assert told in error
    assert len(error.splitlines()) == 1
    assert not (tmp_path / "starts.json").exists()  # no restart: the person has to mend it first
    assert (tmp_path / "empty").is_file()


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize(("section", "left"), [("vents.lower", "probes"), ("probes.pit", "vents")])
def test_half_a_grill_is_not_all_good(
    tmp_path: Path, section: str, left: str, capsys: pytest.CaptureFixture[str]
) -> None:
    blocks = {
        "probes": "[probes.pit]\nkind = 'simulated'\n",
        "vents": "[vents.lower]\ndriver = 'simulated'\nstroke_s = 0.1\nsettle_s = 0.02\n",
    }
    path = config(tmp_path, "[mqtt]\nenabled = false\n" + blocks[left])
    assert main(["check", "--config", str(path), "--seconds", "3", "--yes"]) == 1
    assert f"[{section}] is missing" in capsys.readouterr().out
    assert main(["tend", "--config", str(path)]) == 2
    assert f"{path}: [{section}] is missing" in capsys.readouterr().err


@pytest.mark.usefixtures("at_once")
def test_a_folder_that_this_user_cannot_write_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)
    path = config(tmp_path, GOOD + f"[journal]\ndirectory = '{tmp_path}/new'\n")
    assert main(["check", "--config", str(path), "--seconds", "3", "--no-move"]) == 1
    assert "cannot write in" in capsys.readouterr().out
    assert not (tmp_path / "new").exists()


def test_a_folder_that_root_alone_can_write_is_told_to_root(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "records"
    folder.mkdir(mode=0o755)
    service = SimpleNamespace(pw_name="coalminder", pw_uid=folder.stat().st_uid + 1, pw_gid=1)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(os, "getgrouplist", lambda *_: [folder.stat().st_gid + 1])
    monkeypatch.setattr(command.pwd, "getpwnam", lambda _name: service)
    with pytest.raises(UserError, match=r"the service's user '[a-z-]+' cannot write in .*records; change"):
        command.try_records(folder)
    folder.chmod(0o757)
    command.try_records(folder)
    monkeypatch.setattr(os, "getgrouplist", lambda *_: [folder.stat().st_gid])
    with pytest.raises(UserError):
        command.try_records(folder)
    folder.chmod(0o775)
    command.try_records(folder)


@pytest.mark.broker
@pytest.mark.usefixtures("at_once")
def test_a_broker_that_is_not_reached_is_not_called_good(
    tmp_path: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    text = GOOD.replace("enabled = false", f"host = '127.0.0.1'\nport = {mosquitto.port}")
    words = ["check", "--config", str(config(tmp_path, text)), "--seconds", "3", "--no-move"]
    assert main(words) == 0
    assert re.search(r"^broker +good", capsys.readouterr().out, re.MULTILINE)
    mosquitto.stop()
    assert main(words) == 1
    out = capsys.readouterr().out
    refused = rf"127.0.0.1:{mosquitto.port}: Connection refused; start"
    assert re.search(rf"^broker +not reached +{refused}", out, re.MULTILINE)
    assert re.search(r"^broker's files +good", out, re.MULTILINE)


@pytest.mark.broker
@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize(
    ("login", "told"),
    [
        ("", "no password was given"),
        ("\nusername = 'coalminder'", "no password was given"),
        ("\nusername = 'coalminder'\npassword = 'birch'", r"username"),
    ],
)
def test_a_broker_that_does_not_let_the_service_in_is_not_called_good(
    login: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    broker = Mosquitto(tmp_path, "allow_anonymous false\n")
    broker.start()
    mqtt = f"host = '127.0.0.1'\nport = {broker.port}\nconnect_timeout_s = 0.5{login}"
    text = GOOD.replace("enabled = false", mqtt)
    try:
        assert main(["check", "--config", str(config(tmp_path, text)), "--seconds", "3", "--no-move"]) == 1
    finally:
        broker.stop()
    out = capsys.readouterr().out
    assert re.search(rf"^broker +no entry +.*Not authorized.*{told}", out, re.MULTILINE)
    assert ("coalminder check --config" in out) is ("no password" in told)


@pytest.mark.parametrize(
    ("config", "password", "words"),
    [
        ("/etc/coalminder/coalminder.toml", "mqtt_password", "check"),
        ("/etc/coalminder/char.toml", "char_mqtt_password", "check --config /etc/coalminder/char.toml"),
        ("/home/cook/mine.toml", "mqtt_password", "check --config /home/cook/mine.toml"),
    ],
)
def test_the_password_of_the_grill_that_is_checked_is_named(config: str, password: str, words: str) -> None:
    """As its unit takes it: for a further grill the first one's was named, and its vents would have moved."""
    unit = Path(__file__).parents[2] / "systemd" / f"coalminder{'@' * ('char' in config)}.service"
    (credential,) = re.findall("LoadCredential=mqtt_password:(.+)", unit.read_text("utf-8"))
    assert Path(credential).name == password.replace("char", "%i")
    told = command.with_password(Path(config))
    place = credential.replace("%i", "char")
    assert told == f"sudo env COALMINDER_MQTT__PASSWORD_FILE={place} coalminder {words}"


@pytest.mark.broker
@pytest.mark.usefixtures("at_once")
def test_the_password_that_the_unit_hands_over_is_tried(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = tmp_path / "passwd"
    made.touch()
    subprocess.run(["mosquitto_passwd", "-b", made, "coalminder", "alder"], check=True)
    made.chmod(0o644)
    broker = Mosquitto(tmp_path, f"allow_anonymous false\npassword_file {made}\n")
    broker.start()
    mqtt = f"host = '127.0.0.1'\nport = {broker.port}\nconnect_timeout_s = 0.5\nusername = 'coalminder'"
    where = config(tmp_path, GOOD.replace("enabled = false", mqtt))
    credential = tmp_path / "mqtt_password"
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    try:
        for password, code in (("alder", 0), ("birch", 1)):
            credential.write_text(f"{password}\n", encoding="utf-8")
            assert main(["check", "--config", str(where), "--seconds", "3", "--no-move"]) == code
    finally:
        broker.stop()


@pytest.mark.usefixtures("at_once")
def test_vents_that_were_not_tried_are_not_called_good(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = config(tmp_path, GOOD)
    assert main(["check", "--config", str(path), "--seconds", "3", "--no-move"]) == 0
    assert "all good; vents not tried" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("answers", "verdict", "remedy"),
    [
        (["n"], "not tried", "answer y"),
        (["y", "y"], "good", ""),
        (["y", "w"], "wrong way", "reversed = true"),
        (["y", "n"], "stroke", "calibrate stops"),
        ([""], "not tried", ""),
    ],
)
def test_person_is_asked_before_and_after_a_vent_moves(answers: list[str], verdict: str, remedy: str) -> None:
    from coalminder.probes.command import try_vents

    settings = VentsSettings.model_validate(
        {"lower": {"driver": "simulated", "stroke_s": 0.1, "settle_s": 0.02}}
    )
    waiting = iter(answers)
    ((name, _, found, told),) = try_vents(settings, NOTHING, lambda _question: next(waiting))
    assert (name, found) == ("lower", verdict)
    assert remedy in told


def test_a_vent_that_this_user_may_not_move_is_told_who_may(monkeypatch: pytest.MonkeyPatch) -> None:
    def closed(_block: object) -> None:
        raise PermissionError(13, "Permission denied", "/sys/class/pwm/pwmchip0/export")

    monkeypatch.setattr("coalminder.vents.build.pulse_output", closed)
    settings = VentsSettings.model_validate({"lower": {"driver": "simulated"}})
    ((_, _, verdict, remedy),) = command.try_vents(settings, NOTHING, lambda _question: "y")
    assert verdict == "fault"
    assert "sudo -u coalminder" in remedy


class DyingPulses(FakePulseOutput):
    """A driver that answers for a while."""

    def set_pulse_us(self, pulse_us: float) -> None:
        if len(self.history) >= 5:
            self.fail_with = OSError(121, "Remote I/O error")
        super().set_pulse_us(pulse_us)


def test_a_vent_whose_bus_dies_on_the_way_is_a_row_and_the_other_one_is_tried(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    block = {"driver": "simulated", "stroke_s": 0.1, "settle_s": 0.02}
    settings = VentsSettings.model_validate({"lower": block, "upper": block})
    outputs = iter([DyingPulses(), FakePulseOutput()])
    monkeypatch.setattr("coalminder.vents.build.pulse_output", lambda _block: next(outputs))
    lower, upper = command.try_vents(settings, NOTHING, lambda _question: "y")
    assert lower[2] == "fault"
    assert "Remote I/O error; check its wires" in lower[3]
    assert upper[2] == "good"


def test_stops_of_a_vent_whose_bus_dies_are_given_up_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from coalminder.calibrate.command import fit_stops

    block = {"driver": "simulated", "stroke_s": 0.1, "settle_s": 0.02}
    vents = VentsSettings.model_validate({"lower": block})
    settings = Settings(vents=vents, calibration_file=tmp_path / "calibration.json")
    monkeypatch.setattr("coalminder.vents.build.pulse_output", lambda _block: DyingPulses())
    with pytest.raises(UserError, match=r"vents\.lower\]: .*Remote I/O error; check its wires"):
        fit_stops("lower", settings, NOTHING, lambda _question: "0.9", lambda _line: None)


@pytest.mark.parametrize("words", [["--seconds", "0"], ["--seconds", "nan"]])
def test_senseless_time_is_refused(
    tmp_path: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "--config", str(config(tmp_path, GOOD)), *words]) == 2
    assert "--seconds" in capsys.readouterr().err


def test_nothing_to_check_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--config", str(config(tmp_path, ""))]) == 2
    assert "wiring" in capsys.readouterr().err


# --- probes on the broker --------------------------------------------------------------------------------


@pytest.mark.broker
def test_probe_on_the_broker_is_heard(tmp_path: Path, mosquitto: Mosquitto) -> None:
    text = f"[mqtt]\nhost = '127.0.0.1'\nport = {mosquitto.port}\n"
    probe = TopicProbe("pit", "gateway/pit")
    sender = Client(CallbackAPIVersion.VERSION2)
    with listening(load_settings(config(tmp_path, text)), [probe]) as trouble:
        assert trouble == ""
        sender.connect("127.0.0.1", mosquitto.port)
        sender.loop_start()
        deadline_s = time.monotonic() + 10.0
        while not isinstance(probe.read(), Reading) and time.monotonic() < deadline_s:
            sender.publish("gateway/pit", "93.5").wait_for_publish(5.0)
            time.sleep(0.02)
    sender.disconnect()
    sender.loop_stop()
    sample = probe.read()
    assert isinstance(sample, Reading)
    assert sample.temp_c == 93.5


NO_BROKER = "[mqtt]\nhost = '127.0.0.1'\nport = 1\nconnect_timeout_s = 0.5\n"


def test_broker_that_is_not_there_is_told_and_the_rest_goes_on(tmp_path: Path) -> None:
    settings = load_settings(config(tmp_path, NO_BROKER))
    with listening(settings, [TopicProbe("pit", "a/b")]) as trouble:
        assert "[mqtt]" in trouble


async def test_the_remedy_of_a_probe_on_the_broker_is_the_gateway(tmp_path: Path) -> None:
    pit = '[probes.pit]\nkind = "mqtt"\ntopic = "a/b"\n'
    (trial,) = await try_probes(load_settings(config(tmp_path, NO_BROKER + pit)), NOTHING, 3.0)
    assert trial.verdict == "fault"
    assert "gateway" in trial.remedy


@pytest.mark.broker
def test_broker_that_refuses_us_is_told(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path, "allow_anonymous false\n")
    broker.start()
    text = f"[mqtt]\nhost = '127.0.0.1'\nport = {broker.port}\nconnect_timeout_s = 0.5\n"
    try:
        with listening(load_settings(config(tmp_path, text)), [TopicProbe("pit", "a/b")]) as trouble:
            assert "Not authorized" in trouble
    finally:
        broker.stop()


@pytest.mark.parametrize(
    "text",
    ["password_file = '/no/such/file'", "tls = true\nca_file = '/no/such/file'"],
    ids=["password", "ca"],
)
def test_missing_file_of_the_broker_is_told(tmp_path: Path, text: str) -> None:
    settings = load_settings(config(tmp_path, f"{NO_BROKER}{text}\n"))
    with listening(settings, [TopicProbe("pit", "a/b")]) as trouble:
        assert "/no/such/file" in trouble or "No such file" in trouble


def test_no_connection_without_a_probe_that_needs_one(tmp_path: Path) -> None:
    with listening(load_settings(config(tmp_path, "[mqtt]\nport = 1\n")), []) as trouble:
        assert trouble == ""


# --- settings of probes ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("blocks", "told"),
    [
        ({"dome": {"kind": "simulated"}}, "pit"),
        ({"pit": {"kind": "max31855"}, "dome": {"kind": "max31855"}}, "same wire"),
        ({"pit": {"kind": "mcp3208", "channel": 0, "thermistor": {}}}, "exactly one"),
        (
            {"pit": {"kind": "mcp3208", "channel": 8, "thermistor": {"beta_k": 3950}}},
            "less than or equal to 7",
        ),
        ({"pit": {"kind": "ds18b20", "serial": "0123"}}, "pattern"),
        ({"pit": {"kind": "mqtt", "topic": "a/#"}}, "pattern"),
        ({"pit": {"kind": "steam"}}, "kind"),
        ({"Pit!": {"kind": "simulated"}}, "pattern"),
        ({"pit": {"kind": "simulated", "temp_c": float("nan")}}, "finite"),
        (
            {
                "pit": {
                    "kind": "mcp3208",
                    "channel": 0,
                    "thermistor": {"points": [[0, 100], [25, 110], [50, 120]]},
                }
            },
            "must fall",
        ),
    ],
)
def test_wrong_probe_block_is_refused_with_words(blocks: dict[str, object], told: str) -> None:
    from coalminder.settings.probes import ProbesSettings

    with pytest.raises(ValueError, match=told):
        TypeAdapter(ProbesSettings).validate_python(blocks)
