"""`coalminder relay-test`: let the pit swing under a relay, read off the ultimate gain and period."""

from __future__ import annotations

import argparse

from coalminder.errors import UserError
from coalminder.replay.experiment import MOST_EARLY_DEG, RelayTest
from coalminder.replay.rules import zn_ultimate_pi
from coalminder.replay.terminal import Terminal
from coalminder.replay.trial import add_common, perform


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `relay-test`."""
    add_common(parser)
    parser.add_argument("--hysteresis", type=float, default=1.0, metavar="K", help="0.2 to 5 K (default 1)")
    parser.add_argument("--cycles", type=int, default=4, metavar="N", help="2 to 12 (default 4)")


def run(args: argparse.Namespace) -> int:
    """Run the test and say what it gave; 1 when it ended early."""
    if not 0.2 <= args.hysteresis <= 5.0 or not 2 <= args.cycles <= 12:
        raise UserError(
            f"--hysteresis {args.hysteresis:g} or --cycles {args.cycles} is out of range: 0.2 to 5 K, "
            "2 to 12 cycles"
        )
    console = Terminal()
    test = RelayTest(size_v=args.size, hysteresis_c=args.hysteresis, cycles=args.cycles)
    ended = perform(args, test, console)
    found = test.ultimate()
    if found is None:
        console.print("the pit did not swing often enough to measure; try a larger --size")
        return 1
    ku, pu_s = found
    kp, ki, _ = zn_ultimate_pi(ku, pu_s).parallel
    console.print(
        f"ultimate gain {ku:.3g} 1/K, period {pu_s:.0f} s; Ziegler-Nichols PI: kp {kp:.3g}, ki {ki:.3g} "
        "(lively; half of it is calmer)"
    )
    console.print(
        "  these are of the plain law; the core slows what the settings say on a kettle that answers late, "
        "so let 'coalminder replay --tune' find what to write there"
    )
    if test.early_deg > MOST_EARLY_DEG:
        console.print(
            f"  the swing is {test.early_deg:.0f}° short of the ultimate point, for much of it is the "
            "hysteresis: the ultimate gain is higher and its period shorter, so these gains are low; a "
            "larger --size, or a smaller --hysteresis where the probe is quiet, comes nearer"
        )
    console.print(f"record: {ended.record} ({ended.took_s / 60:.0f} min of test)")
    return 1 if ended.why else 0
