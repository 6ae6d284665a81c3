"""Normal cooks in parallel, kept one line a cook, so that a long run can be broken off and gone on with."""

from __future__ import annotations

import json
import multiprocessing
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from coalminder.drill.normal import Outcome, cook, plan
from coalminder.errors import UserError
from coalminder.jsonlines import append

_FIELDS = {item.name for item in fields(Outcome)}


@dataclass
class Tally:
    """Sums over many cooks; false_cut_offs: (seed, code, at_s, true pit, shown pit)."""

    cooks: int = 0
    hours: float = 0.0
    lid_lifts: int = 0
    pieces_of_wood: int = 0
    false_cut_offs: list[tuple[int, str, float, float, float]] = field(default_factory=list)
    true_cut_offs: int = 0
    alarms: Counter[str] = field(default_factory=Counter)
    highest_c: float = 0.0

    def add(self, row: dict[str, Any]) -> None:
        """Add one cook as kept in the file."""
        self.cooks += 1
        self.hours += row["hours"]
        self.lid_lifts += row["lid_lifts"]
        self.pieces_of_wood += row["pieces_of_wood"]
        self.false_cut_offs += [(row["seed"], *found) for found in row["false_cut_offs"]]
        self.true_cut_offs += len(row["true_cut_offs"])
        self.alarms.update(row["alarms"])
        self.highest_c = max(self.highest_c, row["highest_c"])

    def text(self) -> str:
        """A few lines for a person."""
        lines = [
            f"{self.hours:.0f} h in {self.cooks} cooks, {self.lid_lifts} lid lifts, "
            f"{self.pieces_of_wood} times wood: {len(self.false_cut_offs)} false cut-offs, "
            f"{self.true_cut_offs} truly over the hard limit; hottest pit {self.highest_c:.0f} °C",
            "alarms: " + (", ".join(f"{code} {n}" for code, n in self.alarms.most_common()) or "none"),
        ]
        lines += [
            f"false: seed {seed}: {code} at {at_s:.0f} s, pit {true_c} °C"
            for seed, code, at_s, true_c, _ in self.false_cut_offs
        ]
        return "\n".join(lines)


def count_false_cut_offs(
    hours: float,
    *,
    jobs: int = 1,
    results: Path | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Tally:
    """Cook until `hours` are reached. `results` keeps a line a cook; seeds in it are not cooked again."""
    tally = Tally()
    done: set[int] = set()
    for row in _kept(results):
        if row["seed"] not in done and tally.hours < hours:
            done.add(row["seed"])
            tally.add(row)
    if tally.hours >= hours:
        return tally
    seeds = (seed for seed in range(10**9) if seed not in done)
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        for outcome in pool.imap(cook, _enough(seeds, hours - tally.hours)):
            row = _row(outcome)
            tally.add(row)
            if results is not None:
                append(results, [row])
            if tally.cooks % 20 == 0:
                progress(f"{tally.hours:.0f} h, {len(tally.false_cut_offs)} false cut-offs")
    return tally


def _enough(seeds: Iterator[int], hours: float) -> Iterator[int]:
    """As many seeds as `hours` need; a cook's length is known before it is cooked."""
    left = hours
    for seed in seeds:
        yield seed
        left -= plan(seed).hours
        if left <= 0.0:
            return


def _row(outcome: Outcome) -> dict[str, Any]:
    row = asdict(outcome)
    row["alarms"] = dict(outcome.alarms)
    return row


def _kept(results: Path | None) -> list[dict[str, Any]]:
    """The cooks in `results`, but for a last one that was cut short. UserError when it cannot take more."""
    if results is None:
        return []
    try:
        with results.open("a", encoding="utf-8"):
            pass  # what cannot be written is said before hours of work
        lines = results.read_text("utf-8").splitlines()
        rows = [json.loads(line) for line in lines if line.endswith("}")]
        if not all(set(row) >= _FIELDS for row in rows):
            raise ValueError("a line in it is no cook")
    except (OSError, ValueError) as error:
        raise UserError(f"--results {results}: cannot be gone on with ({error}); name a new file") from None
    return rows
