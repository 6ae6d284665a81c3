"""Calibration: fixed points of water, fits, stops, and the one file that is written."""

from __future__ import annotations

import errno
import json
import math
import os
from pathlib import Path

import psychrolib
import pytest
from fake_pulses import FakePulseOutput
from fluids.atmosphere import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st
from linear_curve import LINEAR_CURVE

from coalminder.calibrate import command, points, stops, water
from coalminder.cli import main
from coalminder.errors import SettingsError, UserError
from coalminder.probes.thermistor import SteinhartHart, from_beta
from coalminder.settings import load_settings
from coalminder.settings.calibration import (
    NOTHING,
    Calibration,
    ProbeCorrection,
    VentCorrection,
    load_calibration,
    save_calibration,
)
from coalminder.vents.build import build_vents
from coalminder.vents.servo import ServoVent
from coalminder.vents.snuff import read_plans

# --- water -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hpa", "boils_c"),
    [(1013.25, 99.974), (1000.0, 99.606), (900.0, 96.69), (800.0, 93.49), (700.0, 89.93)],
)
def test_boiling_point_is_that_of_the_steam_tables(hpa: float, boils_c: float) -> None:
    """Saturation at 101.325, 100, 90, 80 and 70 kPa after IAPWS-IF97 (steam tables, from memory)."""
    assert water.boiling_point_c(hpa) == pytest.approx(boils_c, abs=0.01)


@pytest.mark.parametrize("hpa", range(500, 1101, 50))
def test_boiling_point_agrees_with_an_independent_formula(hpa: int) -> None:
    """PsychroLib's saturation pressure (ASHRAE Handbook Fundamentals 2017, eq. 6) at that temperature."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert psychrolib.GetSatVapPres(water.boiling_point_c(hpa)) / 100.0 == pytest.approx(hpa, rel=1e-3)


@pytest.mark.parametrize("altitude_m", [-200.0, 0.0, 350.0, 1500.0, 4000.0])
def test_pressure_is_that_of_the_standard_atmosphere(altitude_m: float) -> None:
    """Against the U.S. Standard Atmosphere 1976 of the library fluids, which is ICAO's down here."""
    assert water.pressure_hpa(altitude_m) == pytest.approx(ATMOSPHERE_1976(altitude_m).P / 100.0, rel=1e-4)


def test_weather_report_is_reduced_to_the_altitude() -> None:
    assert water.pressure_hpa(500.0, 990.0) / water.pressure_hpa(500.0) == pytest.approx(990.0 / 1013.25)


@pytest.mark.parametrize("hpa", [101.3, 10132.5, float("nan")])
def test_impossible_pressure_is_refused(hpa: float) -> None:
    with pytest.raises(UserError, match="altitude"):
        water.boiling_point_c(hpa)


def test_impossible_altitude_is_refused() -> None:
    with pytest.raises(UserError, match="altitude"):
        water.pressure_hpa(9000.0)


# --- fits ------------------------------------------------------------------------------------------------


def test_ice_alone_shifts() -> None:
    fit = points.at_ice(0.8, ProbeCorrection())
    assert (fit.correction.gain, fit.correction.offset_c) == (1.0, -0.8)
    assert fit.before == {"ice_error_c": 0.8}
    assert fit.after == {"ice_error_c": 0.0}


@given(st.floats(-5.0, 5.0), st.floats(90.0, 101.0), st.floats(-5.0, 5.0), st.booleans())
def test_both_points_are_met_in_either_order(
    ice_error_c: float, boils_c: float, boil_error_c: float, ice_first: bool
) -> None:
    shown_boil_c = boils_c + boil_error_c
    fit = points.at_ice(ice_error_c, ProbeCorrection())
    if ice_first:
        fit = points.at_boil(shown_boil_c, boils_c, fit.correction)
    else:
        fit = points.at_boil(shown_boil_c, boils_c, ProbeCorrection())
        fit = points.at_ice(ice_error_c, fit.correction)
    correct = fit.correction
    assert correct.gain * ice_error_c + correct.offset_c == pytest.approx(0.0, abs=1e-9)
    assert correct.gain * shown_boil_c + correct.offset_c == pytest.approx(boils_c, abs=1e-9)
    assert all(abs(float(error)) < 0.001 for error in fit.after.values())


