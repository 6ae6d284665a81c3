"""`snuff` shuts the vents whatever else is broken."""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest
from fake_pulses import FakePulseOutput
from hypothesis import given
from hypothesis import strategies as st

from coalminder.errors import UserError
from coalminder.places import state_folder
from coalminder.settings.calibration import Calibration, VentCorrection, load_calibration
from coalminder.settings.vents import KernelPwmVent, Pca9685Vent, PinVent, Servo, SimulatedVent, VentsSettings
from coalminder.vents import alone as alone_module
from coalminder.vents import snuff as snuff_module
from coalminder.vents.alone import alone
from coalminder.vents.build import build_vents, pulse_output
from coalminder.vents.defaults import VENT_NUMBERS
from coalminder.vents.servo import PulseOutput
from coalminder.vents.simulated import NoPulses
from coalminder.vents.snuff import Plan, add_arguments, open_output, read_plans, remember, run, shut


def config(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "coalminder.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_numbers_are_those_of_the_settings() -> None:
    blocks = VentsSettings.model_json_schema()["$defs"]
    fields = blocks["Pca9685Vent"]["properties"]
    of_settings = {
        name: tuple(fields[name][what] for what in ("default", "minimum", "maximum")) for name in VENT_NUMBERS
    }
    assert of_settings == VENT_NUMBERS


def test_snuff_knows_every_driver_of_the_settings() -> None:
    blocks = VentsSettings.model_json_schema()["$defs"].values()
    kinds = [block["properties"]["driver"]["const"] for block in blocks if "driver" in block["properties"]]
    assert len(kinds) == 4
    for kind in kinds:
        with suppress(OSError) if kind == "simulated" else pytest.raises(OSError, match="cannot be used"):
            open_output(Plan("lower", kind, 1000.0, 0.5, {}))


@given(
    st.floats(400.0, 1400.0),
    st.floats(1600.0, 2600.0),
    st.booleans(),
    st.floats(0.0, 0.4),
    st.floats(0.5, 1.0),
    st.one_of(st.none(), st.tuples(st.floats(0.0, 0.4), st.floats(0.5, 1.0))),
    st.booleans(),
)
def test_snuff_sends_the_pulse_that_the_service_calls_shut(
    tmp_path_factory: pytest.TempPathFactory,
    low_us: float,
    high_us: float,
    backwards: bool,
    stop_shut: float,
    stop_open: float,
    calibrated: tuple[float, float] | None,
    on_a_known_stroke: bool,
) -> None:
    folder = tmp_path_factory.mktemp("snuff")
    block = {
        "driver": "simulated", "pulse_min_us": low_us, "pulse_max_us": high_us, "reversed": backwards,
        "stop_shut": stop_shut, "stop_open": stop_open,
    }  # fmt: skip
    stops = VentCorrection(
        stop_shut=None if calibrated is None else calibrated[0],
        stop_open=None if calibrated is None else calibrated[1],
        ends_us=SimulatedVent(**block).ends_us if on_a_known_stroke else None,  # type: ignore[arg-type]
        curve=None,
    )
    calibration = Calibration(vents={"lower": stops})
    file = folder / "calibration.json"
    file.write_text(calibration.model_dump_json(exclude_none=True), encoding="utf-8")
    lines = [f"calibration_file = {str(file)!r}", "[vents.lower]"]
    lines += [f"{name} = {json.dumps(value)}" for name, value in block.items()]
    (plan,) = read_plans(config(folder, "\n".join(lines)))
    vents = build_vents(VentsSettings(lower=SimulatedVent(**block)), calibration)  # type: ignore[arg-type]
    assert plan.pulse_us == pytest.approx(vents["lower"].stroke.pulse_us(0.0))


def test_every_vent_is_commanded_before_anyone_waits(tmp_path: Path) -> None:
    plans = read_plans(
        config(tmp_path, "[vents.lower]\ndriver='pin'\npin=17\n[vents.upper]\ndriver='simulated'")
    )
    outputs = {"lower": FakePulseOutput(), "upper": FakePulseOutput()}
    waited: list[tuple[float, float]] = []

    def sleep(for_s: float) -> None:
        waited.append((outputs["lower"].pulse_us, outputs["upper"].pulse_us))

    assert shut(plans, lambda plan: outputs[plan.name], lambda _: None, sleep) == 0
    assert waited == [(1000.0, 1000.0)]
    assert outputs["lower"].pulse_us == outputs["upper"].pulse_us == 0.0


@pytest.mark.parametrize("trouble", [OSError("no PWM of the board"), RuntimeError("a driver's own")])
def test_one_broken_vent_does_not_keep_the_other_open(tmp_path: Path, trouble: Exception) -> None:
    plans = read_plans(
        config(tmp_path, "[vents.lower]\ndriver='simulated'\n[vents.upper]\ndriver='simulated'\nhold=true")
    )
    good = FakePulseOutput()
    said: list[str] = []

    def open_pulses(plan: Plan) -> PulseOutput:
        if plan.name == "lower":
            raise trouble
        return good

    assert shut(plans, open_pulses, said.append, lambda _: None) == 1
    assert good.pulses_us == [1000.0]
    assert good.pulse_us == 0.0
    assert any("NOT SHUT" in line and "by hand" in line for line in said)


def test_a_machine_without_a_thread_to_spare_keeps_no_vent_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plans = read_plans(
        config(tmp_path, "[vents.lower]\ndriver='simulated'\n[vents.upper]\ndriver='simulated'")
    )

    def none_to_be_had(thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", none_to_be_had)
    outputs = {"lower": FakePulseOutput(), "upper": FakePulseOutput()}
    assert shut(plans, lambda plan: outputs[plan.name], lambda _: None, lambda _: None) == 0
    assert outputs["lower"].pulses_us == outputs["upper"].pulses_us == [1000.0]


def test_a_driver_that_hangs_does_not_keep_the_other_vent_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(snuff_module, "HANGS_S", 0.3)
    plans = read_plans(
        config(tmp_path, "[vents.lower]\ndriver='simulated'\n[vents.upper]\ndriver='simulated'")
    )
    let_go = threading.Event()
    good, hung = FakePulseOutput(), FakePulseOutput()

    def open_pulses(plan: Plan) -> PulseOutput:
        if plan.name == "lower":
            let_go.wait(10.0)
            return hung
        return good

    said: list[str] = []
    begun_s = time.monotonic()
    try:
        assert shut(plans, open_pulses, said.append, lambda _: None) == 1
    finally:
        let_go.set()
    assert time.monotonic() - begun_s < 5.0
    assert good.pulses_us == [1000.0]
    assert good.pulse_us == 0.0
    assert "lower vent: NOT SHUT: its driver hangs; shut it by hand, with gloves" in said
    assert "upper vent: shut, power off" in said


@pytest.mark.parametrize("trouble", [BrokenPipeError(32, "Broken pipe"), OSError(28, "No space left")])
def test_words_that_nobody_takes_keep_no_vent_open(tmp_path: Path, trouble: OSError) -> None:
    plans = read_plans(
        config(tmp_path, "[vents.lower]\ndriver='simulated'\n[vents.upper]\ndriver='simulated'")
    )
    outputs = {"lower": FakePulseOutput(), "upper": FakePulseOutput()}

    def say(_line: str) -> None:
        raise trouble

    assert shut(plans, lambda plan: outputs[plan.name], say, lambda _: None) == 0
    for output in outputs.values():
        assert output.pulses_us == [1000.0]
        assert output.pulse_us == 0.0


@pytest.mark.parametrize("redirected", ["2>/dev/full", "2>&-", "2>&1 | true"])
def test_the_program_shuts_the_vents_without_a_place_for_its_words(tmp_path: Path, redirected: str) -> None:
    vent = "[vents.lower]\ndriver='simulated'\nstroke_s=0.1\nsettle_s=0.02"
    # a daemon that runs by the usual folder is none of ours
    path = config(tmp_path, f"{vent}\n[journal]\ndirectory='{tmp_path}'")
    line = f"set -o pipefail; {sys.executable} -m coalminder.cli snuff --config {path} {redirected}"
    assert subprocess.run(["bash", "-c", line], check=False).returncode == 0


def test_pulses_that_cannot_be_stopped_are_told(tmp_path: Path) -> None:
    plans = read_plans(config(tmp_path, "[vents.lower]\ndriver='simulated'"))
    output = FakePulseOutput()

    def sleep(_for_s: float) -> None:
        output.fail_with = OSError("bus gone")

    said: list[str] = []
    assert shut(plans, lambda _: output, said.append, sleep) == 1
    assert "bus gone" in said[-1]


@pytest.mark.parametrize(
    ("block", "pulse_us"),
    [
        ("", 1000.0),
        ("reversed=true", 2000.0),
        ("pulse_min_us='wide'", 1000.0),
        ("reversed='yes'", 2000.0),
        ("reversed=' True'", 2000.0),
        ("reversed=1", 2000.0),
        ("reversed='no'", 1000.0),
        ("reversed=0", 1000.0),
        ("pulse_min_us='500'", 500.0),
        ("pulse_min_us='nan'", 1000.0),
        ("pulse_min_us=nan", 1000.0),
        ("pulse_min_us=2500\npulse_max_us=500", 1000.0),
        ("stop_shut=0.9\nstop_open=0.1\nunknown=1", 1000.0),
        ("pulse_min_us=500\npulse_max_us=2500\nstop_shut=0.9\nstop_open=0.1", 500.0),
        ("pulse_min_us=500\npulse_max_us=2500\nreversed=true\nstop_shut=1.0", 2500.0),
        ("pulse_min_us=true", 1000.0),
        ("pulse_min_us=5000\npulse_max_us=9000", 1000.0),
        ("reversed=true\npulse_max_us=9000", 2000.0),
        ("stop_shut=-3", 1000.0),
    ],
    ids=[
        "plain",
        "reversed",
        "a word for a number",
        "yes for true",
        "true in quotes",
        "1 for true",
        "no for false",
        "0 for false",
        "a number in quotes",
        "nan in quotes",
        "nan",
        "swapped limits",
        "swapped stops",
        "swapped stops of a wide servo",
        "no stroke of a wide servo",
        "a flag for a number",
        "pulses of no servo",
        "a pulse of no servo",
        "a stop off the stroke",
    ],
)
def test_senseless_fields_take_their_default(tmp_path: Path, block: str, pulse_us: float) -> None:
    (plan,) = read_plans(config(tmp_path, f"[vents.lower]\ndriver='simulated'\n{block}\n[band]\nlow='?'"))
    assert plan.pulse_us == pulse_us


def test_a_calibration_that_says_nothing_of_a_stop_leaves_the_configured_one(tmp_path: Path) -> None:
    file = tmp_path / "calibration.json"
    file.write_text('{"vents": {"lower": {"stop_shut": null, "stop_open": 0.8}}}', encoding="utf-8")
    text = f"calibration_file={str(file)!r}\n[vents.lower]\ndriver='simulated'\nstop_shut=0.3"
    (plan,) = read_plans(config(tmp_path, text))
    block = VentsSettings(lower=SimulatedVent(driver="simulated", stop_shut=0.3))
    service = build_vents(block, load_calibration(file))["lower"].stroke
    assert plan.pulse_us == service.pulse_us(0.0) == 1300.0


def test_stops_found_on_another_stroke_are_parts_of_that_one(tmp_path: Path) -> None:
    """The service refuses them; shut must not be half open by what was the shut end of a reversed servo."""
    stops = VentCorrection(stop_shut=0.4, stop_open=0.9, ends_us=(2000.0, 1000.0))
    file = tmp_path / "calibration.json"
    file.write_text(Calibration(vents={"lower": stops}).model_dump_json(exclude_none=True), encoding="utf-8")
    text = f"calibration_file={str(file)!r}\n[vents.lower]\ndriver='simulated'\nstop_shut=0.1"
    (plan,) = read_plans(config(tmp_path, text))
    assert plan.pulse_us == 1100.0


@pytest.mark.parametrize(
    "damage", ["", "{", "[]", '{"vents": 3}', '{"vents": {"lower": {"stop_shut": "x"}}}']
)
def test_damaged_calibration_does_not_stop_it(tmp_path: Path, damage: str) -> None:
    file = tmp_path / "calibration.json"
    file.write_text(damage, encoding="utf-8")
    (plan,) = read_plans(
        config(tmp_path, f"calibration_file={str(file)!r}\n[vents.lower]\ndriver='simulated'")
    )
    assert plan.pulse_us == 1000.0


@pytest.mark.parametrize(
    "text", ["", "[vents]", "vents = 3", "[vents.lower", "[vents.middle]\ndriver='pin'"], ids=str
)
def test_configuration_without_a_vent_is_one_line(tmp_path: Path, text: str) -> None:
    with pytest.raises(UserError, match=r"moved") as told:
        read_plans(config(tmp_path, text))
    assert "\n\n" not in str(told.value)


@pytest.mark.parametrize("block", [{}, {"pin": "x"}, {"pin": None}])
@pytest.mark.parametrize("driver", ["kernel_pwm", "pin", "pca9685", "steam"])
def test_what_cannot_be_opened_is_an_os_error(driver: str, block: dict[str, object]) -> None:
    with pytest.raises(OSError, match=r"."):
        open_output(Plan("lower", driver, 1000.0, 0.5, block))


def test_program_is_quick_and_needs_no_settings_model(tmp_path: Path) -> None:
    """From the start of the interpreter to the command: well under a second, and nothing big is loaded."""
    path = config(
        tmp_path, "[vents.lower]\ndriver='simulated'\nstroke_s=0.1\nsettle_s=0.05\n[mqtt]\nport='?'"
    )
    code = (
        "import sys; from coalminder.cli import main; "
        f"rc = main(['snuff', '--config', {str(path)!r}]); "
        "heavy = {'pydantic', 'paho', 'gpiozero', 'asyncio', 'coalminder.settings'} & set(sys.modules); "
        "sys.exit(f'imported {heavy}' if heavy else rc)"
    )
    start_s = time.monotonic()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    took_s = time.monotonic() - start_s
    assert done.returncode == 0, done.stderr
    assert "lower vent: shut commanded" in done.stderr
    assert took_s < 1.0 + 0.15


def test_options_have_a_default() -> None:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    assert parser.parse_args([]).config == Path("/etc/coalminder/coalminder.toml")


VENT = '[vents.lower]\ndriver = "simulated"\npulse_min_us = 900\n'


def test_a_half_edited_file_is_snuffed_by_what_the_daemon_last_knew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "state").mkdir()
    path = config(tmp_path, VENT + '[mqtt]\npassword = "sesame"\n')
    good = read_plans(path)
    remember(path)
    assert not [kept for kept in (tmp_path / "state").iterdir() if "sesame" in kept.read_text("utf-8")]
    path.write_text(VENT + "[mqtt\n", "utf-8")
    remember(path)  # the daemon restarts: what it knew stays
    assert read_plans(path) == good
    with pytest.raises(UserError, match="NOT moved"):
        read_plans(tmp_path / "another.toml")


def test_what_the_tests_daemons_keep_does_not_go_to_the_machines_own_folder(tmp_path: Path) -> None:
    path = config(tmp_path, VENT)
    remember(path)  # as every test that starts a daemon does
    assert not list(state_folder(path).glob(f"vents-of-*{tmp_path.name}*"))


def test_a_file_that_nests_without_end_or_begins_with_a_mark_is_no_traceback(tmp_path: Path) -> None:
    path = config(tmp_path, "\ufeff" + VENT)
    assert [plan.name for plan in read_plans(path)] == ["lower"]
    path.write_text("x = " + 5000 * "[" + 5000 * "]", "utf-8")
    remember(path)
    with pytest.raises(UserError, match="NOT moved"):
        read_plans(path)


def test_a_further_grill_is_shut_by_its_own_calibration() -> None:
    assert state_folder(Path("/etc/coalminder/coalminder.toml")) == Path("/var/lib/coalminder")
    assert state_folder(Path("/etc/coalminder/east.toml")) == Path("/var/lib/coalminder/east")
    assert state_folder(Path("/home/cook/east.toml")) == Path("/var/lib/coalminder")


def test_snuff_beside_a_running_daemon_says_that_it_will_not_last(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = config(tmp_path, VENT + f'stroke_s = 0.1\n[journal]\ndirectory = "{tmp_path}"\n')
    asked = argparse.Namespace(config=path)
    with alone(tmp_path):
        assert run(asked) == 1
    assert "the daemon runs" in capsys.readouterr().err
    assert run(asked) == 0
    assert "the daemon runs" not in capsys.readouterr().err


@pytest.mark.parametrize("by_environment", [False, True])
@pytest.mark.parametrize("half_edited", [False, True])
def test_a_daemon_that_runs_is_told_of_wherever_its_records_are(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    half_edited: bool,
    by_environment: bool,
) -> None:
    """A half-edited file is no reason to believe that nobody will open the vents again."""
    records = tmp_path / "records"
    records.mkdir()
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    text = VENT + "stroke_s = 0.01\n"
    if by_environment:
        monkeypatch.setenv("COALMINDER_JOURNAL__DIRECTORY", str(records))
    else:
        text += f'[journal]\ndirectory = "{records}"\n'
    path = config(tmp_path, text)
    remember(path)
    if half_edited:
        path.write_text(text + "[mqtt\n", "utf-8")
    asked = argparse.Namespace(config=path)
    with alone(records):
        assert run(asked) == 1
    said = capsys.readouterr().err
    assert "the daemon runs" in said
    assert "lower vent: shut, power off" in said
    assert ("as the daemon last knew them" in said) is half_edited
    assert run(asked) == 0


@pytest.mark.parametrize(
    ("block", "model"),
    [
        ('driver = "kernel_pwm"\npin = 13', KernelPwmVent(driver="kernel_pwm", pin=13)),
        ('driver = "pin"\npin = 27', PinVent(driver="pin", pin=27)),
        ('driver = "pca9685"\nchannel = 14', Pca9685Vent(driver="pca9685", channel=14)),
        (
            'driver = "pca9685"\nchannel = 14\nbus = 3\naddress = 0x41',
            Pca9685Vent(driver="pca9685", channel=14, bus=3, address=0x41),
        ),
    ],
)
def test_any_user_sees_by_the_wires_that_a_daemon_runs(
    block: str,
    model: Servo,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The board's user reaches the pins, but not the service's folder of records (mode 0750)."""
    path = config(
        tmp_path, f'[vents.lower]\n{block}\nstroke_s = 0.1\n[journal]\ndirectory = "{tmp_path}/none"\n'
    )
    monkeypatch.setattr(snuff_module, "open_output", lambda _plan: NoPulses())
    monkeypatch.setattr(alone_module, "_address", lambda wire: f"\0{os.getpid()}/{wire}")  # of this run only
    vents = VentsSettings(lower=model)
    with alone(tmp_path, vents.wires):
        assert run(argparse.Namespace(config=path)) == 1
    said = capsys.readouterr().err
    assert "lower vent: shut, power off" in said
    assert "the daemon runs" in said
    assert run(argparse.Namespace(config=path)) == 0


def test_the_vents_are_shut_before_a_word_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who reads the words may have stopped to: a terminal with Ctrl-S, a journal that hangs."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    path = config(tmp_path, VENT + "stroke_s = 0.1\n")
    remember(path)
    path.write_text(VENT + "[mqtt\n", "utf-8")
    done: list[str] = []
    monkeypatch.setattr(snuff_module, "_say", lambda _line: done.append("word"))
    monkeypatch.setattr(NoPulses, "set_pulse_us", lambda _output, _pulse_us: done.append("deed"))
    assert run(argparse.Namespace(config=path)) == 0
    assert done[0] == "deed"
    assert "word" in done


# --- the same hardware as the service


@pytest.mark.parametrize(
    ("module", "name", "block"),
    [
        ("kernel_pwm", "open_kernel_pwm", KernelPwmVent(driver="kernel_pwm", pin=18)),
        (
            "kernel_pwm",
            "open_kernel_pwm",
            KernelPwmVent(driver="kernel_pwm", pin=13, pwm_chip=2, pwm_channel=3),
        ),
        ("pin_pwm", "open_pin_pwm", PinVent(driver="pin", pin=17)),
        ("pca9685", "open_pca9685", Pca9685Vent(driver="pca9685", channel=3)),
        (
            "pca9685",
            "open_pca9685",
            Pca9685Vent(driver="pca9685", channel=0, bus=3, address=0x41, frame_hz=60.0),
        ),
    ],
    ids=lambda value: type(value).__name__ if not isinstance(value, str) else value,
)
def test_snuff_opens_what_the_service_opens(
    monkeypatch: pytest.MonkeyPatch, module: str, name: str, block: Servo
) -> None:
    opened: list[tuple[object, ...]] = []
    output = FakePulseOutput()

    def note(*given: object) -> PulseOutput:
        opened.append(given)
        return output

    monkeypatch.setattr(f"coalminder.vents.{module}.{name}", note)
    written = block.model_dump(exclude_unset=True)
    assert open_output(Plan("lower", written["driver"], 1000.0, 0.5, written)) is output
    assert pulse_output(block) is output
    service, snuff = opened[1], opened[0]
    assert snuff == service


@pytest.mark.parametrize(("upper", "code"), [("simulated", 0), ("steam", 1)])
def test_the_exit_code_says_whether_all_vents_were_shut(tmp_path: Path, upper: str, code: int) -> None:
    quick = "stroke_s=0.1\nsettle_s=0.02\n"
    path = config(
        tmp_path,
        f"[vents.lower]\ndriver='simulated'\n{quick}[vents.upper]\ndriver='{upper}'\n{quick}",
    )
    assert run(argparse.Namespace(config=path)) == code


def test_a_vent_is_given_the_time_of_a_whole_stroke_before_its_power_goes(tmp_path: Path) -> None:
    """Nobody knows where the plate is; but a mistyped time must not keep a person waiting."""
    for fields, travel_s in (
        ("", 0.4 + 0.15),
        ("stroke_s=1.5\nsettle_s=0.3", 1.8),
        ("stroke_s=900", 2.15),
        ("stroke_s=-1\nsettle_s=nan", 0.55),
    ):
        (plan,) = read_plans(config(tmp_path, f"[vents.lower]\ndriver='simulated'\n{fields}"))
        assert plan.travel_s == pytest.approx(travel_s)
        waited: list[float] = []
        assert shut([plan], lambda _: FakePulseOutput(), lambda _: None, waited.append) == 0
        assert waited == [pytest.approx(travel_s)]
