"""What `step-test` and `relay-test` share: options, the grill to test, progress, what came of it."""

from __future__ import annotations

import argparse
import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path

from rich.console import Console

from coalminder.core import Config
from coalminder.errors import UserError
from coalminder.replay.experiment import Ended, Experiment, conduct
from coalminder.service.hardware import Hardware
from coalminder.values import Decision

_CAUTION = (
    "The vents will be moved on purpose for about half an hour; the pit will swing by 5 to 10 °C. "
    "Cut-offs stay in "
    "force. Stay with the grill, outdoors, lid on."
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
    add("--set-point", type=float, metavar="C", help="set point in °C (default: the configuration's, 93)")
    add(
        "--size",
        type=float,
        default=0.35,
        metavar="V",
        help="size of the move, ln of draught, 0.1 to 0.7 (default 0.35)",
    )
    add("--folder", type=Path, default=Path(), metavar="DIR", help="where the record goes (default: here)")


def perform(args: argparse.Namespace, experiment: Experiment, console: Console) -> Ended:
    """Run the test that the options ask for."""
    if not 0.1 <= args.size <= 0.7:
        raise UserError(
            f"--size {args.size:g} is outside 0.1 to 0.7; 0.35 changes the draught by a factor of 1.42"
        )
    if args.config is not None and args.grill is not None:
        raise UserError("--config tests the real grill and --grill a simulated one; give one of them")
    config, hardware, wait = _setup(args)
    if args.set_point is not None:
        low, high = config.least_set_point_c, config.highest_set_point_c
        if not low <= args.set_point <= high:
            raise UserError(
                f"--set-point {args.set_point:g} is outside {low:g} to {high:g} °C; choose one inside"
            )
        config = replace(config, set_point_c=args.set_point)
    console.print(_CAUTION, highlight=False)

    def say(now_s: float, decision: Decision, text: str) -> None:
        if int(now_s) % 300 == 0:
            pit = "no reading" if decision.pit_c is None else f"{decision.pit_c:.1f} °C"
            console.print(
                f"{now_s / 60:5.0f} min  pit {pit}  lower vent {100 * decision.lower:.1f} %  "
                f"{decision.phase.value}: {text}",
                highlight=False,
            )

    async def all_of_it() -> Ended:
        try:
            return await conduct(
                hardware, config, experiment, args.folder, utc_s=time.time(), wait=wait, say=say
            )
        finally:
            # The service takes over from the record; until it runs nobody watches the fire.
            await hardware.make_safe()
            await hardware.close()

    ended = asyncio.run(all_of_it())
    if ended.why:
        console.print(f"ended early: {ended.why}", highlight=False)
    if args.config is not None:
        console.print("The vents are shut now. Start the service again to go on tending.", highlight=False)
    return ended


def _setup(args: argparse.Namespace) -> tuple[Config, Hardware, Callable[[float], Awaitable[None]]]:
    if args.config is not None:
        from coalminder.service.command import open_board
        from coalminder.settings import load_settings

        settings = load_settings(args.config)
        began = time.monotonic()

        async def in_real_time(now_s: float) -> None:
            await asyncio.sleep(max(0.0, began + now_s - time.monotonic()))

        return settings.core(), open_board(settings), in_real_time
    from coalminder.rehearse.grills import load_grill
    from coalminder.rehearse.hardware import SimulatedHardware

    grill = load_grill(args.grill or "coalminder.grill:kettle", args.grill_arg, args.seed)

    async def at_once(_now_s: float) -> None:
        return None

    return Config(), SimulatedHardware(grill, ()), at_once
