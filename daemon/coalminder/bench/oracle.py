"""The oracle: a tender who knows the kettle, its state and all that will come. The limit of the vents.

It starts from what a textbook loop and ours did, improves the whole cook (bench/search.py), and turns
the best places of the plates into servo commands, backlash and all. What counts is the cook those
commands give on the same plant as everybody's. Results are kept as data tied to the hash of model and
scenarios.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from coalminder.bench import search
from coalminder.bench.controllers import CONTROLLERS
from coalminder.bench.digest import model_hash
from coalminder.bench.metrics import CEILING_C, Score
from coalminder.bench.plant import Exogenous, Floats, Plant, foresee
from coalminder.bench.runner import Course, Run, as_run, judge, tend
from coalminder.bench.scenarios import Cook, cook
from coalminder.errors import UserError

DATA = Path(__file__).parent / "data"
#: Rounds of the search: smoothing of the error in K from coarse to fine, most passes. A fresh round takes
#: bold steps again, which gets cooks with lid lifts out of a rut.
ROUNDS: tuple[tuple[tuple[float, ...], int], ...] = (
    ((1.0,), 15),
    ((1.0,), 15),
    ((1.0,), 15),
    ((1.0, 0.3, 0.1), 20),
)
MOST = 50
_SAME_C = 0.1  # peaks no further apart than this are alike
STARTS = ("simc", "ours")
_LOW, _SPAN = np.log(search.SOFT), np.log(1.0 + search.SOFT) - np.log(search.SOFT)
_LEVELS = 65535


@dataclass(frozen=True)
class Answer:
    """Places of the plates on the grid, (blocks, 2), as 16-bit levels of ln(place + SOFT); their score."""

    levels: np.ndarray
    score: Score


def levels_of(z: Floats) -> np.ndarray:
    """The search's z as 16-bit levels (about 1e-4 of the place each)."""
    clipped = np.clip(np.round((z - _LOW) / _SPAN * _LEVELS), 0, _LEVELS)
    return np.asarray(clipped, dtype=np.uint16)


def places_of(levels: np.ndarray) -> Floats:
    """Places 0..1 of the plates from their levels."""
    return np.asarray(np.exp(_LOW + levels.astype(float) / _LEVELS * _SPAN) - search.SOFT)


class Finger:
    """Brings one plate to a place with a servo that has play and sticks, knowing where the plate is."""

    _EXACT = 1e-9
    _LONG = 0.3  # a servo may need more than a second for this

    def __init__(self, play: float, stiction: float) -> None:
        self._play, self._aside = 0.5 * play, stiction + 0.005
        self._stiction = stiction
        self._wanted = -1.0
        self._via: float | None = None
        self._planned = False

    def command(self, plate: float, wanted: float) -> float:
        """The servo command of this second."""
        if wanted != self._wanted:
            self._wanted, self._via, self._planned = wanted, None, False
        if not self._planned:
            self._via, self._planned = self._detour(plate, wanted), True
        if self._via is not None and abs(plate - self._via) < self._EXACT:
            self._via = None
        place = wanted if self._via is None else self._via
        if abs(plate - place) < self._EXACT or (self._via is None and abs(plate - place) < self._stiction):
            return plate
        return self._towards(plate, place)

    def _detour(self, plate: float, wanted: float) -> float | None:
        """A place to go to first: the stop when play hides a small opening, lower when it would stick."""
        if abs(plate - wanted) < self._EXACT:
            return None
        sticks = abs(plate - wanted) < self._stiction
        hidden = wanted < plate and wanted <= self._play
        if not sticks and not hidden:
            return None
        below = min(plate, wanted) - self._aside
        return below if below > self._play and not hidden else 0.0

    def _towards(self, plate: float, place: float) -> float:
        if abs(place - plate) > self._LONG and self._LONG < place < 1.0 - self._LONG:
            place += 0.1 if plate > place else -0.1  # stop short, so that the last move is long enough
        return min(max(place + self._play if place > plate else place - self._play, 0.0), 1.0)


def replay(the_cook: Cook, levels: np.ndarray, known: Exogenous | None = None) -> Course:
    """The cook that these places give on the plant, with real servo commands."""
    return _carry_out(the_cook, lambda block, _: levels[min(block, len(levels) - 1)], known)


def follow(the_cook: Cook, found: search.Found, problem: search.Problem, known: Exogenous) -> Answer:
    """What is left of the search's course when real servos carry it out, led back to it block by block."""
    n = problem.blocks
    levels = np.zeros((n, 2), dtype=np.uint16)

    def places(block: int, y: Floats) -> np.ndarray:
        if block < n:
            z = np.clip(found.led_back(block, y), problem.low_z, problem.high_z)
            levels[block] = levels_of(z)
        return np.asarray(levels[min(block, n - 1)])

    return Answer(levels, _carry_out(the_cook, places, known).score)


