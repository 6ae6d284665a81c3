"""`coalminder snuff`: shut the vents now. Also what systemd runs when the service has ended, in any way.

Needs nothing but the vent block of the configuration: no settings model, no broker, no running service. It
imports little, so that it acts within a second on the smallest board, and it forgives: a field that makes
no sense takes its default, a vent that fails does not keep the other one open.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
import tomllib
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Thread
from typing import Any, TypeVar

from coalminder.errors import UserError
from coalminder.places import DEFAULT_CONFIG, calibration_file, records_folder, state_folder
from coalminder.vents.alone import held
from coalminder.vents.defaults import VENT_NUMBERS
from coalminder.vents.servo import PulseOutput, Stroke

T = TypeVar("T")
HANGS_S = 3.0  # the kernel's bus gives up after one, and udev has one to hand a channel over
_TIMES = ("stroke_s", "settle_s")
_YES = ("true", "yes", "on", "1")  # what a person writes in place of true
_UNREADABLE = (OSError, ValueError, RecursionError)  # not there, not UTF-8, not TOML, nested without end


@dataclass(frozen=True, slots=True)
class Plan:
    """What to send one vent: the pulse that shuts it, and for how long."""

    name: str
    driver: str
    pulse_us: float
    travel_s: float
    block: Mapping[str, Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `snuff`."""
    parser.add_argument(
        "--config", type=Path, default=DEFAULT_CONFIG, metavar="FILE", help=f"default {DEFAULT_CONFIG}"
    )


def run(args: argparse.Namespace) -> int:
    """Shut every vent that can be reached; 0 when all were. UserError when the configuration has no vent."""
    plans = read_plans(args.config)
    code = shut(plans, open_output, _say)
    data, trouble = _known(args.config)
    if trouble:
        _say(f"{trouble}: the vents as the daemon last knew them")
    if not held(records_folder(args.config, data), map(_wire, plans)):
        return code
    _say("the daemon runs and will move these vents again: stop it (systemctl stop coalminder), or")
    _say("snuff from the phone; a test from the command line: end that")
    return 1


def shut(
    plans: list[Plan],
    open_pulses: Callable[[Plan], PulseOutput],
    say: Callable[[str], None],
    sleep: Callable[[float], None] = time.sleep,
) -> int:
    """Command all vents at once, then wait once, then power them off. 0 when all obeyed, else 1.

    Words come after deeds: a reader who takes no more must not keep a vent open. Nor must a driver that
    hangs: each has a thread of its own, which is left behind.
    """

    def begin(plan: Plan) -> PulseOutput:
        output = open_pulses(plan)
        output.set_pulse_us(plan.pulse_us)
        return output

    begun = _each([partial(begin, plan) for plan in plans])
    moving: list[tuple[Plan, PulseOutput]] = []
    told: list[str] = []
    failed = 0
    for plan, output in zip(plans, begun, strict=True):
        if isinstance(output, Exception):
            failed += 1
            told.append(f"{plan.name} vent: NOT SHUT: {output}; shut it by hand, with gloves")
        else:
            moving.append((plan, output))
            told.append(f"{plan.name} vent: shut commanded ({plan.driver}, {plan.pulse_us:.0f} µs)")
    _tell(told, say)
    if moving:
        sleep(max(plan.travel_s for plan, _ in moving))
    for (plan, _), trouble in zip(moving, _each([output.off for _, output in moving]), strict=True):
        failed += trouble is not None
        told.append(
            f"{plan.name} vent: shut, power off"
            if trouble is None
            else f"{plan.name} vent: power not cut: {trouble}"
        )
    _tell(told, say)
    return 1 if failed else 0


def _each(jobs: Sequence[Callable[[], T]]) -> list[T | Exception]:
    """What each job gives or raises, all at the same time; a TimeoutError for one that does not come back."""
    found: list[T | Exception] = [TimeoutError("its driver hangs")] * len(jobs)

    def work(index: int, job: Callable[[], T]) -> None:
        try:
            found[index] = job()
        except Exception as error:  # noqa: BLE001 - whatever one driver raises, the other vent shuts
            found[index] = error

    threads = []
    for one in enumerate(jobs):
        thread = Thread(target=work, args=one, daemon=True)
        try:
            thread.start()
        except RuntimeError:  # none to be had: a busy machine, a limit of this user's
            work(*one)
        else:
            threads.append(thread)
    end_s = time.monotonic() + HANGS_S
    for thread in threads:
        thread.join(max(0.0, end_s - time.monotonic()))
    return list(found)


def read_plans(config: Path) -> list[Plan]:
    """The plans of the vents in the TOML file `config`. UserError when it names none."""
    data, trouble = _known(config)
    if trouble and not data:
        raise UserError(f"{trouble}: the vents were NOT moved; shut them by hand")
    found = data.get("vents")
    blocks = found if isinstance(found, dict) else {}
    calibration = _stops(os.environ.get("COALMINDER_CALIBRATION_FILE", calibration_file(config, data)))
    plans = [
        _plan(name, blocks[name], calibration.get(name))
        for name in ("lower", "upper")
        if isinstance(blocks.get(name), dict)
    ]
    if not plans:
        raise UserError(f"configuration '{config}' has no [vents.lower]; nothing was moved")
    return plans


def _known(config: Path) -> tuple[dict[str, Any], str]:
    """What the file says; when it cannot be used what the daemon last kept of it, and why."""
    try:
        return _read(config), ""
    except _UNREADABLE as error:
        return _remembered(config), f"configuration '{config}' cannot be used ({error})"


