"""`coalminder drill`: rehearse a fault on the simulated grill, or let the whole table be provoked."""

from __future__ import annotations

import argparse
from pathlib import Path

from coalminder.errors import UserError
from coalminder.safety.document import markdown
from coalminder.safety.faults import BY_CODE, FAULTS


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `drill`."""
    parser.add_argument(
        "code", nargs="?", metavar="CODE", help="fault to rehearse, as in docs/safety.md; none lists them"
    )
    parser.add_argument("--all", action="store_true", help="rehearse every fault and say what failed")
    parser.add_argument(
        "--normal-hours",
        type=float,
        metavar="H",
        help="cook normally for H simulated hours in all and count false cut-offs",
    )
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes for --normal-hours")
    parser.add_argument(
        "--results",
        type=Path,
        metavar="FILE",
        help="with --normal-hours: keep each cook here and go on from it",
    )
    parser.add_argument("--write-safety", type=Path, metavar="FILE", help="write docs/safety.md and stop")


def run(args: argparse.Namespace) -> int:
    """Exit code 0 when every fault was told in time and acted on, 1 when not."""
    if args.write_safety is not None:
        try:
            args.write_safety.write_text(markdown(), "utf-8")
        except OSError as error:
            raise UserError(
                f"--write-safety {args.write_safety}: {error.strerror}; name another file"
            ) from None
        return 0
    if args.normal_hours is not None:
        return _normal(args)
    if args.all:
        return _rehearse(None)
    if args.code is None:
        return _list()
    if args.code not in BY_CODE:
        raise UserError(f"no fault is called '{args.code}'; 'coalminder drill' lists them")
    return _rehearse(args.code)


def _list() -> int:
    width = max(len(fault.code) for fault in FAULTS)
    for fault in FAULTS:
        print(f"{fault.code:{width}}  {fault.action.value.replace('_', ' '):14}  {fault.message}")
    print("\nRehearse one on the simulated grill: coalminder drill CODE")
    return 0


def _rehearse(code: str | None) -> int:
    from coalminder.drill.run import run_drill
    from coalminder.drill.table import drills

    failed = 0
    for drill in drills():
        if code is not None and drill.code != code:
            continue
        result = run_drill(drill)
        failed += bool(result.faults)
        if code is None:
            took = "never" if result.took_s is None else f"{result.took_s:.0f} s"
            verdict = "; ".join(result.faults) or "ok"
            print(
                f"{result.code:26} {result.what[:50]:50} told after {took:>7} "
                f"(at most {result.allowed_s:.0f} s)  {result.vents:22} {verdict}",
                flush=True,
            )
        else:
            _tell(result)
    if code is None:
        print(f"{failed} failed" if failed else "every fault was told in time and acted on")
    return 1 if failed else 0


def _tell(result: object) -> None:
    from coalminder.drill.run import Result

    assert isinstance(result, Result)
    fault = BY_CODE[result.code]
    print(f"\nFault:    {result.code}: {result.what}")
    if result.raised_s is None:
        print("Told:     never")
    else:
        print(f"Put in:   0 s; there since {result.began_s or 0:.0f} s")
        print(f"Told:     at {result.raised_s:.0f} s (allowed: {result.allowed_s:.0f} s after it is there)")
    print(f"Action:   {fault.action.value.replace('_', ' ')}; vents: {result.vents}")
    print(f"Message:  {result.message}")
    if result.others:
        print(f"Also:     {', '.join(result.others)}")
    print(f"Verdict:  {'; '.join(result.faults) or 'told in time and acted on'}")


def _normal(args: argparse.Namespace) -> int:
    from coalminder.drill.campaign import count_false_cut_offs

    if not 0.0 < args.normal_hours <= 1e5:
        raise UserError(f"--normal-hours {args.normal_hours:g}: give more than 0, up to 100000 hours")
    if not 1 <= args.jobs <= 64:
        raise UserError(f"--jobs {args.jobs}: give 1 to 64")
    tally = count_false_cut_offs(args.normal_hours, jobs=args.jobs, results=args.results, progress=print)
    print(tally.text())
    return 1 if tally.false_cut_offs else 0
