"""`coalminder check`: try every probe and vent of the configuration, with a remedy for each failure."""

from __future__ import annotations

import argparse
import asyncio
import os
import pwd
import socket
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from coalminder.errors import UserError
from coalminder.journal.folder import tried
from coalminder.messages.options import LinkOptions
from coalminder.places import DEFAULT_CONFIG, is_of_a_further, state_folder
from coalminder.probes.build import build_probes, deadlines, guard_limits
from coalminder.probes.find import board_name, find_buses, find_chips
from coalminder.probes.listen import dialled, listening
from coalminder.probes.reader import ProbeReader
from coalminder.probes.topic import TopicProbe
from coalminder.probes.trial import Trial, apart, judge, table, with_units
from coalminder.seams import Probe
from coalminder.settings import Settings, load_settings
from coalminder.settings.calibration import Calibration, load_calibration
from coalminder.settings.vents import Pca9685Vent, Servo, VentsSettings
from coalminder.values import Sample
from coalminder.vents.build import build_vent
from coalminder.vents.by_hand import by_hand
from coalminder.vents.servo import ServoVent

SERVICE_USER = "coalminder"  # of the units in systemd/
BROKER_WITHIN_S = 2.0
CREDENTIALS = DEFAULT_CONFIG.parent / "credentials"  # where the units take their passwords from
STROKE = (0.0, 0.25, 0.5, 0.75, 1.0, 0.5, 0.0)  # plate positions
Ask = Callable[[str], str]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `check`."""
    add = parser.add_argument
    add("--config", type=Path, default=DEFAULT_CONFIG, metavar="FILE", help=f"default {DEFAULT_CONFIG}")
    add("--seconds", type=float, default=10.0, metavar="S", help="how long to read the probes (default 10)")
    add("--yes", action="store_true", help="move the vents without asking, and take every answer for yes")
    add("--no-move", action="store_true", help="do not move the vents")


def run(args: argparse.Namespace) -> int:
    """0 when all probes and vents are good, 1 when not."""
    if not 1.0 <= args.seconds <= 3600.0:
        raise UserError(f"--seconds {args.seconds:g}: 1 to 3600")
    settings = load_settings(args.config)
    if settings.probes is None and settings.vents is None:
        raise UserError(
            f"{args.config}: no [probes], no [vents]; describe your wiring there (docs/wiring.md)"
        )
    calibration = load_calibration(settings.calibration_file)
    say = sys.stdout
    show_buses(settings, say)
    parts = try_parts(settings, args.config)
    say.write("\n" + table(("for the service", "verdict", "remedy"), parts) + "\n")
    good, left_out = all(row[1] == "good" for row in parts), ""
    if settings.probes is not None:
        say.write(f"\nreading the probes for {args.seconds:g} s ...\n")
        say.flush()
        trials = asyncio.run(try_probes(settings, calibration, args.seconds))
        show_trials(settings, trials, say)
        good = good and all(trial.good for trial in trials)
        left_out = "; probes differ" if apart(trials) else ""
    if settings.vents is not None and args.no_move:
        left_out = f"; vents not tried{left_out}"
    elif settings.vents is not None:
        ask: Ask = (lambda question: "y") if args.yes else ask_person
        with by_hand(settings.journal.directory, settings.wires):
            rows = try_vents(settings.vents, calibration, ask)
        say.write("\n" + table(("vent", "driver", "verdict", "remedy"), rows) + "\n")
        good = good and all(row[2] == "good" for row in rows)
    say.write(f"\nall good{left_out}\n" if good else f"\nnot all good{left_out}: see the remedies above\n")
    return 0 if good else 1


def try_parts(settings: Settings, config: Path) -> list[tuple[str, str, str]]:
    """What `tend` needs besides probes and vents, with what it would say: (part, verdict, remedy)."""
    from coalminder.service.command import link_options, refuse_unwired

    wanted: tuple[tuple[str, Callable[[], object]], ...] = (
        ("wiring", lambda: refuse_unwired(settings)),
        ("food", settings.plan),
        ("broker's files", lambda: link_options(settings)),
        ("records", lambda: try_records(settings.journal.directory)),
    )
    rows = []
    for part, use in wanted:
        try:
            use()
            rows.append((part, "good", ""))
        except UserError as error:
            rows.append((part, "fault", str(error)))
    if settings.mqtt.enabled:
        rows.append(("broker", *try_broker(settings, config)))
    return rows


def try_broker(settings: Settings, config: Path) -> tuple[str, str]:
    """Whether the broker is there and lets the service in: (verdict, remedy)."""
    mqtt = settings.mqtt
    try:
        socket.create_connection((mqtt.host, mqtt.port), BROKER_WITHIN_S).close()
    except OSError as error:
        why = error.strerror or str(error)
        told = f"{mqtt.host}:{mqtt.port}: {why}; start the broker (docs/mqtt.md), or correct [mqtt]"
        return "not reached", told
    try:
        options = LinkOptions.from_settings(mqtt.model_dump())
    except UserError:  # told as that of the broker's files
        return "not tried", ""
    with dialled(options) as trouble:
        if not trouble:
            return "good", ""
    told = f"{trouble}; correct [mqtt], first its username and password (docs/mqtt.md)"
    if options.password is None:
        told += f"; no password was given: for the service's, '{with_password(config)}'"
    return "no entry", told


def with_password(config: Path) -> str:
    """The command that tries `config` with the password of its unit (docs/hardware.md)."""
    of_a_further = f"{config.stem}_" if is_of_a_further(config) else ""
    password = f"COALMINDER_MQTT__PASSWORD_FILE={CREDENTIALS}/{of_a_further}mqtt_password"
    return f"sudo env {password} coalminder check" + (
        f" --config {config}" if config != DEFAULT_CONFIG else ""
    )


def try_records(folder: Path) -> None:
    """UserError when this user, or for root the service's user, could not make files in `folder`."""
    tried(folder)
    unit_makes_it = folder.is_relative_to(state_folder(DEFAULT_CONFIG)) and not folder.exists()
    if os.geteuid() != 0 or unit_makes_it:
        return
    try:
        user = pwd.getpwnam(SERVICE_USER)
    except KeyError:  # not installed: nobody else tends
        return
    there = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    found = there.stat()
    groups = os.getgrouplist(user.pw_name, user.pw_gid)
    shift = 6 if found.st_uid == user.pw_uid else 3 if found.st_gid in groups else 0
    if (found.st_mode >> shift) & 0o3 != 0o3:
        raise UserError(
            f"journal.directory {folder}: the service's user '{SERVICE_USER}' cannot write in {there}; "
            "change its owner"
        )


