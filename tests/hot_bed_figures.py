"""Figures of docs/control.md: beds lit hot, and what a breath of air under an overshoot is worth to them.

Run: python tests/hot_bed_figures.py [--jobs N]

Each kettle of `lump_kettle.KETTLES` with its coals dying 30 K earlier to 80 K later, lit with all or seven
tenths of its glowing coals, with all or half of its leaks: an hour and a half after lighting.
"""

from __future__ import annotations

import argparse
import itertools
import multiprocessing
from dataclasses import replace

from lump_kettle import KETTLES, LumpKettle, Lumps

from coalminder.core import Config
from coalminder.rehearse.fast import run_fast
from coalminder.rehearse.summary import Trace
from coalminder.values import Phase

SECONDS = 5400


def tend(lumps: Lumps, config: Config, seconds: int) -> tuple[LumpKettle, Trace]:
    """The kettle at the end, and its cook."""
    grill = LumpKettle(lumps)
    return grill, run_fast(grill, config, (), seconds).trace


def _one(task: tuple[Lumps, bool]) -> tuple[bool, bool, float]:
    """Whether its fire is out, whether it was cut off, its peak."""
    lumps, breathes = task
    config = Config()
    if not breathes:
        config = replace(config, air=replace(config.air, breathe_s=0.0))
    grill, trace = tend(lumps, config, SECONDS)
    return not grill.alive, Phase.CUT_OFF in dict(trace.phases), max(trace.pit_c)


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
        ends = dict(zip(tasks, pool.map(_one, tasks, chunksize=2), strict=True))
    for breathes in (True, False):
        out, cut_off, peak_c = zip(
            *(end for (_, with_it), end in ends.items() if with_it is breathes), strict=True
        )
        print(
            f"{'with' if breathes else 'without'} a breath: of {len(out)} fires {sum(out)} out, "
            f"{sum(cut_off)} cut off, peak {max(peak_c):.0f} °C"
        )


if __name__ == "__main__":
    main()
