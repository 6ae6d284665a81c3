"""`coalminder calibrate`: correct probes, find vent stops, learn the flow curve. Writes one file."""

from __future__ import annotations

import argparse
import asyncio
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from coalminder.calibrate import flow, points, stops, water
from coalminder.errors import UserError
from coalminder.places import DEFAULT_CONFIG, state_folder
from coalminder.probes.build import curve_in_force
from coalminder.probes.command import Ask, ask_person, try_probes
from coalminder.settings import Settings, load_settings
from coalminder.settings.calibration import (
    HOW_MAX,
    NOTHING,
    Calibration,
    Entry,
    ProbeCorrection,
    VentCorrection,
    load_calibration,
    save_calibration,
)
from coalminder.settings.probes import I2cThermistor, SpiThermistor
from coalminder.settings.vents import SimulatedVent
from coalminder.values import Phase, Reading
from coalminder.vents.build import build_vent
from coalminder.vents.by_hand import by_hand
from coalminder.vents.curve import DEFAULT_CURVE, FlowCurve

_FLOW = "flow curve from"
Say = Callable[[str], None]
Figures = Mapping[str, object]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `calibrate`."""
    parser.add_argument(
        "--config", type=Path, default=DEFAULT_CONFIG, metavar="FILE", help=f"default {DEFAULT_CONFIG}"
    )
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    add = partial(what.add_parser, allow_abbrev=False)
    ice = add("ice", help="a probe in crushed ice and a little water, stirred")
    boil = add("boil", help="a probe in boiling water, not touching the pot")
    boil.add_argument("--altitude-m", type=float, metavar="M", help="height above the sea")
    boil.add_argument(
        "--sea-level-hpa", type=float, default=water.SEA_LEVEL_HPA, metavar="P", help="of the weather report"
    )
    boil.add_argument("--pressure-hpa", type=float, metavar="P", help="pressure of a barometer where you are")
    ntc = add("thermistor", help="three baths beside a thermometer that you trust")
    ntc.add_argument("--true-c", type=float, action="append", required=True, metavar="C", help="thrice")
    for bath in (ice, boil, ntc):
        bath.add_argument("--probe", required=True, metavar="NAME")
        bath.add_argument("--seconds", type=float, default=30.0, metavar="S", help="default 30")
    ends = add("stops", help="where the plate is just shut and just open, by hand and eye")
    ends.add_argument("--vent", choices=("lower", "upper"), required=True)
    learned = add("flow", help="the flow curve of the lower vent, from a recorded cook")
    learned.add_argument("--cook", type=Path, required=True, metavar="FILE", help="a record of the journal")
    forgotten = add("forget", help="of a probe or vent that was exchanged: use it as configured")
    which = forgotten.add_mutually_exclusive_group(required=True)
    which.add_argument("--probe", metavar="NAME")
    which.add_argument("--vent", choices=("lower", "upper"))
    add("show", help="all calibrations so far")


def run(args: argparse.Namespace) -> int:
    """Do one calibration and write it down; 0 when it was written."""
    settings = load_settings(args.config)
    calibration = load_calibration(settings.calibration_file)
    if args.what == "show":
        show(calibration, _say)
        return 0
    jobs = {
        "ice": _ice,
        "boil": _boil,
        "thermistor": _thermistor,
        "stops": _stops,
        "flow": _flow,
        "forget": _forget,
    }
    found = jobs[args.what](args, settings, calibration)
    changed = beside(load_calibration(settings.calibration_file), calibration, found)
    save_calibration(settings.calibration_file, changed)
    entry = changed.log[-1]
    _say(f"{entry.how}")
    for key in {**entry.before, **entry.after}:
        _say(f"  {key}: {entry.before.get(key, '-')} -> {entry.after.get(key, '-')}")
    _say(f"written to {settings.calibration_file}; restart the service to use it")
    return 0


def beside(there: Calibration, before: Calibration, after: Calibration) -> Calibration:
    """What changed from `before` to `after`, in what is `there` by now.

    A bath takes its time, and a second terminal may have calibrated another probe in it meanwhile.
    """
    probes = {name: found for name, found in after.probes.items() if found != before.probes.get(name)}
    vents = {name: found for name, found in after.vents.items() if found != before.vents.get(name)}
    return there.model_copy(
        update={
            "probes": {**there.probes, **probes},
            "vents": {**there.vents, **vents},
            "log": (*there.log, *after.log[len(before.log) :]),
        }
    )


def show(calibration: Calibration, say: Say) -> None:
    """One line for every calibration made."""
    for entry in calibration.log:
        changes = (f"{key} {entry.before.get(key, '-')} -> {value}" for key, value in entry.after.items())
        say(f"{entry.made_at}  {entry.how}: {', '.join(changes)}".removesuffix(": "))
    if not calibration.log:
        say("nothing was calibrated yet")


def logged(how: str, before: Figures, after: Figures) -> Entry:
    """The entry of the log for a calibration made now."""
    made_at = datetime.now(UTC).isoformat(timespec="seconds")
    return Entry.model_validate({"made_at": made_at, "how": how, "before": before, "after": after})


def with_probe(calibration: Calibration, name: str, fit: points.Fit, how: str) -> Calibration:
    """The calibration with a new correction of one probe."""
    return calibration.model_copy(
        update={
            "probes": {**calibration.probes, name: fit.correction},
            "log": (*calibration.log, logged(how, fit.before, fit.after)),
        }
    )


def shown_c(
    settings: Settings, calibration: Calibration, name: str, seconds: float, meanwhile: str = "keep stirring"
) -> float:
    """What the probe shows without its correction, mean over `seconds`, °C. UserError if not steady.

    meanwhile: what the person does.
    """
    if settings.probes is None or name not in settings.probes:
        known = ", ".join(settings.probes or {}) or "none"
        raise UserError(f"there is no probe '{name}' in the configuration (there are: {known})")
    if not 3.0 <= seconds <= 600.0:
        raise UserError(f"--seconds {seconds:g}: 3 to 600")
    if settings.probes[name].kind == "simulated":
        _refuse_practice(f"probe '{name}' is simulated", settings.calibration_file)
    _say(f"reading '{name}' for {seconds:g} s: {meanwhile}")
    found = calibration.probes.get(name)
    curve_only = (
        Calibration(probes={name: ProbeCorrection(thermistor=found.thermistor)}) if found else NOTHING
    )
    alone = settings.model_copy(update={"probes": {name: settings.probes[name]}})
    (trial,) = asyncio.run(try_probes(alone, curve_only, seconds))
    if trial.mean_c is None or trial.faults:
        raise UserError(f"probe '{name}': {trial.detail or trial.verdict}; {trial.remedy or 'see check'}")
    noise_c, drift = trial.noise_c or 0.0, abs(trial.drift_c_per_min or 0.0)
    if noise_c > points.STEADY_C or (drift > points.DRIFT_C_PER_MIN and drift * seconds / 60.0 > 0.1):
        raise UserError(
            f"'{name}' is not steady (noise {noise_c:.2f} °C, drift {drift:.1f} °C/min): stir, then again"
        )
    return trial.mean_c


def _refuse_practice(what: str, path: Path) -> None:
    """UserError when what was found without hardware would be used with it."""
    if is_of_the_service(path):
        raise UserError(
            f"{what}, and its correction would go to {path}, where the service looks; to practise, name "
            "another calibration_file in the configuration"
        )


def is_of_the_service(path: Path) -> bool:
    """Whether a calibration file is one that the service reads, also that of a further grill."""
    return path.absolute().is_relative_to(state_folder(DEFAULT_CONFIG))


def _ice(args: argparse.Namespace, settings: Settings, calibration: Calibration) -> Calibration:
    shown = shown_c(settings, calibration, args.probe, args.seconds)
    fit = points.at_ice(shown, calibration.probes.get(args.probe, ProbeCorrection()))
    return with_probe(calibration, args.probe, fit, f"probe '{args.probe}' in ice, shows {shown:.2f} °C")


def _boil(args: argparse.Namespace, settings: Settings, calibration: Calibration) -> Calibration:
    if (args.altitude_m is None) == (args.pressure_hpa is None):
        raise UserError("give either --altitude-m (and --sea-level-hpa) or --pressure-hpa")
    at_hpa = args.pressure_hpa
    if at_hpa is None:
        at_hpa = water.pressure_hpa(args.altitude_m, args.sea_level_hpa)
    true_c = water.boiling_point_c(at_hpa)
    shown = shown_c(settings, calibration, args.probe, args.seconds, "keep it boiling")
    fit = points.at_boil(shown, true_c, calibration.probes.get(args.probe, ProbeCorrection()))
    bath = f"water boiling at {true_c:.2f} °C ({at_hpa:.0f} hPa)"
    how = f"probe '{args.probe}' in {bath}, shows {shown:.2f} °C"
    return with_probe(calibration, args.probe, fit, how)


def _thermistor(args: argparse.Namespace, settings: Settings, calibration: Calibration) -> Calibration:
    return fit_thermistor(args.true_c, args.probe, args.seconds, settings, calibration, ask_person)


def fit_thermistor(
    true_c: list[float],
    name: str,
    seconds: float,
    settings: Settings,
    calibration: Calibration,
    ask: Ask,
    read: Callable[[Settings, Calibration, str, float], float] = shown_c,
) -> Calibration:
    """Read a thermistor in three baths, one after the other, and fit its curve. `read`: as `shown_c`."""
    points.check_baths(true_c)
    block = (settings.probes or {}).get(name)
    if not isinstance(block, SpiThermistor | I2cThermistor):
        raise UserError(f"probe '{name}' is no thermistor; use 'calibrate ice' and 'calibrate boil'")
    earlier = calibration.probes.get(name, ProbeCorrection())
    curve = curve_in_force(name, block.thermistor, earlier)
    measured = []
    for bath_c in true_c:
        ask(f"put '{name}' into the bath of {bath_c:g} °C, stir, wait a minute, then press Enter ")
        # The converter measures ohms; what it shows goes back to ohms through the curve in force.
        shown = read(settings, calibration, name, seconds) - block.offset_c
        measured.append((bath_c, curve.resistance_ohm(shown)))
    fit = points.thermistor(measured, curve, earlier, block.offset_c)
    return with_probe(calibration, name, fit, f"thermistor '{name}' in three baths")


def _stops(args: argparse.Namespace, settings: Settings, calibration: Calibration) -> Calibration:
    with by_hand(settings.journal.directory, settings.wires):
        return fit_stops(args.vent, settings, calibration, ask_person, _say)


def fit_stops(name: str, settings: Settings, calibration: Calibration, ask: Ask, say: Say) -> Calibration:
    """Let the person find the stops of a vent."""
    block = settings.vents.by_name().get(name) if settings.vents else None
    if block is None:
        raise UserError(f"there is no [vents.{name}] in the configuration")
    if isinstance(block, SimulatedVent):
        _refuse_practice(f"[vents.{name}] is simulated", settings.calibration_file)
    whole = block.model_copy(update={"stop_shut": 0.0, "stop_open": 1.0})
    try:
        vent = build_vent(name, whole)
    except OSError as error:
        raise UserError(f"[vents.{name}]: {error}") from error
    try:
        found = stops.find_stops(vent, ask, say)
    except OSError as error:
        raise UserError(f"[vents.{name}]: {error}; check its wires and its supply") from error
    finally:
        vent.close()
    earlier = calibration.vents.get(name, VentCorrection())
    correction = stops.with_stops(found, earlier, block.ends_us)
    before = {
        "stop_shut": block.stop_shut if earlier.stop_shut is None else earlier.stop_shut,
        "stop_open": block.stop_open if earlier.stop_open is None else earlier.stop_open,
    }
    after = {"stop_shut": correction.stop_shut, "stop_open": correction.stop_open}
    return _with_vent(calibration, name, correction, _stops_line(name), before, after)


def _flow(args: argparse.Namespace, settings: Settings, calibration: Calibration) -> Calibration:
    from coalminder.journal import read

    earlier = calibration.vents.get("lower", VentCorrection())
    block = settings.vents.lower if settings.vents else None
    configured = earlier.curve or (block.curve if block else None)
    old = FlowCurve(configured) if configured else DEFAULT_CURVE
    calibrated_s = vent_calibrated_s(calibration, "lower")
    with read(args.cook) as record:
        moments = []
        for step in record.steps():
            if step.utc_s < calibrated_s:
                raise UserError(
                    f"record '{args.cook}' is from before the lower vent's last calibration: its openings "
                    "were other positions then; choose a cook made since, with the service started anew"
                )
            done, seen = step.decision, step.inputs
            ambient_c = seen.ambient.temp_c if isinstance(seen.ambient, Reading) else settings.grill.ambient
            steady = done.pit_c is not None and done.probe_ok and not done.lid_off
            steady = steady and done.phase in (Phase.SETTLING, Phase.TENDING, Phase.EASING)
            moments.append(flow.Moment(step.now_s, done.lower, done.pit_c or 0.0, ambient_c, steady))
    learned = flow.learn(moments, old)
    correction = earlier.model_copy(update={"curve": learned.curve.points})
    at = (learned.lowest_position, learned.highest_position)
    before = {f"flow_at_{position:.3f}": round(old.opening(position), 4) for position in at}
    after: dict[str, float | str] = {f"flow_at_{p:.3f}": round(learned.curve.opening(p), 4) for p in at}
    after |= {
        "stretches": learned.windows,
        "scatter": round(learned.scatter, 3),
        "bend": round(learned.bend, 3),
    }
    how = f"{_FLOW} {args.cook.name}"[:HOW_MAX]
    return _with_vent(calibration, "lower", correction, how, before, after)


def _forget(args: argparse.Namespace, _settings: Settings, calibration: Calibration) -> Calibration:
    """No correction of that name any more: what is plugged in there now is another one."""
    corrected = {name for name, found in calibration.probes.items() if found != ProbeCorrection()}
    if args.vent is None:
        if args.probe not in corrected:
            known = ", ".join(sorted(corrected)) or "none"
            raise UserError(f"no probe '{args.probe}' was calibrated (there are: {known})")
        nothing = points.Fit(ProbeCorrection(), {}, {})
        return with_probe(calibration, args.probe, nothing, f"corrections of probe '{args.probe}' forgotten")
    if calibration.vents.get(args.vent, VentCorrection()) == VentCorrection():
        raise UserError(f"the {args.vent} vent was not calibrated")
    how = f"{_stops_line(args.vent)} forgotten, and its curve"
    return _with_vent(calibration, args.vent, VentCorrection(), how, {}, {})


def vent_calibrated_s(calibration: Calibration, name: str) -> float:
    """When stops or curve of a vent were last calibrated, Unix seconds; 0 when never."""
    hows = (_stops_line(name), _FLOW) if name == "lower" else (_stops_line(name),)
    made_s = 0.0
    for entry in calibration.log:
        with suppress(ValueError):  # a date that somebody wrote by hand
            if entry.how.startswith(hows):
                made_s = max(made_s, datetime.fromisoformat(entry.made_at).timestamp())
    return made_s


def _stops_line(name: str) -> str:
    return f"stops of the {name} vent"


def _with_vent(
    calibration: Calibration, name: str, correction: VentCorrection, how: str, before: Figures, after: Figures
) -> Calibration:
    return calibration.model_copy(
        update={
            "vents": {**calibration.vents, name: correction},
            "log": (*calibration.log, logged(how, before, after)),
        }
    )


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()