@pytest.mark.parametrize(
    "measure",
    [
        lambda: points.at_ice(25.0, ProbeCorrection()),
        lambda: points.at_boil(60.0, 100.0, ProbeCorrection()),
        lambda: points.at_boil(9.0, 100.0, ProbeCorrection(ice_shown_c=1.0)),
    ],
)
def test_what_is_no_calibration_error_is_refused(measure: object) -> None:
    with pytest.raises(UserError, match="bath"):
        measure()  # type: ignore[operator]


def test_thermistor_fit_meets_its_three_baths() -> None:
    """Published points of the 10 kΩ type 2 thermistor, with a wrong curve in force."""
    wrong = SteinhartHart(1.4e-3, 2.37e-4, 9.9e-8)  # a set that circulates as '10k' and is not
    baths = ((0.0, 32650.0), (25.0, 10000.0), (100.0, 678.6))
    fit = points.thermistor(baths, wrong, ProbeCorrection())
    assert all(abs(float(error)) < 1e-6 for error in fit.after.values())
    assert abs(float(fit.before["error_at_25.0_c"])) > 20.0
    assert fit.correction.thermistor is not None
    assert SteinhartHart(*fit.correction.thermistor).temp_c(3603.0) == pytest.approx(49.99, abs=0.05)


def test_thermistor_fit_refuses_nonsense() -> None:
    with pytest.raises(UserError, match="thermistor"):
        points.thermistor(
            ((0.0, 100.0), (50.0, 119.4), (100.0, 138.5)), SteinhartHart(1e-3, 2e-4, 1e-7), ProbeCorrection()
        )


@pytest.mark.parametrize("baths_c", [(0.0, 40.0, 90.0), (0.0, 20.0, 45.0)], ids=["hot", "lukewarm"])
def test_baths_told_in_fahrenheit_are_refused(baths_c: tuple[float, ...]) -> None:
    """They too make a curve of a thermistor, by which food at 22 °C is at 71."""
    true = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)  # 10 kΩ type 2
    rough = from_beta(3800.0, 10_000.0)
    ohms = [true.resistance_ohm(bath_c) for bath_c in baths_c]
    told_f = [32.0 + 1.8 * bath_c for bath_c in baths_c]
    with pytest.raises(UserError, match="°F"):
        points.thermistor(tuple(zip(told_f, ohms, strict=True)), rough, ProbeCorrection())
    points.thermistor(tuple(zip(baths_c, ohms, strict=True)), rough, ProbeCorrection())


@pytest.mark.parametrize("odd_c", [math.nan, -273.15, 194.0, math.inf])
def test_what_is_no_bath_is_refused_before_anybody_stirs(odd_c: float) -> None:
    with pytest.raises(UserError, match="150 °C"):
        points.check_baths([0.0, 40.0, odd_c])


# --- stops -----------------------------------------------------------------------------------------------


def answers(*words: str) -> command.Ask:
    waiting = iter(words)
    return lambda _question: next(waiting)


def bench() -> tuple[ServoVent, FakePulseOutput]:
    pulses = FakePulseOutput()
    return ServoVent("lower", pulses, curve=LINEAR_CURVE, sleep=lambda _: None), pulses


def test_stops_are_marked_where_the_plate_is() -> None:
    vent, pulses = bench()
    said: list[str] = []
    found = stops.find_stops(vent, answers("0.1", "+", "s", "0.8", "--", "-", "o", "q"), said.append)
    assert found.shut == pytest.approx(0.11)
    assert found.opened == pytest.approx(0.74)
    assert pulses.pulses_us[-1] == pytest.approx(1110.0)  # it ends shut


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("q",), "mark both"),
        (("0.8", "s", "0.2", "o", "q"), "reversed"),
        (("0.5", "s", "+", "o", "q"), "too close"),
        (("steam",), "part of the stroke"),
        (("1.5",), "part of the stroke"),
        (("nan",), "part of the stroke"),
    ],
)
def test_mistakes_are_told_and_nothing_is_taken(words: tuple[str, ...], told: str) -> None:
    vent, _ = bench()
    said: list[str] = []
    with pytest.raises(UserError, match="nothing was changed"):
        stops.find_stops(vent, answers(*words, "x"), said.append)
    assert told in "\n".join(said[1:])


