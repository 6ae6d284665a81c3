"""Tables of a bench: medians and worst seeds, in Markdown and JSON. Pure but for `write`."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import median
from typing import Any

from coalminder.bench.controllers import PEERS
from coalminder.bench.digest import model_hash
from coalminder.bench.metrics import CEILING_C
from coalminder.bench.oracle import beaten_by
from coalminder.bench.runner import Run
from coalminder.bench.scenarios import SCENARIOS

ORACLE, OURS = "oracle", "ours"


@dataclass(frozen=True, slots=True)
class Line:
    """One scenario under one controller, over its seeds: median and worst seed of each figure."""

    scenario: str
    controller: str
    seeds: int
    in_band_frac: float
    in_band_worst_frac: float
    mae_c: float
    mae_worst_c: float
    peak_c: float
    peak_worst_c: float
    died: int
    travel: float
    travel_all: float
    fuel_kg: float
    settled_s: float
    mae_to_oracle: float | None = None


def lines(runs: Iterable[Run]) -> list[Line]:
    """Medians over seeds, in the order of the runs; mae_to_oracle is a ratio of medians."""
    groups: dict[tuple[str, str], list[Run]] = {}
    for item in runs:
        groups.setdefault((item.scenario, item.controller), []).append(item)
    best = {s: _over(g, lambda r: r.score.mae_c) for (s, c), g in groups.items() if c == ORACLE}
    made = []
    for (scenario, controller), group in groups.items():
        mae = _over(group, lambda r: r.score.mae_c)
        made.append(
            Line(
                scenario=scenario,
                controller=controller,
                seeds=len(group),
                in_band_frac=_over(group, lambda r: r.score.in_band_frac),
                in_band_worst_frac=min(r.score.in_band_frac for r in group),
                mae_c=mae,
                mae_worst_c=max(r.score.mae_c for r in group),
                peak_c=_over(group, lambda r: r.score.peak_c),
                peak_worst_c=max(r.score.peak_c for r in group),
                died=sum(r.score.died for r in group),
                travel=_over(group, lambda r: r.score.travel),
                travel_all=_over(group, lambda r: r.score.travel_all),
                fuel_kg=_over(group, lambda r: r.score.fuel_kg),
                settled_s=_over(group, lambda r: r.score.settled_s),
                mae_to_oracle=mae / best[scenario] if scenario in best else None,
            )
        )
    return made


def _over(group: list[Run], of: Callable[[Run], float]) -> float:
    return float(median(of(item) for item in group))


# heading, how a Line shows it
_COLUMNS: tuple[tuple[str, Callable[[Line], str]], ...] = (
    ("controller", lambda x: x.controller),
    ("in band %", lambda x: f"{100 * x.in_band_frac:.1f}"),
    ("worst", lambda x: f"{100 * x.in_band_worst_frac:.1f}"),
    ("MAE K", lambda x: f"{x.mae_c:.2f}"),
    ("worst", lambda x: f"{x.mae_worst_c:.2f}"),
    ("x oracle", lambda x: "" if x.mae_to_oracle is None else f"{x.mae_to_oracle:.2f}"),
    ("peak °C", lambda x: f"{x.peak_c:.1f}"),
    ("worst", lambda x: f"{x.peak_worst_c:.1f}"),
    ("fires out", lambda x: str(x.died)),
    ("travel", lambda x: f"{x.travel:.2f}"),
    ("all", lambda x: f"{x.travel_all:.2f}"),
    ("fuel kg", lambda x: f"{x.fuel_kg:.2f}"),
    ("near after min", lambda x: f"{x.settled_s / 60:.0f}"),
)


def markdown(table: Iterable[Line]) -> str:
    """One table a scenario."""
    parts: list[str] = []
    at = ""
    for line in table:
        if line.scenario != at:
            at = line.scenario
            title = SCENARIOS[at].title if at in SCENARIOS else at
            parts += ["", f"### {title} (`{at}`, {line.seeds} seeds)", ""]
            parts.append("| " + " | ".join(head for head, _ in _COLUMNS) + " |")
            parts.append("|" + "---|" * len(_COLUMNS))
        parts.append("| " + " | ".join(show(line) for _, show in _COLUMNS) + " |")
    return "\n".join(parts).strip() + "\n"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Ours in one scenario against the oracle and the best peer; ratios of medians.

    band_kept: at least 95 % in the band where the oracle has 97 %, else 0.97 x the oracle's share.
    ceiling_kept: no seed over 121 °C in which the oracle stays under. mae_ratio: ours / oracle.
    excess_ratio: (ours - oracle) / (best peer - oracle). travel_ratio: servo travel, ours / SIMC.
    """

    scenario: str
    band_kept: bool
    ceiling_kept: bool
    mae_ratio: float
    best_peer: str
    excess_ratio: float
    travel_ratio: float
    died: int
    oracle_beaten: int