def _carry_out(
    the_cook: Cook, levels: Callable[[int, Floats], np.ndarray], known: Exogenous | None
) -> Course:
    """One cook; levels(block, state) is asked at the start of each block."""
    plant = Plant(the_cook.scenario, the_cook.seed, known)
    fittings = the_cook.scenario.fittings
    fingers = [Finger(fittings.backlash_frac, fittings.stiction_frac) for _ in range(2)]
    n = plant.known.seconds
    pit, lower, upper = np.zeros(n), np.zeros(n), np.zeros(n)
    wanted = np.zeros(2)
    for second in range(n):
        if second % search.BLOCK_S == 0:
            wanted = places_of(levels(second // search.BLOCK_S, plant.y))
        lower[second] = fingers[0].command(float(plant.plates[0]), float(wanted[0]))
        upper[second] = fingers[1].command(float(plant.plates[1]), float(wanted[1]))
        plant.advance(lower[second], upper[second])
        pit[second] = plant.true_pit_c
    return Course(pit, lower, upper, judge(the_cook, plant, pit, lower, upper))


def solve(name: str, seed: int, starts: Iterable[str] = STARTS, most: int = MOST) -> Answer:
    """The best known vents for one cook. starts: controllers whose cooks the search sets out from.

    most: passes in a round at most.
    """
    the_cook = cook(name, seed)
    known = foresee(the_cook.scenario, seed)
    problem = search.pose(the_cook.scenario, seed, known)
    courses = [tend(the_cook, CONTROLLERS[key](the_cook), known) for key in starts]
    start = min(courses, key=lambda c: search.objective(problem, c.pit_c[: problem.seconds], 0.1))
    z = start_z(problem, start)
    for eps_c, passes in ROUNDS:
        found = search.improve(problem, z, passes=min(passes, most), eps_c=eps_c)
        z = found.z
    plain = levels_of(found.z)
    answers = (Answer(plain, replay(the_cook, plain, known).score), follow(the_cook, found, problem, known))
    return min(answers, key=rank)


def start_z(problem: search.Problem, course: Course) -> Floats:
    """A course's commands as z on the grid: the mean of each block."""
    n, block = problem.blocks, search.BLOCK_S
    mean = [a[: n * block].reshape(n, block).mean(axis=1) for a in (course.lower, course.upper)]
    return np.asarray(np.log(np.stack(mean, axis=1) + search.SOFT))


def rank(answer: Answer) -> tuple[float, float]:
    """Less is better: first how far the peak is over the ceiling, then the error."""
    return max(answer.score.peak_c - CEILING_C, 0.0), answer.score.mae_c


def beaten_by(score: Score, other: Score) -> bool:
    """Whether `other` did better under the oracle's own rules: less over the ceiling, else less error."""
    over, other_over = (max(s.peak_c - CEILING_C, 0.0) for s in (score, other))
    if abs(over - other_over) > _SAME_C:
        return other_over < over
    return other.mae_c < score.mae_c - _SAME_C / 100.0


# ---- kept as data


def keep(name: str, answers: Mapping[int, Answer], folder: Path = DATA) -> None:
    """Add `answers` to the file of scenario `name`; answers of another model are dropped from it."""
    path = folder / f"{name}.json"
    seeds = _seeds(path) if path.exists() and _hash(path) == model_hash() else {}
    for seed, answer in answers.items():
        packed = base64.b64encode(zlib.compress(_differences(answer.levels), 9)).decode()
        seeds[str(seed)] = {"score": asdict(answer.score), "blocks": len(answer.levels), "levels": packed}
    ordered = {key: seeds[key] for key in sorted(seeds, key=int)}
    body = {"model_hash": model_hash(), "block_s": search.BLOCK_S, "seeds": ordered}
    folder.mkdir(parents=True, exist_ok=True)
    new = path.with_suffix(".new")
    new.write_text(json.dumps(body, indent=1) + "\n", encoding="utf-8")
    new.replace(path)


def kept(name: str, folder: Path = DATA) -> dict[int, Answer]:
    """The answers for scenario `name`. UserError when there are none, or only of another model."""
    path = folder / f"{name}.json"
    refresh = f"refresh with: coalminder bench oracle --scenarios {name}"
    if not path.exists():
        raise UserError(f"no oracle results for scenario '{name}'; {refresh}")
    if _hash(path) != model_hash():
        raise UserError(
            f"the oracle results for '{name}' belong to another model or scenario table "
            f"({_hash(path)}, now {model_hash()}); {refresh}"
        )
    return {int(key): _unpacked(raw) for key, raw in _seeds(path).items()}


def oracle_runs(names: Iterable[str], seeds: Iterable[int]) -> list[Run]:
    """The kept answers as runs; that of seed 0 with its trace. UserError for what is not there."""
    wanted = list(seeds)
    runs = []
    for name in names:
        answers = kept(name)
        missing = [seed for seed in wanted if seed not in answers]
        if missing:
            raise UserError(
                f"no oracle results for '{name}' seed {missing[0]}; "
                f"refresh with: coalminder bench oracle --scenarios {name} --seeds {max(wanted) + 1}"
            )
        for seed in wanted:
            if seed == 0:
                the_cook = cook(name, seed)
                runs.append(as_run(the_cook, "oracle", replay(the_cook, answers[seed].levels)))
            else:
                runs.append(Run(name, seed, "oracle", answers[seed].score, ((), (), ())))
    return runs


def _differences(levels: np.ndarray) -> bytes:
    steps = np.diff(levels.astype(np.int32), axis=0, prepend=0).astype(np.int32)
    wrapped = (steps % 65536).astype("<u2")  # modulo 2^16: cumulative sums give the levels back
    return wrapped.T.copy().tobytes()


def _unpacked(raw: Mapping[str, Any]) -> Answer:
    data = zlib.decompress(base64.b64decode(raw["levels"]))
    steps = np.frombuffer(data, dtype="<u2").reshape(2, raw["blocks"]).T
    return Answer(
        (np.cumsum(steps.astype(np.int64), axis=0) % 65536).astype(np.uint16), Score(**raw["score"])
    )


def _load(path: Path) -> dict[str, Any]:
    try:
        loaded: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except json.JSONDecodeError as error:
        raise UserError(f"{path.name} cannot be read ({error}); run: coalminder bench oracle") from None
    return loaded


def _hash(path: Path) -> str:
    return str(_load(path).get("model_hash", "none"))


def _seeds(path: Path) -> dict[str, Any]:
    return dict(_load(path)["seeds"])
