"""`coalminder step-test`: move the vents in steps, fit the kettle from what the pit does."""

from __future__ import annotations

import argparse

from coalminder.replay.experiment import StepTest
from coalminder.replay.identify import TooStillError
from coalminder.replay.learned import learn
from coalminder.replay.load import load
from coalminder.replay.tell import tell_kettle
from coalminder.replay.terminal import Terminal
from coalminder.replay.trial import add_common, perform
from coalminder.replay.tune import by_rules


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `step-test`."""
    add_common(parser)


def run(args: argparse.Namespace) -> int:
    """Run the test and say what it taught; 1 when it ended early."""
    console = Terminal()
    ended = perform(args, StepTest(size_v=args.size), console)
    if ended.record is None:
        return 1
    item = load(ended.record)
    try:
        if item.cook is None:
            raise TooStillError("the record cannot be run again")
        kettle = learn([item.cook])
    except TooStillError as error:
        console.print(f"nothing learned: {error}")
        return 1
    tell_kettle(console, kettle)
    rules = () if kettle.still else by_rules(kettle, item.in_force.loop)
    for name, loop in rules:  # of the usual kettle they say nothing of this one
        console.print(f"  {name}, as settings: kp {loop.kp:.3g}, ki {loop.ki:.3g}, kd {loop.kd:.3g}")
    console.print(
        f"record: {ended.record} ({ended.took_s / 60:.0f} min of test); now 'coalminder replay "
        f"{ended.record} --tune', "
        "best together with the record of a cook"
    )
    return 1 if ended.why else 0
