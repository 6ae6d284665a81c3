"""`coalminder bench`: scenarios x controllers in one go, a table and pictures."""

from __future__ import annotations

import argparse
import hashlib
import os
import time
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

import coalminder
from coalminder.bench import report
from coalminder.bench.ablate import variants
from coalminder.bench.controllers import CONTROLLERS, Factory
from coalminder.bench.runner import Keep, Results
from coalminder.bench.runner import run as run_all
from coalminder.bench.scenarios import SCENARIOS, SEEDS, model_hash
from coalminder.errors import UserError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `bench`."""
    add = parser.add_argument
    add("--scenarios", metavar="A,B", help=f"which of {', '.join(SCENARIOS)} (default all)")
    add("--controllers", metavar="A,B", help=f"which of {', '.join(CONTROLLERS)} (default all)")
    add("--seeds", type=int, default=SEEDS, metavar="N", help=f"seeds 0 .. N-1 (default {SEEDS})")
    add("--processes", type=int, default=os.cpu_count() or 1, metavar="N", help="cooks at a time")
    add("--ablate", action="store_true", help="ours with each part switched off, instead of the peers")
    add("--out", type=Path, metavar="DIR", help="write table.md, table.json and pictures there")
    add("--resume", action="store_true", help="with --out: go on where the last bench stopped")


def run(args: argparse.Namespace) -> int:
    """Run the bench, print the table, write what was asked for."""
    names = chosen(args.scenarios, SCENARIOS, "--scenarios")
    factories: Mapping[str, Factory] = variants() if args.ablate else CONTROLLERS
    wanted = chosen(args.controllers, factories, "--controllers")
    if args.seeds < 1:
        raise UserError(f"--seeds {args.seeds}: must be 1 or more; the full bench has {SEEDS}")
    if args.processes < 1:
        raise UserError(f"--processes {args.processes}: must be 1 or more")
    if args.resume and args.out is None:
        raise UserError("--resume needs --out DIR, the folder of the bench to go on with")
    keep = None
    if args.out is not None:
        keep = Keep(args.out / "runs.jsonl", {name: stamp(name) for name in wanted})
        if not args.resume:
            keep.path.unlink(missing_ok=True)
    began = time.perf_counter()
    results = with_progress(
        names, {name: factories[name] for name in wanted}, args.seeds, args.processes, keep
    )
    print(report.markdown(report.lines(results)))
    print(f"{len(results)} cooks in {time.perf_counter() - began:.0f} s; model and scenarios {model_hash()}")
    if args.out is not None:
        for path in report.write(args.out, results).values():
            print(f"wrote {path}")
    return 0


def with_progress(
    scenarios: Sequence[str], factories: Mapping[str, Factory], seeds: int, processes: int, keep: Keep | None
) -> Results:
    """Run with a bar on the terminal's error stream."""
    bar = Progress(
        TextColumn("cooks"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
        console=Console(stderr=True), transient=True,
    )  # fmt: skip
    with bar:
        task = bar.add_task("cooks")
        return run_all(
            scenarios, factories, range(seeds), processes,
            keep=keep, progress=lambda done, total: bar.update(task, completed=done, total=total),
        )  # fmt: skip


def chosen(text: str | None, known: Iterable[str], option: str) -> list[str]:
    """The names in 'a,b'; all without it; UserError for one that is not known."""
    all_names = list(known)
    if text is None:
        return all_names
    names = [word.strip() for word in text.split(",") if word.strip()]
    for name in names:
        if name not in all_names:
            raise UserError(f"{option} '{name}' is unknown; choose from {', '.join(all_names)}")
    return names


def stamp(controller: str) -> str:
    """What the results of a controller depend on: model, scenarios, and its code."""
    root = Path(coalminder.__file__).parent
    files = [
        root / "bench" / f"{name}.py" for name in ("controllers", "identify", "plant", "runner", "metrics")
    ]
    if controller not in ("hands", "on_off", "zn", "simc"):
        files += sorted((root / "core").glob("*.py")) + sorted((root / "safety").glob("*.py"))
        files += [root / "vents" / "curve.py", root / "bench" / "ablate.py"]
    digest = hashlib.sha256(model_hash().encode())
    for file in files:
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]
