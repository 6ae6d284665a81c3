"""`coalminder bench`: scenarios x controllers in one go, a table and pictures; `bench oracle` before it."""

from __future__ import annotations

import argparse
import hashlib
import os
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

import coalminder
from coalminder.bench import campaign, report
from coalminder.bench.ablate import variants
from coalminder.bench.controllers import CONTROLLERS, PEERS, Factory
from coalminder.bench.digest import model_hash
from coalminder.bench.oracle import oracle_runs
from coalminder.bench.runner import Keep, Results
from coalminder.bench.runner import run as run_all
from coalminder.bench.scenarios import SCENARIOS, SEEDS
from coalminder.errors import UserError
from coalminder.journal.folder import ready

ORACLE = report.ORACLE
Report = Callable[[int, int], None]
T = TypeVar("T")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `bench`."""
    add = parser.add_argument
    add(
        "what",
        nargs="?",
        default="run",
        choices=("run", "oracle"),
        help="run (default): the bench; oracle: work out the oracle's results anew and keep them",
    )
    add("--scenarios", metavar="A,B", help=f"which of {', '.join(SCENARIOS)} (default all)")
    add("--controllers", metavar="A,B", help=f"which of {', '.join([*CONTROLLERS, ORACLE])} (default all)")
    add("--seeds", type=int, default=SEEDS, metavar="N", help=f"seeds 0 .. N-1 (default {SEEDS})")
    add("--processes", type=int, default=os.cpu_count() or 1, metavar="N", help="cooks at a time")
    add("--ablate", action="store_true", help="ours with each part switched off, instead of the peers")
    add("--out", type=Path, metavar="DIR", help="write table.md, table.json and a picture per scenario there")
    add("--resume", action="store_true", help="with --out: go on where the last bench stopped")
    add("--again", action="store_true", help="oracle: also what is already there for this model")
    add(
        "--against",
        type=Path,
        metavar="DIR",
        help="oracle: search further where a controller in DIR/runs.jsonl beats it",
    )


def run(args: argparse.Namespace) -> int:
    """Run the bench or the oracle, print the table, write what was asked for."""
    names = chosen(args.scenarios, SCENARIOS, "--scenarios")
    if args.seeds < 1:
        raise UserError(f"--seeds {args.seeds}: must be 1 or more; the full bench has {SEEDS}")
    if args.processes < 1:
        raise UserError(f"--processes {args.processes}: must be 1 or more")
    if args.what == "oracle":
        return _oracle(args, names)
    if args.resume and args.out is None:
        raise UserError("--resume needs --out DIR, the folder of the bench to go on with")
    if args.out is not None:
        ready(args.out, "--out")
    factories: Mapping[str, Factory] = variants() if args.ablate else CONTROLLERS
    wanted = chosen(args.controllers, [*factories, ORACLE], "--controllers")
    seeds = range(args.seeds)
    began = time.perf_counter()
    known = oracle_runs(names, seeds) if ORACLE in wanted else []
    tending = {name: factories[name] for name in wanted if name != ORACLE}
    keep = None
    if args.out is not None:
        keep = Keep(args.out / "runs.jsonl", {name: stamp(name) for name in tending})
        if not args.resume:
            keep.path.unlink(missing_ok=True)
    results = _with_bar(lambda tell: run_all(names, tending, seeds, args.processes, keep=keep, progress=tell))
    results = _in_order(results + known, names, wanted)
    print(report.markdown(report.lines(results)))
    print(report.verdict_markdown(report.verdicts(results)))
    print(f"{len(results)} cooks in {time.perf_counter() - began:.0f} s; model and scenarios {model_hash()}")
    if args.out is not None:
        for path in report.write(args.out, results):
            print(f"wrote {path}")
    return 0


def _oracle(args: argparse.Namespace, names: Sequence[str]) -> int:
    began = time.perf_counter()
    seeds = range(args.seeds)
    if args.against is not None:
        tasks = campaign.beaten(names, seeds, args.against / "runs.jsonl")
    else:
        tasks = [(name, seed, ()) for name in names for seed in seeds]
        if not args.again:
            tasks = campaign.missing(tasks)
    done = _with_bar(lambda tell: campaign.solve_all(tasks, args.processes, progress=tell))
    print(f"{done} cooks solved in {time.perf_counter() - began:.0f} s; model and scenarios {model_hash()}")
    return 0


def _in_order(runs: Results, names: Sequence[str], controllers: Sequence[str]) -> Results:
    rank = {name: i for i, name in enumerate(names)}, {name: i for i, name in enumerate(controllers)}
    return sorted(runs, key=lambda r: (rank[0][r.scenario], rank[1][r.controller], r.seed))


def _with_bar(work: Callable[[Report], T]) -> T:
    """Do `work` with a bar on the terminal's error stream."""
    bar = Progress(
        TextColumn("cooks"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
        console=Console(stderr=True), transient=True,
    )  # fmt: skip
    with bar:
        task = bar.add_task("cooks", total=None)
        return work(lambda done, total: bar.update(task, completed=done, total=total))


def chosen(text: str | None, known: Iterable[str], option: str) -> list[str]:
    """The names in 'a,b'; all without it; UserError for one that is not known."""
    all_names = list(known)
    if text is None:
        return all_names
    names = [word.strip() for word in text.split(",") if word.strip()]
    for name in names:
        if name not in all_names:
            raise UserError(f"{option} '{name}' is unknown; choose from {', '.join(all_names)}")
    if not names:
        raise UserError(f"{option} names nothing; choose from {', '.join(all_names)}")
    return names


def stamp(controller: str) -> str:
    """What the results of a controller depend on: model, scenarios, and its code."""
    root = Path(coalminder.__file__).parent
    parts = ("controllers", "identify", "plant", "runner", "metrics", "ablate")
    files = [*(root / "bench" / f"{name}.py" for name in parts), root / "replay" / "rules.py"]
    if controller not in PEERS:
        files += sorted((root / "core").glob("*.py")) + sorted((root / "safety").glob("*.py"))
        files += [root / "vents" / "curve.py"]
    digest = hashlib.sha256(model_hash().encode())
    for file in files:
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]