def test_new_stops_drop_a_curve_that_belonged_to_the_old_ones() -> None:
    plain, backwards = (1000.0, 2000.0), (2000.0, 1000.0)
    old = VentCorrection(stop_shut=0.1, stop_open=0.9, ends_us=plain, curve=((0.0, 0.0), (1.0, 1.0)))
    # by steps of a hundredth a person comes to 0.09999999999999999
    assert stops.with_stops(stops.Stops(0.09999999999999999, 0.9), old, plain).curve is not None
    assert stops.with_stops(stops.Stops(0.2, 0.9), old, plain).curve is None
    assert stops.with_stops(stops.Stops(0.1, 0.9), old, backwards).curve is None


def test_stops_that_were_found_again_keep_the_curve() -> None:
    """Reached by hundredths, they differ from what was written down in the last bit."""
    vent, _ = bench()
    found = stops.find_stops(vent, answers(*["+"] * 6, "s", "0.9", "o", "q"), lambda _line: None)
    ends_us = (1000.0, 2000.0)
    first = stops.with_stops(found, VentCorrection(), ends_us)
    first = first.model_copy(update={"curve": ((0.0, 0.0), (1.0, 1.0))})
    assert stops.with_stops(found, first, ends_us) == first


# --- the file --------------------------------------------------------------------------------------------


def test_file_comes_back_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "state" / "calibration.json"
    assert load_calibration(path) == NOTHING
    calibration = Calibration(
        probes={"pit": ProbeCorrection(gain=1.01, offset_c=-0.3)},
        vents={"lower": VentCorrection(stop_shut=0.1, curve=((0.0, 0.0), (0.5, 0.3), (1.0, 1.0)))},
        log=(command.logged("ice", {"e": 0.3}, {"e": 0.0}),),
    )
    save_calibration(path, calibration)
    assert load_calibration(path) == calibration
    assert [entry.name for entry in path.parent.iterdir()] == ["calibration.json"]


def test_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "calibration.json"
    save_calibration(path, Calibration(probes={"pit": ProbeCorrection(offset_c=1.0)}))
    target = tmp_path / "elsewhere"
    target.mkdir()
    (target / "calibration.json").mkdir()  # a folder cannot be replaced by a file
    with pytest.raises(SettingsError, match="cannot be written"):
        save_calibration(target / "calibration.json", NOTHING)
    assert os.listdir(target) == ["calibration.json"]
    assert load_calibration(path).probes["pit"].offset_c == 1.0


def test_who_may_not_read_it_is_told_whose_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(*_args: object, **_words: object) -> str:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))  # root, who runs CI, may read anything

    monkeypatch.setattr(Path, "read_text", denied)
    with pytest.raises(SettingsError, match="sudo -u coalminder"):
        load_calibration(tmp_path / "calibration.json")


@pytest.mark.parametrize(
    "text", ["", "{", '{"probes": 3}', '{"surprise": 1}', '{"probes": {"pit": {"gain": 9}}}', "\xff"]
)
def test_damaged_file_is_told_with_its_name(tmp_path: Path, text: str) -> None:
    path = tmp_path / "calibration.json"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(SettingsError, match=r"calibration\.json"):
        load_calibration(path)


# --- the command, on simulated probes --------------------------------------------------------------------


def config(tmp_path: Path, temp_c: float = 0.8, noise_c: float = 0.02) -> Path:
    path = tmp_path / "coalminder.toml"
    path.write_text(
        f"""
calibration_file = {str(tmp_path / "calibration.json")!r}
[mqtt]
enabled = false
[probes.pit]
kind = "simulated"
temp_c = {temp_c}
noise_c = {noise_c}
[vents.lower]
driver = "simulated"
stroke_s = 0.1
settle_s = 0.02
""",
        encoding="utf-8",
    )
    return path