def show_buses(settings: Settings, say: TextIO) -> None:
    """The table of buses; a remedy only where the configuration needs what is missing."""
    needed = _needed(settings)
    vents = settings.vents.by_name().values() if settings.vents is not None else ()
    servos_at = [vent.address for vent in vents if isinstance(vent, Pca9685Vent)]
    rows = [("board", board_name() or "not a Raspberry Pi", "")]
    for found in find_buses():
        missing = not found.names and found.bus in needed
        shown = " ".join(found.names) or ("missing" if missing else "none (not needed)")
        rows.append((found.bus, shown, found.remedy if missing else ""))
        if found.bus == "I2C" and found.names:
            chips = find_chips(found.names, servos_at)
            rows.append(("", ", ".join(chips) or "no chip that we know answers", ""))
    say.write(table(("bus", "found", "remedy"), rows) + "\n")


async def try_probes(settings: Settings, calibration: Calibration, for_s: float) -> list[Trial]:
    """Read every probe once a second for `for_s` seconds."""
    assert settings.probes is not None
    probes = build_probes(settings.probes, calibration)
    reader = ProbeReader(probes, guard_limits(settings.probes), deadlines(settings.probes))
    seen: dict[str, list[tuple[float, Sample]]] = {name: [] for name in probes}
    with listening(settings, _topics(probes)) as trouble:
        if trouble:
            sys.stdout.write(f"  {trouble}\n")
        start_s = time.monotonic()
        for step in range(max(3, round(for_s))):
            await asyncio.sleep(max(0.0, start_s + step - time.monotonic()))
            now_s = time.monotonic() - start_s
            for name, sample in (await reader.read_all(now_s)).items():
                seen[name].append((now_s, sample))
    reader.close()
    messages = {probe.name for probe in _topics(probes)}
    return with_units([judge(name, timed, gateway=name in messages) for name, timed in seen.items()])


