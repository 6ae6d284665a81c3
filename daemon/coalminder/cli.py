"""The program `coalminder`: one command per job, each in the package that does it.

A command module offers `add_arguments(parser)` and `run(args) -> int` (the exit code). It is imported
only when its command is called, so that the daemon never loads what a report or a plot needs.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import io
import os
import re
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn, TextIO

from coalminder import __version__
from coalminder.errors import UserError, printable

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
# command -> extra of pyproject.toml that it needs
EXTRAS = {
    "rehearse": "demo",
    "calibrate": "calibrate",
    "replay": "replay",
    "step-test": "replay",
    "relay-test": "replay",
    "bench": "bench",
    "push": "push",
    "page": "page",
}
_BELOW_ZERO = re.compile(r"-[\d.,]")  # no option of ours begins so
_OPTION = re.compile(r"--[a-z-]+")  # without its value
# of a stream that takes no more: the reader has gone, the disk is full, the stream was closed
_NOT_TAKEN = (errno.EPIPE, errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EBADF)


class _Parser(argparse.ArgumentParser):
    """Who wants the vents shut in a hurry must not take a refusal for it, however the word was mistyped."""

    def error(self, message: str) -> NoReturn:
        """Usage, what is wrong, exit code 2."""
        if self.prog in ("coalminder", "coalminder snuff"):
            message += "; the vents were NOT moved; to shut them: coalminder snuff [--config FILE]"
        super().error(message)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; a UserError becomes one line and exit code 2, Ctrl-C exit code 130.

    Output that nobody takes ends the command: quietly when the reader has gone, with a line and exit code 1
    otherwise (2 would tell systemd not to start the service again).
    """
    try:
        return _with_output(argv)
    except KeyboardInterrupt:
        return 128 + signal.SIGINT


def _with_output(argv: Sequence[str] | None) -> int:
    _mend_output()
    try:
        try:
            return _run(argv)
        finally:
            sys.stdout.flush()
    except OSError as error:
        if error.filename is not None or error.errno not in _NOT_TAKEN:
            raise
        _forget(sys.stdout)
        if error.errno == errno.EPIPE:
            return 128 + signal.SIGPIPE
        with suppress(OSError):
            print(f"coalminder: output cannot be written: {error.strerror}; free space", file=sys.stderr)
        return 1
    finally:
        try:
            if sys.stderr is not None:
                sys.stderr.flush()
        except (OSError, ValueError):  # else the interpreter ends with a code of its own
            _forget(sys.stderr)


def _mend_output() -> None:
    """A closed standard output takes all and keeps nothing; a letter that it does not know becomes '?'."""
    if sys.stdout is None:  # closed by the caller
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    elif isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")


def _forget(stream: TextIO) -> None:
    """What still waits in its buffer goes nowhere, also when the interpreter ends."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _run(argv: Sequence[str] | None) -> int:
    words = _with_frost(sys.argv[1:] if argv is None else argv)
    parser = _Parser(
        prog="coalminder",
        description="Tends a charcoal kettle for hot-smoking. Outdoors only: charcoal makes carbon monoxide.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"coalminder {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    subs: dict[str, argparse.ArgumentParser] = {}
    called = next((word for word in words if not word.startswith("-")), None)
    for name, (module_name, help_line) in COMMANDS.items():
        # allow_abbrev: `--food char` would be `--foods`, and succeed
        sub = commands.add_parser(name, help=help_line, description=help_line, allow_abbrev=False)
        subs[name] = sub
        if name == called:
            try:
                module = importlib.import_module(module_name)
            except ModuleNotFoundError as missing:
                if not {"-h", "--help"} & set(words):
                    return _tell_missing(name, missing)
                sub.epilog = f"More is told once all of it is here: {_missing(name, missing)}."
                continue
            module.add_arguments(sub)
            sub.set_defaults(run=module.run)
    args, unknown = parser.parse_known_args(words)
    if unknown:  # told by the command, whose options are shown then
        subs[args.command].error(f"unrecognized arguments: {' '.join(unknown)}")
    try:
        return int(args.run(args))
    except UserError as error:
        print(f"coalminder {args.command}: {printable(str(error))}", file=sys.stderr)
        return error.exit_code
    except ModuleNotFoundError as missing:
        return _tell_missing(args.command, missing)


def _with_frost(words: Sequence[str]) -> list[str]:
    """`--outside -5C` as `--outside=-5C`: argparse takes a negative number with a unit for an option."""
    joined: list[str] = []
    for word in words:
        if _BELOW_ZERO.match(word) and joined and _OPTION.fullmatch(joined[-1]):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def _tell_missing(command: str, missing: ModuleNotFoundError) -> int:
    print(f"coalminder {command}: {_missing(command, missing)}", file=sys.stderr)
    return 2


def _missing(command: str, missing: ModuleNotFoundError) -> str:
    """How to come by a package of an extra; anything else missing is a defect of ours."""
    extra = EXTRAS.get(command)
    if extra is None or (missing.name or "coalminder").startswith("coalminder"):
        raise missing
    return (
        f"the package '{(missing.name or '').partition('.')[0]}' is not installed; it comes with the extra "
        f"'{extra}': in the project's folder, 'sudo sh systemd/install.sh --with {extra}' for "
        f"/opt/coalminder, or '.venv/bin/pip install -e \".[{extra}]\"' for the folder's own"
    )


if __name__ == "__main__":
    sys.exit(main())
