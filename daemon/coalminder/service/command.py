"""`coalminder tend`: the service."""

from __future__ import annotations

import argparse
import asyncio
import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from coalminder.errors import SettingsError, UserError
from coalminder.journal.folder import made
from coalminder.messages.commands import CommandLimits
from coalminder.messages.options import LinkOptions
from coalminder.places import DEFAULT_CONFIG
from coalminder.service.aside import AsideHandler
from coalminder.service.assemble import Desk
from coalminder.service.begin import begin
from coalminder.service.board import BoardHardware
from coalminder.service.chronicle import Chronicle
from coalminder.service.clock import Clock, RealClock, ScaledClock
from coalminder.service.hardware import Hardware
from coalminder.service.latch_note import LatchNote
from coalminder.service.machine import forget_starts
from coalminder.service.notify import Notifier
from coalminder.service.tender import Tender
from coalminder.settings import Settings, load_settings
from coalminder.settings.calibration import NOTHING, Calibration
from coalminder.settings.probes import ProbesSettings
from coalminder.settings.vents import VentsSettings
from coalminder.units import in_fahrenheit
from coalminder.vents.alone import alone
from coalminder.vents.by_hand import ending, unstopped
from coalminder.vents.snuff import remember

log = logging.getLogger("coalminder")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `tend`."""
    add = parser.add_argument
    add(
        "--config",
        type=Path,
        default=DEFAULT_CONFIG,
        metavar="FILE",
        help=f"configuration (default {DEFAULT_CONFIG})",
    )
    add("--fresh", action="store_true", help="begin a new cook, do not go on with the last one")
    add(
        "--lit",
        action="store_true",
        help="the coals are lit: begin a new cook with lighting (without a broker)",
    )
    add("--simulate", metavar="M:F", help="tend this simulated grill instead of the board, for drills")
    add(
        "--simulate-arg",
        action="append",
        default=[],
        metavar="K=V",
        help="argument of that factory; repeatable",
    )
    add("--speed", type=float, default=1.0, metavar="N", help="times real time, with --simulate only")


def run(args: argparse.Namespace) -> int:
    """Tend until SIGTERM, SIGINT, SIGHUP or SIGQUIT; the vents are shut before the end, or it ends with 1."""
    if args.speed != 1.0 and (args.simulate is None or not 0.1 <= args.speed <= 10_000.0):
        raise UserError(f"--speed {args.speed:g}: 0.1 to 10000, and only together with --simulate")
    settings = load_settings(args.config)
    made(settings.journal.directory)
    wires = () if args.simulate else settings.wires
    with alone(settings.journal.directory, wires), unstopped(), _logging_aside():
        hardware = _hardware(settings, args)
        code = asyncio.run(_tend(settings, hardware, args))
        forget_starts(settings.journal.directory)
        return code


@contextmanager
def _logging_aside() -> Iterator[None]:
    """The log to standard error, however slowly that is read."""
    handler = AsideHandler()
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s", handlers=[handler])
    try:
        yield
    finally:
        logging.getLogger().removeHandler(handler)
        handler.close()


async def _tend(settings: Settings, hardware: Hardware, args: argparse.Namespace) -> int:
    utc_s = time.time()
    directory = settings.journal.directory
    # what may refuse comes first: a start that a person must mend is no restart
    options = link_options(settings)
    note = LatchNote(directory)
    begun = begin(settings, note, utc_s, partial(_clock, args), fresh=args.fresh, lit=args.lit)
    notifier = Notifier()
    with Desk(
        begun.state,
        directory=directory,
        options=options,
        settings=plain_settings(
            settings, hardware.calibration if isinstance(hardware, BoardHardware) else NOTHING
        ),
        utc_s=utc_s,
        limits=command_limits(settings),
        resume=begun.found,
        commit_every_s=settings.journal.commit_every,
        keep_cooks=settings.journal.keep_cooks,
        settings_files=tuple(Path(file) for file in (args.config, settings.food.plan_file) if file),
        restarts=begun.restarts,
        vents_failed=lambda: hardware.vents_failed,
        supply_low=lambda: hardware.supply_low,
        words=in_fahrenheit if settings.page.units == "us" else None,
    ) as desk:
        if desk.link is not None and isinstance(hardware, BoardHardware):
            hardware.listen(desk.link)
        desk.start()
        tender = Tender(
            begun.state,
            hardware,
            begun.clock,
            recorder=desk.recorder,
            messenger=desk.messenger,
            watch=desk.watch,
            notifier=notifier,
            local_events=begun.words,
            listeners=(Chronicle(log), note),
            unseen=begun.unseen,
        )
        loop = asyncio.get_running_loop()
        for number in ending():
            loop.add_signal_handler(number, tender.stop)
        try:
            shut = await tender.run()
        finally:
            await hardware.close()
            notifier.close()
    if shut:
        log.info("stopped; the vents are at their safe opening")
        return 0
    log.error("stopped, and a vent did NOT obey: shut it by hand, with gloves")
    return 1


def _clock(args: argparse.Namespace, at_s: float) -> Clock:
    if args.simulate is not None and args.speed != 1.0:
        return ScaledClock(args.speed, at_s=at_s)
    return RealClock(at_s)


def _hardware(settings: Settings, args: argparse.Namespace) -> Hardware:
    if args.simulate is not None:
        from coalminder.rehearse.grills import load_grill
        from coalminder.rehearse.guest import Guest
        from coalminder.rehearse.hardware import SimulatedHardware

        grill = load_grill(args.simulate, args.simulate_arg, option="--simulate")
        return SimulatedHardware(Guest(grill, f"--simulate {args.simulate}"))
    try:
        board = open_board(settings)
    except SettingsError as error:
        raise SettingsError(f"{args.config}: {error}") from None
    remember(args.config)
    return board


class VentNotThereError(UserError):
    """A vent's driver cannot be opened. After a power cut it may come up later than the daemon: systemd,
    which takes 2 for what no new start mends, is to try again.
    """

    exit_code = 1


def refuse_unwired(settings: Settings) -> tuple[ProbesSettings, VentsSettings]:
    """The sections of the wiring; SettingsError when a real grill cannot be tended for want of one."""
    if settings.probes is None or settings.vents is None:
        missing = "[probes.pit]" if settings.probes is None else "[vents.lower]"
        raise SettingsError(f"{missing} is missing; describe your wiring there (docs/hardware.md)")
    return settings.probes, settings.vents


def open_board(settings: Settings) -> BoardHardware:
    """The board's probes and vents as configured and calibrated.

    SettingsError when a section is missing, VentNotThereError when a driver cannot be opened.
    """
    from coalminder.probes.build import build_probes, deadlines, guard_limits
    from coalminder.probes.reader import ProbeReader
    from coalminder.settings.calibration import load_calibration
    from coalminder.vents.build import build_vents

    probe_blocks, vent_blocks = refuse_unwired(settings)
    calibration = load_calibration(settings.calibration_file)
    probes = build_probes(probe_blocks, calibration)
    try:
        vents = build_vents(vent_blocks, calibration)
    except OSError as error:
        raise VentNotThereError(f"[vents]: {error}; run 'coalminder check' to see what is found") from error
    reader = ProbeReader(probes, guard_limits(probe_blocks), deadlines(probe_blocks))
    return BoardHardware(reader, vents, calibration)


def link_options(settings: Settings) -> LinkOptions | None:
    """How to reach the broker, None when [mqtt] is not enabled. UserError when a file it names is no use."""
    mqtt = settings.mqtt
    if not mqtt.enabled:
        return None
    options = LinkOptions.from_settings(mqtt.model_dump() | {"grill": settings.grill.name})
    if options.tls:
        options.tls_context()  # a file of no use is told now, not at the first connection
    return options


def command_limits(settings: Settings) -> CommandLimits:
    """Bounds of what the phone may ask: set points from [band], the rest from [mqtt]."""
    mqtt = settings.mqtt
    return CommandLimits(
        set_point_min_c=settings.band.least_set_point,
        set_point_max_c=settings.band.highest_set_point,
        wood_max_kg=mqtt.wood_max_kg,
        charcoal_max_kg=mqtt.charcoal_max_kg,
        shelve_max_s=mqtt.shelve_max_s,
        stale_s=mqtt.stale_s,
    )


def plain_settings(settings: Settings, calibration: Calibration) -> dict[str, Any]:
    """The settings for the record, without secrets, and the calibration without its history."""
    plain = settings.model_dump(mode="json", exclude={"mqtt": {"password", "push_urls"}})
    return plain | {"calibration": calibration.model_dump(mode="json", exclude={"log"}, exclude_none=True)}