def show_trials(settings: Settings, trials: list[Trial], say: TextIO) -> None:
    """The table of probes, and what each failing one said of itself."""
    assert settings.probes is not None
    rows = [
        (
            trial.name,
            settings.probes[trial.name].kind,
            _number(trial.mean_c, "{:.1f}"),
            _number(trial.noise_c, "{:.2f}"),
            _number(trial.drift_c_per_min, "{:+.1f}"),
            " ".join(f"{kind}×{count}" for kind, count in trial.faults) or "-",
            trial.verdict,
            trial.remedy,
        )
        for trial in trials
    ]
    headings = ("probe", "kind", "°C", "noise °C", "drift °C/min", "faults", "verdict", "remedy")
    say.write(table(headings, rows) + "\n")
    for trial in trials:
        if not trial.good and trial.detail:
            say.write(f"  {trial.name}: {trial.detail}\n")
    for line in apart(trials):
        say.write(f"  {line}\n")


def try_vents(settings: VentsSettings, calibration: Calibration, ask: Ask) -> list[tuple[str, str, str, str]]:
    """Move each vent through its stroke, if the person lets it, and ask how that went."""
    rows: list[tuple[str, str, str, str]] = []
    for name, block in settings.by_name().items():
        try:
            vent = build_vent(name, block, calibration.vents.get(name))
        except OSError as error:
            whose = "; run it as the service's user: sudo -u coalminder ..."
            told = f"{error}{whose if isinstance(error, PermissionError) else ''}"
            rows.append((name, block.driver, "fault", told))
            continue
        try:
            rows.append((name, block.driver, *_try_vent(vent, name, block, ask)))
        except OSError as error:
            rows.append((name, block.driver, "fault", f"{error}; check its wires and its supply"))
        finally:
            vent.close()
    return rows


def _try_vent(vent: ServoVent, name: str, block: Servo, ask: Ask) -> tuple[str, str]:
    if not _yes(ask(f"\nmove the {name} vent through its whole stroke? Fingers off the plate. [y/N] ")):
        return "not tried", "run check again and answer y"
    try:
        for position in STROKE:
            vent.move_to_position(position)
    finally:
        vent.move_to_position(0.0)
    answer = ask(
        f"did the {name} vent open fully and shut fully, the right way round? [y]es, [n]o, [w]rong way "
    )
    if _yes(answer):
        return "good", ""
    if answer.strip().lower().startswith("w"):
        return "wrong way", f"set reversed = {str(not block.reversed).lower()} in [vents.{name}]"
    return (
        "stroke",
        f"set its stops: coalminder calibrate stops --vent {name}; no move at all: check supply and wires",
    )


def _needed(settings: Settings) -> set[str]:
    by_kind = {"ads1115": "I2C", "ds18b20": "1-Wire", "mqtt": "", "simulated": ""}
    by_driver = {"kernel_pwm": "PWM", "pin": "GPIO", "pca9685": "I2C", "simulated": ""}
    needed = {by_kind.get(block.kind, "SPI") for block in (settings.probes or {}).values()}
    if settings.vents is not None:
        needed |= {by_driver[block.driver] for block in settings.vents.by_name().values()}
    return needed


def _topics(probes: dict[str, Probe]) -> list[TopicProbe]:
    return [probe for probe in probes.values() if isinstance(probe, TopicProbe)]


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else form.format(value)


def _yes(answer: str) -> bool:
    return answer.strip().lower() in ("y", "yes")


def ask_person(question: str) -> str:
    """Ask at the terminal; "" when nobody can answer."""
    try:
        return input(question)
    except EOFError:
        return ""