def verdicts(runs: Iterable[Run]) -> list[Verdict]:
    """One for each scenario in which ours, the oracle and a peer were run."""
    listed = list(runs)
    table = {(x.scenario, x.controller): x for x in lines(listed)}
    at = {item.key: item.score for item in listed}
    made = []
    for scenario in dict.fromkeys(item.scenario for item in listed):
        mine, best = table.get((scenario, OURS)), table.get((scenario, ORACLE))
        peers = [table[scenario, p] for p in PEERS if (scenario, p) in table]
        if mine is None or best is None or not peers:
            continue
        peer = min(peers, key=lambda x: x.mae_c)
        simc = table.get((scenario, "simc"))
        seeds = [seed for name, seed, c in at if name == scenario and c == ORACLE]
        enough = 0.95 if best.in_band_frac >= 0.97 else 0.97 * best.in_band_frac
        made.append(
            Verdict(
                scenario=scenario,
                band_kept=mine.in_band_frac >= enough,
                ceiling_kept=all(
                    at[scenario, seed, OURS].peak_c <= max(CEILING_C, at[scenario, seed, ORACLE].peak_c)
                    for seed in seeds
                    if (scenario, seed, OURS) in at
                ),
                mae_ratio=mine.mae_c / best.mae_c,
                best_peer=peer.controller,
                excess_ratio=(mine.mae_c - best.mae_c) / max(peer.mae_c - best.mae_c, 1e-9),
                travel_ratio=mine.travel / simc.travel if simc is not None else float("nan"),
                died=mine.died,
                oracle_beaten=sum(
                    beaten_by(at[scenario, seed, ORACLE], score)
                    for (name, seed, c), score in at.items()
                    if name == scenario and c != ORACLE and seed in seeds
                ),
            )
        )
    return made


def verdict_markdown(found: Iterable[Verdict]) -> str:
    """The verdicts as one table; "" when there are none."""
    rows = [
        f"| {v.scenario} | {_yes(v.band_kept)} | {_yes(v.ceiling_kept)} | {v.mae_ratio:.2f} | {v.best_peer} "
        f"| {v.excess_ratio:.2f} | {v.travel_ratio:.2f} | {v.died} | {v.oracle_beaten} |"
        for v in found
    ]
    if not rows:
        return ""
    head = [
        "### Ours against the oracle and the best peer",
        "",
        "| scenario | band kept | ceiling kept | MAE / oracle | best peer | excess / best peer's "
        "| travel / simc | fires out | oracle beaten |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    return "\n".join([*head, *rows]) + "\n"


def _yes(value: bool) -> str:
    return "yes" if value else "NO"


def as_json(table: Iterable[Line], runs: list[Run]) -> dict[str, Any]:
    """All figures, and each run's own score."""
    return {
        "model_hash": model_hash(),
        "lines": [asdict(line) for line in table],
        "verdicts": [asdict(v) for v in verdicts(runs)],
        "runs": [
            {"scenario": r.scenario, "seed": r.seed, "controller": r.controller, **asdict(r.score)}
            for r in runs
        ],
    }


def write(folder: Path, runs: list[Run]) -> list[Path]:
    """table.md, table.json and one picture a scenario in `folder`; returns what was written."""
    from coalminder.bench.picture import draw

    folder.mkdir(parents=True, exist_ok=True)
    table = lines(runs)
    paths = [folder / "table.md", folder / "table.json"]
    paths[0].write_text(markdown(table) + "\n" + verdict_markdown(verdicts(runs)), encoding="utf-8")
    paths[1].write_text(json.dumps(as_json(table, runs), indent=1) + "\n", encoding="utf-8")
    for name in dict.fromkeys(item.scenario for item in runs):
        path = folder / f"{name}.png"
        draw([item for item in runs if item.scenario == name], path)
        paths.append(path)
    return paths
