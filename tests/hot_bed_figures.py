"""Figures of docs/control.md: beds lit hot, and what a breath of air under an overshoot is worth to them.

Run: python tests/hot_bed_figures.py [--jobs N]

Each kettle of `lump_kettle.KETTLES` with its coals dying 30 K earlier to 80 K later, lit with all or seven
tenths of its glowing coals, with all or half of its leaks: an hour and a half after lighting.
"""

from __future__ import annotations

import argparse
import itertools
import multiprocessing
from dataclasses import dataclass, replace

from lump_kettle import KETTLES, LumpKettle, Lumps

from coalminder.core import Config, initial, step
from coalminder.events import Acknowledge, Light
from coalminder.values import Inputs, Phase, Reading
from coalminder.vents.curve import DEFAULT_CURVE

SECONDS = 5400


@dataclass(frozen=True)
class Course:
    """pit_c: each second; cut_off_s: None when it was not; alive: at the end."""

    pit_c: list[float]
    cut_off_s: int | None
    alive: bool


def tend(lumps: Lumps, config: Config, seconds: int) -> Course:
    grill, state = LumpKettle(lumps), initial(config)
    pit_c, cut_off_s = list[float](), None
    for second in range(seconds):
        events = (Light(),) if second == 0 else (Acknowledge(),) if second % 3600 == 0 else ()
        state, decision = step(state, Inputs(pit=Reading(grill.pit_c()), events=events), float(second))
        lower, upper = DEFAULT_CURVE.position(decision.lower), DEFAULT_CURVE.position(decision.upper)
        grill.advance(1.0, lower, upper)
        pit_c.append(grill.true_pit_c)
        if decision.phase is Phase.CUT_OFF and cut_off_s is None:
            cut_off_s = second
    return Course(pit_c, cut_off_s, grill.alive)


def _one(task: tuple[Lumps, bool]) -> Course:
    lumps, breathes = task
    config = Config()
    if not breathes:
        config = replace(config, air=replace(config.air, breathe_s=0.0))
    return tend(lumps, config, SECONDS)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--jobs", type=int, default=2)
    kettles = [
        replace(
            lumps,
            dies_at_k=lumps.dies_at_k + later_k,
            lit_kg=lit * lumps.lit_kg,
            leak_m2=leak * lumps.leak_m2,
        )
        for lumps, later_k, lit, leak in itertools.product(
            KETTLES.values(), (-30, 0, 40, 80), (0.7, 1.0), (0.5, 1.0)
        )
    ]
    tasks = [(lumps, breathes) for breathes in (True, False) for lumps in kettles]
    with multiprocessing.get_context("forkserver").Pool(words.parse_args().jobs) as pool:
        courses = dict(zip(tasks, pool.map(_one, tasks, chunksize=2), strict=True))
    for breathes in (True, False):
        of = [course for (_, with_it), course in courses.items() if with_it is breathes]
        out, cut_off = sum(not c.alive for c in of), sum(c.cut_off_s is not None for c in of)
        print(
            f"{'with' if breathes else 'without'} a breath: of {len(of)} fires {out} out, {cut_off} cut off, "
            f"peak {max(max(c.pit_c) for c in of):.0f} °C"
        )


if __name__ == "__main__":
    main()