def _read(config: Path) -> dict[str, Any]:
    return tomllib.loads(config.read_text(encoding="utf-8-sig"))  # an editor's byte order mark is no error


def remember(config: Path) -> None:
    """Keep what `snuff` needs of `config`, for when it finds the file half edited. Never raises."""
    try:
        data = _read(config)
        kept: dict[str, Any] = {key: data[key] for key in ("vents", "calibration_file") if key in data}
        if isinstance(journal := data.get("journal"), dict) and "directory" in journal:
            kept["journal"] = {"directory": journal["directory"]}
        target = _memory(config)
        draft = target.with_suffix(".new")
        draft.write_text(json.dumps(kept), "utf-8")
        draft.replace(target)
    except (*_UNREADABLE, TypeError):
        pass  # a full disk, or a file that is edited just now


def _remembered(config: Path) -> dict[str, Any]:
    try:
        found = json.loads(_memory(config).read_text("utf-8"))
    except _UNREADABLE:
        return {}
    return found if isinstance(found, dict) else {}


def _memory(config: Path) -> Path:
    directory = os.environ.get("STATE_DIRECTORY", str(state_folder(config))).split(":")[0]
    name = str(config.absolute()).strip("/").replace("/", "-")
    return Path(directory, f"vents-of-{name}.json")


def open_output(plan: Plan) -> PulseOutput:
    """The pulses of a plan. OSError when the driver is unknown or not there."""
    block = plan.block
    try:
        if plan.driver == "kernel_pwm":
            from coalminder.vents.kernel_pwm import open_kernel_pwm

            return open_kernel_pwm(block["pin"], block.get("pwm_chip"), block.get("pwm_channel"))
        if plan.driver == "pin":
            from coalminder.vents.pin_pwm import open_pin_pwm

            return open_pin_pwm(block["pin"])
        if plan.driver == "pca9685":
            from coalminder.vents.pca9685 import open_pca9685

            bus, address = int(_value(block, "bus")), int(_value(block, "address"))
            return open_pca9685(bus, address, block["channel"], _value(block, "frame_hz"))
        if plan.driver == "simulated":
            from coalminder.vents.simulated import NoPulses

            return NoPulses()
    except (KeyError, TypeError, ValueError) as error:
        raise OSError(f"[vents.{plan.name}] cannot be used ({error})") from error
    raise OSError(f"[vents.{plan.name}] driver '{plan.driver}' is not known")


def _wire(plan: Plan) -> str:
    """The name of its wire as in settings/vents.py (a test holds them equal); "" for none."""
    if plan.driver == "pca9685":
        bus, address = int(_value(plan.block, "bus")), int(_value(plan.block, "address"))
        return f"bus {bus} address {address:#x} channel {plan.block.get('channel')}"
    return "" if plan.driver == "simulated" else f"pin {plan.block.get('pin')}"


def _plan(name: str, block: Mapping[str, Any], stops: Mapping[str, Any] | None) -> Plan:
    # the settings refuse a text or a 1, but a file edited while a fire burns comes here first
    backwards = str(block.get("reversed")).strip().lower() in _YES
    pulses = (_value(block, "pulse_min_us"), _value(block, "pulse_max_us"))
    ends_us = list(pulses[::-1] if backwards else pulses)
    # stops found on another stroke are parts of that one: the service refuses them
    found = stops if stops and stops.get("ends_us") in (None, ends_us) else {}
    shut, opened = (
        _value(found if found.get(field) is not None else block, field)
        for field in ("stop_shut", "stop_open")
    )
    return Plan(
        name,
        str(block.get("driver", "?")),
        _stroke(pulses, backwards, (shut, opened)).pulse_us(0.0),
        _value(block, "stroke_s") + _value(block, "settle_s"),
        block,
    )


def _stroke(pulses_us: tuple[float, float], backwards: bool, stops: tuple[float, float]) -> Stroke:
    """As much of the stroke as makes sense: a mistyped number must not keep the vent open."""
    for given in ((*pulses_us, backwards, *stops), (*pulses_us, backwards)):
        with suppress(ValueError):
            return Stroke(*given)  # with stops that make no sense the whole stroke: beyond shut is shut
    return Stroke(reversed=backwards)


def _value(block: Mapping[str, Any], field: str) -> float:
    value = block.get(field)
    default, least, most = VENT_NUMBERS[field]
    if isinstance(value, str):
        with suppress(ValueError):
            value = float(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return float(default)
    if field in _TIMES:
        value = min(value, most)  # a slow servo gets all the time there is
    return float(value) if least <= value <= most else float(default)  # default for NaN, too


def _stops(path: object) -> dict[str, Any]:
    try:
        file = Path(os.path.expanduser(str(path)))
        vents = json.loads(file.read_text(encoding="utf-8"))["vents"]
        return {name: found for name, found in vents.items() if isinstance(found, dict)}
    except (*_UNREADABLE, KeyError, TypeError, AttributeError):
        return {}  # never calibrated, or damaged: the configured stops are used


def _tell(lines: list[str], say: Callable[[str], None]) -> None:
    """Say the lines and forget them."""
    with suppress(OSError):
        for line in lines:
            say(line)
    lines.clear()


def _say(line: str) -> None:
    """To whoever listens. Never raises: a closed pipe (AttributeError: none at all), a full disk."""
    with suppress(OSError, ValueError, AttributeError):
        sys.stderr.write(f"coalminder snuff: {line}\n")
        sys.stderr.flush()
