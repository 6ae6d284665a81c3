"""`coalminder step-test`: move the vents in steps, fit the kettle from what the pit does."""

from __future__ import annotations

import argparse

from coalminder.replay.experiment import StepTest
from coalminder.replay.identify import TooStillError
from coalminder.replay.learned import learn
from coalminder.replay.load import load
from coalminder.replay.rules import amigo_pi, simc_pi
from coalminder.replay.terminal import Terminal
from coalminder.replay.trial import add_common, perform


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `step-test`."""
    add_common(parser)


def run(args: argparse.Namespace) -> int:
    """Run the test and say what it taught; 1 when it ended early."""
    console = Terminal(soft_wrap=True)
    ended = perform(args, StepTest(size_v=args.size), console)
    if ended.record is None:
        return 1
    item = load(ended.record)
    try:
        if item.cook is None:
            raise TooStillError("the record cannot be run again")
        kettle = learn([item.cook])
    except TooStillError as error:
        console.print(f"nothing learned: {error}", highlight=False)
        return 1
    f, m = kettle.fit, kettle.models[0]
    console.print(
        f"this kettle: k {m.k:.0f} K [{f.k.low:.0f} to {f.k.high:.0f}], lag {m.tau_s:.0f} s "
        f"[{f.tau_s.low:.0f} to "
        f"{f.tau_s.high:.0f}], dead time {m.theta_s:.0f} s [{f.theta_s.low:.0f} to {f.theta_s.high:.0f}]",
        highlight=False,
    )
    for name, gains in (("SIMC PI", simc_pi(m)), ("AMIGO PI", amigo_pi(m))):
        kp, ki, _ = gains.parallel
        console.print(f"  {name}: kp {kp:.3g}, ki {ki:.3g}", highlight=False)
    console.print(
        f"record: {ended.record} ({ended.took_s / 60:.0f} min of test); now 'coalminder replay "
        f"{ended.record} --tune', "
        "best together with the record of a cook",
        highlight=False,
    )
    return 1 if ended.why else 0
