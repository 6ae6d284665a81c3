"""Runs scenarios x controllers x seeds in processes; each cook is one independent task.

Finished cooks can be kept in a file as they come (JSON lines), so that an interrupted bench goes on where
it was. Importable: `run(["calm"], {"ours": ours()}, range(4), processes=1)`.
"""

from __future__ import annotations

import json
import multiprocessing
import signal
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from coalminder.bench.controllers import Controller, Factory, Seen
from coalminder.bench.identify import dome_to_pit, identify_nominal
from coalminder.bench.metrics import Score, score
from coalminder.bench.plant import Exogenous, Floats, Plant, foresee
from coalminder.bench.scenarios import Cook, cook
from coalminder.jsonlines import append

TRACE_EVERY_S = 30

A = TypeVar("A", bound=tuple[Any, ...])  # the arguments of one task
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Run:
    """One finished cook. trace: (pit, lower, upper) every 30 s, rounded, for the pictures."""

    scenario: str
    seed: int
    controller: str
    score: Score
    trace: tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]

    @property
    def key(self) -> tuple[str, int, str]:
        """What it is one of."""
        return self.scenario, self.seed, self.controller


@dataclass(frozen=True, slots=True)
class Course:
    """A cook second by second: true pit °C, servo commands 0..1."""

    pit_c: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    score: Score


Results = list[Run]


def tend(the_cook: Cook, controller: Controller, known: Exogenous | None = None) -> Course:
    """One whole cook under `controller`."""
    plant = Plant(the_cook.scenario, the_cook.seed, known)
    known = plant.known
    n = known.seconds
    pit, lower, upper = np.zeros(n), np.zeros(n), np.zeros(n)
    air_c = the_cook.scenario.weather.ambient_c
    share = dome_to_pit(the_cook.scenario) if the_cook.dome_probe else 1.0
    for second in range(n):
        shown = air_c + share * (plant.dome_c - air_c) if the_cook.dome_probe else plant.pit_c
        seen = Seen(second, shown, float(known.set_point_c[second]), bool(known.lid[second]))
        lower[second], upper[second] = controller.tend(seen)
        plant.advance(lower[second], upper[second])
        pit[second] = plant.true_pit_c
    return Course(pit, lower, upper, judge(the_cook, plant, pit, lower, upper))


def judge(the_cook: Cook, plant: Plant, pit_c: Floats, lower: Floats, upper: Floats) -> Score:
    """The score of a finished cook."""
    kettle = plant.kettle()
    return score(
        plant.known, pit_c, lower, upper,
        alive=kettle.alive, fuel_left_kg=kettle.fuel_kg, burnt_kg=kettle.burnt_kg,
        upper_moves=the_cook.scenario.fittings.upper_fixed is None,
    )  # fmt: skip


def as_run(the_cook: Cook, controller: str, course: Course) -> Run:
    """The course as it is kept."""
    thin = [tuple(float(v) for v in np.round(a[::TRACE_EVERY_S], 4)) for a in (course.lower, course.upper)]
    pit = tuple(float(v) for v in np.round(course.pit_c[::TRACE_EVERY_S], 2))
    return Run(the_cook.name, the_cook.seed, controller, course.score, (pit, thin[0], thin[1]))


_factories: Mapping[str, Factory] = {}


def _task(name: str, seed: int, controllers: Sequence[str]) -> list[Run]:
    the_cook = cook(name, seed)
    known = foresee(the_cook.scenario, seed)
    return [as_run(the_cook, key, tend(the_cook, _factories[key](the_cook), known)) for key in controllers]


def run(
    scenarios: Iterable[str],
    controllers: Mapping[str, Factory],
    seeds: Iterable[int],
    processes: int = 1,
    *,
    keep: Keep | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Results:
    """Run them all; the results are in order of scenario, seed, controller.

    keep: where finished cooks are kept and found again. progress(done, all) after each task.
    """
    global _factories  # noqa: PLW0603  (the pool's children inherit it by fork: factories are closures)
    _factories = controllers
    names = list(controllers)
    done: dict[tuple[str, int, str], Run] = {} if keep is None else keep.found(names)
    wanted = [(s, seed) for s in scenarios for seed in seeds]
    tasks = []
    for s, seed in wanted:
        missing = [c for c in names if (s, seed, c) not in done]
        if missing:
            tasks.append((s, seed, missing))
    total, finished = len(wanted), len(wanted) - len(tasks)
    if progress is not None:
        progress(finished, total)
    for _, batch in carry_out(_task, tasks, processes):
        for item in batch:
            done[item.key] = item
        if keep is not None:
            keep.add(batch)
        finished += 1
        if progress is not None:
            progress(finished, total)
    return [done[(s, seed, c)] for s, seed in wanted for c in names]


def carry_out(work: Callable[..., T], tasks: Sequence[A], processes: int) -> Iterator[tuple[A, T]]:
    """Each task with what `work(*task)` gives, as they are done; one process or one task: here, in order."""
    if processes <= 1 or len(tasks) <= 1:
        for task in tasks:
            yield task, work(*task)
        return
    identify_nominal()  # compiles the plant before forking: once, not once a process
    context = multiprocessing.get_context("fork")
    with ProcessPoolExecutor(processes, mp_context=context, initializer=_leave_interrupts) as pool:
        pending = {pool.submit(work, *task): task for task in tasks}
        try:
            while pending:
                for future in wait(pending, return_when=FIRST_COMPLETED).done:
                    yield pending.pop(future), future.result()
        except BaseException:
            for future in pending:
                future.cancel()
            raise


def _leave_interrupts() -> None:
    """In a worker: an interrupt is the parent's to handle; the cook in hand is finished."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@dataclass(frozen=True, slots=True)
class Keep:
    """Finished cooks in `path`, one JSON line each. stamps: per controller, what its results depend on."""

    path: Path
    stamps: Mapping[str, str]

    def found(self, controllers: Iterable[str]) -> dict[tuple[str, int, str], Run]:
        """Those of `controllers` whose stamp still holds."""
        wanted = set(controllers)
        runs = (
            run_from(raw)
            for raw in (rows(self.path) if self.path.exists() else ())
            if raw["controller"] in wanted and raw["stamp"] == self.stamps.get(raw["controller"])
        )
        return {item.key: item for item in runs}

    def add(self, runs: Iterable[Run]) -> None:
        """Append them."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        append(self.path, ({"stamp": self.stamps[item.controller], **asdict(item)} for item in runs))


def rows(path: Path) -> Iterator[dict[str, Any]]:
    """The cooks in a file that `Keep.add` made; one that was cut short is passed over."""
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            with suppress(json.JSONDecodeError):
                yield json.loads(line)


def run_from(raw: dict[str, Any]) -> Run:
    """A Run from its JSON form."""
    pit, lower, upper = (tuple(float(v) for v in part) for part in raw["trace"])
    return Run(
        raw["scenario"], int(raw["seed"]), raw["controller"], Score(**raw["score"]), (pit, lower, upper)
    )
