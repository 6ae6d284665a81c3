"""`calibrate thermistor` and `calibrate flow`, from the wire and from a record to the file."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from fake_chips import fake_mcp3x08
from recorded_cook import UTC_S, CookState

from coalminder.calibrate import command
from coalminder.cli import main
from coalminder.errors import UserError
from coalminder.journal import Journal, Start
from coalminder.probes.build import build_probes, curve_in_force
from coalminder.probes.buses import Buses
from coalminder.probes.thermistor import Divider, SteinhartHart, from_beta
from coalminder.settings import Settings, load_settings
from coalminder.settings.calibration import (
    NOTHING,
    Calibration,
    Entry,
    ProbeCorrection,
    VentCorrection,
    load_calibration,
    save_calibration,
)
from coalminder.values import Decision, Inputs, Phase, ProbeFault, ProbeFaultKind, Reading
from coalminder.vents.build import build_vents
from coalminder.vents.curve import DEFAULT_CURVE

TRUE = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)  # 10 kΩ type 2


def config(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "coalminder.toml"
    path.write_text(
        f"calibration_file = {str(tmp_path / 'calibration.json')!r}\n[mqtt]\nenabled = false\n{text}",
        encoding="utf-8",
    )
    return path


def test_thermistor_with_a_rough_beta_becomes_exact_in_its_three_baths(
    tmp_path: Path,
) -> None:
    """The probe is read through the curve in force; what it then shows goes back to ohms exactly."""
    block = "[probes.pit]\nkind='mcp3208'\nchannel=0\noffset_c=0.5\n[probes.pit.thermistor]\nbeta_k=3800.0\n"
    settings = load_settings(config(tmp_path, block))
    wrong = from_beta(3800.0, 10_000.0)
    baths = iter([0.0, 48.0, 96.0])

    def read(_settings: Settings, _calibration: Calibration, _name: str, _seconds: float) -> float:
        return wrong.temp_c(TRUE.resistance_ohm(next(baths))) + 0.5

    asked: list[str] = []
    calibration = command.fit_thermistor(
        [0.0, 48.0, 96.0], "pit", 30.0, settings, NOTHING, lambda question: asked.append(question) or "", read
    )
    found = calibration.probes["pit"].thermistor
    assert found is not None
    for temp_c in (0.0, 25.0, 63.0, 93.0):
        assert SteinhartHart(*found).temp_c(TRUE.resistance_ohm(temp_c)) == pytest.approx(temp_c, abs=0.001)
    assert [f"{bath:g} °C" in question for bath, question in zip((0, 48, 96), asked, strict=True)] == [
        True
    ] * 3
    # and the probe built with it shows the truth, whatever offset the configuration adds
    for true_c in (0.0, 48.0, 93.0):
        counts = round(4096 * Divider(TRUE).ratio(TRUE.resistance_ohm(true_c)))
        wires = Buses(open_spi=lambda *_, counts=counts: fake_mcp3x08({0: counts}, 12))
        shown = build_probes(settings.probes or {}, calibration, buses=wires)["pit"].read()
        assert isinstance(shown, Reading)
        assert shown.temp_c == pytest.approx(true_c, abs=0.06)  # one count at 93 °C
    before, after = calibration.log[-1].before, calibration.log[-1].after
    assert float(before["error_at_96.0_c"]) == pytest.approx(
        wrong.temp_c(TRUE.resistance_ohm(96.0)) + 0.5 - 96.0, abs=1e-3
    )
    assert abs(float(before["error_at_96.0_c"])) > 1.0
    assert abs(float(after["error_at_96.0_c"])) < 1e-3


@pytest.mark.parametrize(
    "true_c", [[0.0, 48.0, math.nan], [0.0, -273.15, 96.0], [0.0, 95.0, 96.0], [0.0, 0.0, 96.0]]
)
def test_baths_that_make_no_curve_are_refused_before_anyone_fills_one(
    tmp_path: Path, true_c: list[float]
) -> None:
    block = "[probes.pit]\nkind='mcp3208'\nchannel=0\n[probes.pit.thermistor]\nbeta_k=3800.0\n"
    settings = load_settings(config(tmp_path, block))

    def ask(question: str) -> str:
        raise AssertionError(question)

    with pytest.raises(UserError, match="--true-c"):
        command.fit_thermistor(true_c, "pit", 30.0, settings, NOTHING, ask)


def test_curve_in_force_is_the_calibrated_one(tmp_path: Path) -> None:
    block = "[probes.pit]\nkind='mcp3208'\nchannel=0\n[probes.pit.thermistor]\nbeta_k=3800.0\n"
    thermistor = load_settings(config(tmp_path, block)).probes["pit"].thermistor  # type: ignore[index]
    calibrated = Calibration(probes={"pit": ProbeCorrection(thermistor=(TRUE.a, TRUE.b, TRUE.c))})
    assert curve_in_force("pit", thermistor, ProbeCorrection()) == from_beta(3800.0, 10_000.0)
    assert curve_in_force("pit", thermistor, calibrated.probes["pit"]) == TRUE


@pytest.fixture
def cook(tmp_path: Path) -> Path:
    """A record of five hours in which the true curve is the default one bent by +0.3."""
    start = Start("0.1.0", {}, UTC_S, CookState())
    journal = Journal(tmp_path / "cooks", start, None)
    pit_c, at_s = 93.0, 0.0
    gain_c = 84.0 / (0.1 * DEFAULT_CURVE.position(0.1) ** 0.3)
    ambients = (Reading(9.0), ProbeFault(ProbeFaultKind.TIMEOUT, "no answer"))
    for hour, opening in enumerate((0.06, 0.1, 0.08, 0.12, 0.07)):
        flow = opening * DEFAULT_CURVE.position(opening) ** 0.3
        for step in range(720):
            at_s += 5.0
            pit_c += (9.0 + gain_c * flow - pit_c) * (1.0 - math.exp(-5.0 / 900.0))
            lifted = hour == 2 and step < 24
            decision = Decision(
                Phase.LID_OFF if lifted else Phase.TENDING, 93.0, opening, 0.3, pit_c, lid_off=lifted
            )
            inputs = Inputs(Reading(pit_c), ambient=ambients[step % 2])
            journal.record(at_s, UTC_S + at_s, inputs, decision, CookState())
            if step % 100 == 99:
                assert journal.flush(20.0)  # its queue is made for one step a second
    assert journal.flush(20.0)
    journal.close()
    (path,) = (tmp_path / "cooks").glob("*.*")
    return path


def test_flow_curve_is_learned_from_a_record_and_used_by_the_vent(
    tmp_path: Path, cook: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cook = cook.rename(cook.with_name("c" * 200 + cook.suffix))  # a name that the log cannot hold
    text = "[grill]\nambient = 9.0\n[vents.lower]\ndriver='simulated'\n"
    path = config(tmp_path, text)
    assert main(["calibrate", "--config", str(path), "flow", "--cook", str(cook)]) == 0
    out = capsys.readouterr().out
    assert "scatter" in out
    calibration = load_calibration(tmp_path / "calibration.json")
    curve = build_vents(load_settings(path).vents, calibration)["lower"].curve  # type: ignore[arg-type]
    low, high = DEFAULT_CURVE.position(0.06), DEFAULT_CURVE.position(0.12)
    wanted = 2.0 * (high / low) ** 0.3
    assert curve.opening(high) / curve.opening(low) == pytest.approx(wanted, rel=0.06)
    assert calibration.log[-1].how.startswith("flow curve from cccc")
    # once more: the same openings are other positions on the new curve, and the bend would be learned twice
    capsys.readouterr()
    assert main(["calibrate", "--config", str(path), "flow", "--cook", str(cook)]) == 2
    assert "before the lower vent's last calibration" in capsys.readouterr().err
    assert load_calibration(tmp_path / "calibration.json") == calibration


@pytest.mark.parametrize(
    ("how", "made_at", "refused"),
    [
        ("stops of the lower vent", "2026-06-01T00:00:00+00:00", True),
        ("stops of the lower vent", "2026-03-01T00:00:00+00:00", False),
        ("stops of the upper vent", "2026-06-01T00:00:00+00:00", False),
        ("probe 'pit' in ice, shows 0.5 °C", "2026-06-01T00:00:00+00:00", False),
        ("stops of the lower vent", "last summer", False),
    ],
    ids=["stops since", "stops before", "the other vent", "a probe", "no date"],
)
def test_a_cook_from_before_the_stops_is_not_learned_from(
    tmp_path: Path, cook: Path, how: str, made_at: str, refused: bool
) -> None:
    """The cook is of April 2026."""
    path = config(tmp_path, "[grill]\nambient = 9.0\n[vents.lower]\ndriver='simulated'\n")
    entry = Entry(made_at=made_at, how=how)
    save_calibration(tmp_path / "calibration.json", Calibration(log=(entry,)))
    assert main(["calibrate", "--config", str(path), "flow", "--cook", str(cook)]) == (2 if refused else 0)


def test_record_that_is_none_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    junk = tmp_path / "junk.db"
    junk.write_bytes(b"no record")
    path = config(tmp_path, "[vents.lower]\ndriver='simulated'\n")
    assert main(["calibrate", "--config", str(path), "flow", "--cook", str(junk)]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_probe_that_was_exchanged_is_used_as_configured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Else the new one would show by the curve of the old one, whatever its data sheet says."""
    block = "[probes.pit]\nkind='mcp3208'\nchannel=0\n[probes.pit.thermistor]\nbeta_k=3800.0\n"
    where = config(tmp_path, block)
    old = ProbeCorrection(gain=1.1, thermistor=(TRUE.a, TRUE.b, TRUE.c))
    other = ProbeCorrection(offset_c=0.4, ice_shown_c=-0.4)
    save_calibration(tmp_path / "calibration.json", Calibration(probes={"pit": old, "char": other}))
    assert main(["calibrate", "--config", str(where), "forget", "--probe", "pit"]) == 0
    settings, found = load_settings(where), load_calibration(tmp_path / "calibration.json")
    thermistor = settings.probes["pit"].thermistor  # type: ignore[index]
    assert curve_in_force("pit", thermistor, found.probes["pit"]) == from_beta(3800.0, 10_000.0)
    assert found.probes["pit"].gain == 1.0
    assert found.probes["char"] == other
    capsys.readouterr()
    assert main(["calibrate", "--config", str(where), "forget", "--probe", "pit"]) == 2
    assert "(there are: char)" in capsys.readouterr().err
    assert main(["calibrate", "--config", str(where), "show"]) == 0
    assert capsys.readouterr().out.endswith("corrections of probe 'pit' forgotten\n")


def test_a_vent_that_was_exchanged_has_its_configured_stops_and_learns_from_no_cook_before(
    tmp_path: Path,
) -> None:
    where = config(tmp_path, "[vents.lower]\ndriver='simulated'\n")
    found = VentCorrection(stop_shut=0.2, stop_open=0.8, ends_us=(1000.0, 2000.0))
    save_calibration(tmp_path / "calibration.json", Calibration(vents={"lower": found}))
    assert main(["calibrate", "--config", str(where), "forget", "--vent", "lower"]) == 0
    left = load_calibration(tmp_path / "calibration.json")
    assert left.vents["lower"] == VentCorrection()
    assert command.vent_calibrated_s(left, "lower") > 0.0
    assert main(["calibrate", "--config", str(where), "forget", "--vent", "lower"]) == 2