def test_ice_then_boil_leave_a_probe_that_is_right_and_a_dated_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--probe", "pit", "--seconds", "3"]
    assert main(["calibrate", "--config", str(config(tmp_path, 0.8)), "ice", *words]) == 0
    assert capsys.readouterr().out.startswith("reading 'pit' for 3 s: keep stirring\n")
    path = config(tmp_path, 98.4)
    assert main(["calibrate", "--config", str(path), "boil", *words, "--altitude-m", "350"]) == 0
    assert "reading 'pit' for 3 s: keep it boiling\n" in capsys.readouterr().out
    found = load_calibration(tmp_path / "calibration.json")
    correct = found.probes["pit"]
    # 350 m: 971.9 hPa (standard atmosphere), where water boils at 98.81 °C (steam tables, interpolated)
    assert correct.gain * 98.4 + correct.offset_c == pytest.approx(98.81, abs=0.05)
    assert correct.gain * 0.8 + correct.offset_c == pytest.approx(0.0, abs=0.05)
    assert [set(entry.after) for entry in found.log] == [{"ice_error_c"}, {"ice_error_c", "boil_error_c"}]
    assert all(entry.made_at.endswith("+00:00") for entry in found.log)
    capsys.readouterr()
    assert main(["calibrate", "--config", str(path), "show"]) == 0
    shown = capsys.readouterr().out
    assert shown.count("\n") == 2
    assert "ice_error_c 0.8" in shown


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["ice", "--probe", "dome"], "there are: pit"),
        (["ice", "--probe", "pit", "--seconds", "1"], "--seconds"),
        (["boil", "--probe", "pit"], "--altitude-m"),
        (["boil", "--probe", "pit", "--altitude-m", "0", "--pressure-hpa", "1000"], "either"),
        (["thermistor", "--probe", "pit", "--true-c", "0"], "three baths"),
        (
            ["thermistor", "--probe", "pit", "--true-c", "0", "--true-c", "50", "--true-c", "95"],
            "no thermistor",
        ),
        (["flow", "--cook", "no-such-cook.db"], "no-such-cook"),
    ],
)
def test_mistakes_are_one_line(
    tmp_path: Path, words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["calibrate", "--config", str(config(tmp_path)), *words]) == 2
    error = capsys.readouterr().err
    assert told in error
    assert error.count("\n") == 1
    assert not (tmp_path / "calibration.json").exists()


def test_a_simulated_probe_or_vent_does_not_correct_the_real_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = config(tmp_path)
    path.write_text(
        path.read_text().replace(f"calibration_file = {str(tmp_path / 'calibration.json')!r}\n", "")
    )
    assert main(["calibrate", "--config", str(path), "ice", "--probe", "pit", "--seconds", "3"]) == 2
    assert "'pit' is simulated" in capsys.readouterr().err
    with pytest.raises(UserError, match=r"vents\.lower\] is simulated"):
        command.fit_stops("lower", load_settings(path), NOTHING, answers("0.9", "x"), lambda _line: None)
    assert command.is_of_the_service(Path("/var/lib/coalminder/porch/calibration.json"))
    assert not command.is_of_the_service(tmp_path / "calibration.json")


def test_probe_that_is_not_steady_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = config(tmp_path, noise_c=2.0)
    assert main(["calibrate", "--config", str(path), "ice", "--probe", "pit", "--seconds", "4"]) == 2
    assert "steady" in capsys.readouterr().err


