"""What `step-test` and `relay-test` share: options, the grill to test, progress, what came of it."""

from __future__ import annotations

import argparse
import asyncio
import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from rich.console import Console

from coalminder.core import Config
from coalminder.errors import SettingsError, UserError
from coalminder.journal.folder import ready
from coalminder.replay.experiment import SIZE_V, Ended, Experiment, conduct
from coalminder.service.aside import Aside
from coalminder.service.clock import Clock, PacedClock, RealClock
from coalminder.service.hardware import Hardware
from coalminder.settings.quantities import temperature
from coalminder.values import Decision
from coalminder.vents.alone import untended
from coalminder.vents.by_hand import by_hand, ending

_CAUTION = (
    "The vents will be moved on purpose for about half an hour; the pit will swing by 5 to 10 °C. Cut-offs "
    "stay in force. Stay with the grill, outdoors, lid on."
)


def add_common(parser: argparse.ArgumentParser) -> None:
    """Options of both tests."""
    add = parser.add_argument
    add(
        "--config",
        type=Path,
        metavar="FILE",
        help="configuration; with it the real grill is tested (stop the service first)",
    )
    add(
        "--grill",
        metavar="M:F",
        help="package.module:factory of a simulated grill (default: the simulated kettle)",
    )
    add(
        "--grill-arg", action="append", default=[], metavar="K=V", help="argument of that factory; repeatable"
    )
    add("--seed", type=int, default=1, metavar="N", help="seed of the simulated grill (default 1)")
    add(
        "--set-point",
        metavar="C",
        help='set point, °C, or with its unit: "200 F" (default: the configuration\'s, 93)',
    )
    add(
        "--size",
        type=float,
        default=SIZE_V,
        metavar="V",
        help=f"size of the move, ln of draught, 0.1 to 0.7 (default {SIZE_V:g})",
    )
    add("--folder", type=Path, default=Path(), metavar="DIR", help="where the record goes (default: here)")


def perform(args: argparse.Namespace, experiment: Experiment, console: Console) -> Ended:
    """Run the test that the options ask for."""
    if not 0.1 <= args.size <= 0.7:
        raise UserError(
            f"--size {args.size:g} is outside 0.1 to 0.7; {SIZE_V:g} changes the draught by a factor of "
            f"{math.exp(SIZE_V):.2f}"
        )
    if args.config is not None and args.grill is not None:
        raise UserError("--config tests the real grill and --grill a simulated one; give one of them")
    ready(args.folder, "--folder")
    if args.config is None:
        untended(args.folder, "--folder")
    with _setup(args) as (config, hardware, clock):
        return _perform(args, experiment, console, _aimed(config, args.set_point), hardware, clock)


def _perform(
    args: argparse.Namespace,
    experiment: Experiment,
    console: Console,
    config: Config,
    hardware: Hardware,
    clock: Clock,
) -> Ended:
    console.print(_CAUTION)
    told_s = 0.0
    aside = Aside(console.print)

    def say(now_s: float, decision: Decision, text: str) -> None:
        nonlocal told_s
        if now_s >= told_s:
            told_s = now_s + 300.0
            pit = "no reading" if decision.pit_c is None else f"{decision.pit_c:.1f} °C"
            aside.say(
                f"{now_s / 60:5.0f} min  pit {pit}  lower vent {100 * decision.lower:.1f} %  "
                f"{decision.phase.value}: {text}"
            )

    async def all_of_it() -> Ended | None:
        stopped = asyncio.Event()
        for number in ending():
            asyncio.get_running_loop().add_signal_handler(number, stopped.set)
        test = asyncio.ensure_future(conduct(hardware, config, experiment, args.folder, clock=clock, say=say))
        stop = asyncio.ensure_future(stopped.wait())
        try:
            await asyncio.wait({test, stop}, return_when=asyncio.FIRST_COMPLETED)
            if test.done():
                return test.result()
            test.cancel()
            await asyncio.wait({test})
            return None
        finally:
            stop.cancel()
            # The service takes over from the record; until it runs nobody watches the fire.
            await hardware.make_safe()
            await hardware.close()

    try:
        ended = asyncio.run(all_of_it())
    finally:
        aside.close()
    if ended is None:
        console.print(f"ended by a signal; {_vents(hardware)}")
        raise KeyboardInterrupt
    if ended.why:
        console.print(f"ended early: {ended.why}")
    if args.config is not None:
        console.print(f"Now {_vents(hardware)}. Start the service again to go on tending.")
    return ended


def _vents(hardware: Hardware) -> str:
    """What became of the vents at the end."""
    if hardware.vents_failed:
        return "a vent did NOT obey: shut it by hand, with gloves"
    return "the vents are shut"


def _aimed(config: Config, asked: str | None) -> Config:
    if asked is None:
        return config
    set_point_c = temperature(asked, "--set-point")
    low, high = config.least_set_point_c, config.highest_set_point_c
    if not low <= set_point_c <= high:
        raise UserError(
            f'--set-point {asked} is outside {low:g} to {high:g} °C; choose one inside, or write "200 F"'
        )
    return replace(config, set_point_c=set_point_c)


@contextmanager
def _setup(args: argparse.Namespace) -> Iterator[tuple[Config, Hardware, Clock]]:
    if args.config is not None:
        from coalminder.service.command import open_board
        from coalminder.settings import load_settings

        settings = load_settings(args.config)
        with by_hand(settings.journal.directory, settings.wires):
            try:
                board = open_board(settings)
            except SettingsError as error:
                raise SettingsError(f"{args.config}: {error}") from None
            yield settings.core(), board, RealClock()
        return
    from coalminder.rehearse.grills import load_grill
    from coalminder.rehearse.guest import Guest
    from coalminder.rehearse.hardware import SimulatedHardware

    where = args.grill or "coalminder.grill:kettle"
    guest = Guest(load_grill(where, args.grill_arg, args.seed), f"--grill {where}")
    yield Config(), SimulatedHardware(guest), PacedClock(math.inf, time.time())
