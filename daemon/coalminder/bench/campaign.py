"""Works out the oracle for many cooks in processes, keeping each answer as it comes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from pathlib import Path

from coalminder.bench import oracle
from coalminder.bench.metrics import Score
from coalminder.bench.runner import carry_out, rows
from coalminder.errors import UserError

#: (scenario, seed, controllers to start from besides the usual ones)
Task = tuple[str, int, tuple[str, ...]]


def missing(tasks: Iterable[Task], folder: Path = oracle.DATA) -> list[Task]:
    """The tasks without an answer of this model."""
    found: dict[str, set[int]] = {}
    left = []
    for task in tasks:
        name = task[0]
        if name not in found:
            try:
                found[name] = set(oracle.kept(name, folder))
            except UserError:
                found[name] = set()
        if task[1] not in found[name]:
            left.append(task)
    return left


def beaten(names: Sequence[str], seeds: Iterable[int], runs: Path, folder: Path = oracle.DATA) -> list[Task]:
    """The cooks in which a controller recorded in `runs` did better than the oracle."""
    if not runs.exists():
        raise UserError(f"--against: no {runs.name} in that folder; run: coalminder bench --out DIR first")
    answers = {name: oracle.kept(name, folder) for name in names}
    wanted = set(seeds)
    better: dict[tuple[str, int], dict[str, float]] = {}
    for raw in rows(runs):
        name, seed = raw["scenario"], raw["seed"]
        if name not in answers or seed not in wanted or seed not in answers[name]:
            continue
        score = Score(**raw["score"])
        if oracle.beaten_by(answers[name][seed].score, score):
            better.setdefault((name, seed), {})[raw["controller"]] = score.mae_c
    return [(name, seed, (min(by, key=lambda c: by[c]),)) for (name, seed), by in better.items()]


def solve_all(
    tasks: Sequence[Task],
    processes: int,
    *,
    progress: Callable[[int, int], None],
    folder: Path = oracle.DATA,
    most: int = oracle.MOST,
) -> int:
    """Solve them; an answer that is no better than the kept one is not kept. Returns how many were done."""
    progress(0, len(tasks))
    if not tasks:
        return 0
    _solve(*tasks[0], 1)  # compile before forking: once, not once a process
    done = 0
    for task, answer in carry_out(partial(_solve, most=most), tasks, processes):
        keep_better(task, answer, folder)
        done += 1
        progress(done, len(tasks))
    return done


def _solve(name: str, seed: int, extra: tuple[str, ...], most: int) -> oracle.Answer:
    return oracle.solve(name, seed, extra or oracle.STARTS, most=most)


def keep_better(task: Task, answer: oracle.Answer, folder: Path = oracle.DATA) -> None:
    """Keep the answer unless a better one of this model is there."""
    name, seed, _ = task
    try:
        before = oracle.kept(name, folder).get(seed)
    except UserError:
        before = None
    if before is None or oracle.rank(answer) < oracle.rank(before):
        oracle.keep(name, {seed: answer}, folder)
