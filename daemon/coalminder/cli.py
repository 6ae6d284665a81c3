"""The program `coalminder`: one command per job, each in the package that does it.

A command module offers `add_arguments(parser)` and `run(args) -> int` (the exit code). It is imported
only when its command is called, so that the daemon never loads what a report or a plot needs.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Sequence

from coalminder import __version__
from coalminder.errors import UserError

# command -> (module, one line of help)
COMMANDS: dict[str, tuple[str, str]] = {
    "rehearse": ("coalminder.rehearse.command", "tend a simulated fire, at any speed"),
    "tend": ("coalminder.service.command", "tend the real grill (the service)"),
    "check": ("coalminder.probes.command", "try every probe and vent of the configuration"),
    "calibrate": ("coalminder.calibrate.command", "correct probes, find vent stops, learn the flow curve"),
    "plan": ("coalminder.food.command", "plan from raw fish to the refrigerator"),
    "replay": ("coalminder.replay.command", "run a recorded cook again, fit, tune, report"),
    "step-test": ("coalminder.replay.step_test", "move the vents in steps and learn the kettle from it"),
    "relay-test": ("coalminder.replay.relay_test", "swing the pit under a relay: ultimate gain and period"),
    "bench": ("coalminder.bench.command", "scenarios x controllers, tables and plots"),
    "drill": ("coalminder.safety.command", "rehearse a fault on the simulated grill"),
    "push": ("coalminder.messages.push_command", "send alarms to push services"),
    "page": ("coalminder.page.command", "serve the page for a phone"),
    "snuff": ("coalminder.vents.snuff", "shut the vents now, needing only the vent block"),
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; a UserError becomes one line and exit code 2."""
    words = list(sys.argv[1:] if argv is None else argv)
    parser = argparse.ArgumentParser(
        prog="coalminder",
        description="Tends a charcoal kettle for hot-smoking. Outdoors only: charcoal makes carbon monoxide.",
    )
    parser.add_argument("--version", action="version", version=f"coalminder {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    called = next((word for word in words if not word.startswith("-")), None)
    for name, (module_name, help_line) in COMMANDS.items():
        sub = commands.add_parser(name, help=help_line, description=help_line)
        if name == called:
            try:
                module = importlib.import_module(module_name)
            except ModuleNotFoundError as missing:
                if (missing.name or "").startswith("coalminder"):
                    raise
                print(
                    f"coalminder {name}: the package '{missing.name}' is not installed; "
                    f"install the extra that '{name}' needs (see README.md)",
                    file=sys.stderr,
                )
                return 2
            module.add_arguments(sub)
            sub.set_defaults(run=module.run)
    args = parser.parse_args(words)
    try:
        return int(args.run(args))
    except UserError as error:
        print(f"coalminder {args.command}: {error}", file=sys.stderr)
        return error.exit_code
    except BaseExceptionGroup as group:
        mistakes = group.subgroup(UserError)
        if mistakes is None:
            raise
        first: BaseException = mistakes
        while isinstance(first, BaseExceptionGroup):
            first = first.exceptions[0]
        print(f"coalminder {args.command}: {first}", file=sys.stderr)
        return UserError.exit_code
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main())