def test_two_calibrations_at_once_keep_each_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two probes in one glass of ice, from two terminals."""
    path = config(tmp_path)
    path.write_text(
        path.read_text("utf-8") + "[probes.char]\nkind = 'simulated'\ntemp_c = 0.5\nnoise_c = 0.02\n", "utf-8"
    )
    words = ["calibrate", "--config", str(path), "ice", "--seconds", "3", "--probe"]
    read = command.shown_c

    def meanwhile(*given: object) -> float:
        monkeypatch.setattr(command, "shown_c", read)
        assert main([*words, "char"]) == 0
        return 0.8

    monkeypatch.setattr(command, "shown_c", meanwhile)
    assert main([*words, "pit"]) == 0
    found = load_calibration(tmp_path / "calibration.json")
    assert found.probes["pit"].offset_c == pytest.approx(-0.8)
    assert found.probes["char"].offset_c == pytest.approx(-0.5, abs=0.05)
    assert len(found.log) == 2


def test_stops_are_written_and_used(tmp_path: Path) -> None:
    configured = load_settings(config(tmp_path))
    ask = answers("0.1", "s", "0.9", "o", "q")
    calibration = command.fit_stops("lower", configured, NOTHING, ask, lambda _line: None)
    assert calibration.vents["lower"].stop_shut == pytest.approx(0.1)
    assert calibration.log[-1].before == {"stop_shut": 0.0, "stop_open": 1.0}
    assert calibration.log[-1].after == {"stop_shut": 0.1, "stop_open": 0.9}
    assert json.loads(calibration.model_dump_json())["vents"]["lower"]["stop_open"] == 0.9


@pytest.mark.parametrize(
    ("edited", "shut_us"),
    [("reversed = true", 2000.0), ("pulse_max_us = 2400", 1000.0), ("pulse_min_us = 600", 600.0)],
)
def test_stops_found_on_another_stroke_are_not_used(tmp_path: Path, edited: str, shut_us: float) -> None:
    """A tenth of a stroke is another place on another stroke: of a servo turned round, the open end."""
    path = config(tmp_path)
    ask = answers("0.3", "s", "0.9", "o", "q")
    calibration = command.fit_stops("lower", load_settings(path), NOTHING, ask, lambda _line: None)
    configured = load_settings(path)
    save_calibration(configured.calibration_file, calibration)
    assert configured.vents is not None
    assert build_vents(configured.vents, calibration)["lower"].stroke.pulse_us(0.0) == 1300.0
    assert read_plans(path)[0].pulse_us == 1300.0
    path.write_text(path.read_text("utf-8").replace("[vents.lower]\n", f"[vents.lower]\n{edited}\n"), "utf-8")
    configured = load_settings(path)
    assert configured.vents is not None
    with pytest.raises(
        SettingsError, match=r"vents\.lower: .*1000 \(shut\) to 2000 µs.*calibrate stops --vent"
    ):
        build_vents(configured.vents, calibration)
    assert read_plans(path)[0].pulse_us == shut_us  # the end of the stroke that the configuration calls shut
    ask = answers("0.3", "s", "0.9", "o", "q")
    again = command.fit_stops("lower", configured, calibration, ask, lambda _line: None)
    build_vents(configured.vents, again)


@pytest.mark.parametrize(
    "vent", [{"stop_shut": 0.9, "stop_open": 0.1}, {"curve": [[0, 0], [0.5, 0.6], [0.7, 0.4], [1, 1]]}]
)
def test_a_senseless_vent_is_told_as_calibrated(tmp_path: Path, vent: dict[str, object]) -> None:
    """The configuration is right, and nobody finds a fault there."""
    file = tmp_path / "calibration.json"
    file.write_text(json.dumps({"vents": {"lower": vent}}), "utf-8")
    configured = load_settings(config(tmp_path))
    assert configured.vents is not None
    with pytest.raises(SettingsError, match=r"vents\.lower: .*; calibrated: mend the calibration file, or"):
        build_vents(configured.vents, load_calibration(file))


def test_stops_of_a_vent_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"vents\.upper"):
        command.fit_stops("upper", load_settings(config(tmp_path)), NOTHING, answers(), lambda _line: None)


def test_a_link_that_takes_the_drafts_place_has_no_other_file_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder is the service's user's, who may exchange what root writes there at any moment."""
    folder, other = tmp_path / "state", tmp_path / "of-root"
    folder.mkdir()
    other.touch(0o600)
    flush = os.fsync

    def exchanged(handle: int) -> None:
        flush(handle)
        for draft in folder.glob("*.new"):
            draft.unlink()
            draft.symlink_to(other)

    monkeypatch.setattr(os, "fsync", exchanged)
    save_calibration(folder / "calibration.json", Calibration())
    assert other.stat().st_mode & 0o777 == 0o600
