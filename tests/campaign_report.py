"""Runs the campaign and writes docs/fault-campaign.md.

`python tests/campaign_report.py --out docs/fault-campaign.md --keep FOLDER --normal-hours 1000 --kills 200 --soak 72`
What is done is kept in FOLDER, so that a run broken off goes on; delete the folder to begin again.
"""

# ruff: noqa: E501 - the page's lines are the page's

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

from campaign_finding import GRACE_S
from campaign_kills import kill_many
from campaign_processes import SCENARIOS, run_all
from campaign_soak import soak

from coalminder.drill.campaign import Tally, count_false_cut_offs
from coalminder.drill.run import run_drill
from coalminder.drill.table import drills
from coalminder.safety.faults import BY_CODE, FAULTS

HEAD = """# Fault campaign

Every row of the fault table ([safety.md](safety.md)) is put in on purpose: in the simulated kettle under the
real control code, and, where it is a fault of a process or a machine, in the real service (`coalminder tend`)
with a real mosquitto. This page is written by the campaign itself:

    python tests/campaign_report.py --out docs/fault-campaign.md --keep campaign \\
        --normal-hours {hours:g} --kills {kills} --soak {soak}

A short form of all of it runs with the tests (`pytest tests/campaign`). A person can rehearse one fault with
`coalminder drill CODE`, and all of them with `coalminder drill --all`.

What is simulated stays simulated: no real fire was lit for these figures.

"""


def _kept(folder: Path, name: str, make: Any) -> Any:
    """The figures kept under `name`, or those that `make` finds now."""
    path = folder / f"{name}.json"
    if path.exists():
        return json.loads(path.read_text("utf-8"))
    print(f"{name} ...", flush=True)
    found = make()
    path.write_text(json.dumps(found, indent=1), "utf-8")
    return found


def _plant() -> list[dict[str, Any]]:
    rows = []
    for drill in drills():
        result = run_drill(drill)
        rows.append(asdict(result) | {"took_s": result.took_s})
    return rows


def _processes() -> list[dict[str, Any]]:
    with tempfile.TemporaryDirectory() as place:
        return [asdict(found) for findings in run_all(Path(place)).values() for found in findings]


def _kills(kills: int) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as place:
        result = kill_many(Path(place), kills)
    return {"text": result.text(), "faults": result.faults}


def _soak(hours: int) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as place:
        result = soak(Path(place), hours)
    return {"text": result.text(), "growth_mb": result.growth_mb}


def _time(value_s: float | None) -> str:
    if value_s is None:
        return "–"
    return f"{value_s:.0f} s" if value_s < 600 else f"{value_s / 60:.0f} min"


def page(
    plant: list[dict[str, Any]],
    processes: list[dict[str, Any]],
    tally: Tally,
    kills: dict[str, Any],
    soaked: dict[str, Any],
    head: str,
) -> str:
    """The whole page."""
    failed = [row for row in plant + processes if row["faults"]]
    told = {row["code"] for row in plant if not row["faults"]}
    late = [max(row["took_s"] - row["allowed_s"], 0.0) for row in plant if row["took_s"] is not None]
    slow = [max(row["took_s"] - row["allowed_s"], 0.0) for row in processes if row["took_s"] is not None]
    lines = [head + "## In short", "", "| | reached | wanted |", "|---|---|---|"]
    lines += [
        f"| rows detected and acted on, simulated kettle | {len(told)} of {len(FAULTS)} ({len(plant)} drills) | all |",
        f"| worst detection beyond the row's delay, simulated kettle | {max(late):.1f} s | {GRACE_S:g} s |",
        f"| worst detection beyond the row's delay, real service, up to the message at a second client | {max(slow):.1f} s | {GRACE_S:g} s |",
        f"| process and machine drills passed | {sum(not r['faults'] for r in processes)} of {len(processes)} | all |",
        f"| false cut-offs in {tally.hours:.0f} h of simulated normal cooks | {len(tally.false_cut_offs)} | 0 |",
        f"| kill -9 | {kills['text']} | 0 alarms, 5 s |",
        f"| soak | {soaked['text']} | under 2 MB |",
        "",
    ]
    if failed:
        lines += ["**Failed:**", ""]
        lines += [f"- {row['what']}: {'; '.join(row['faults'])}" for row in failed] + [""]
    lines += [
        "## Normal cooks: the hard half",
        "",
        f"{tally.cooks} cooks of 3 to 5.5 h, each with another kettle (leaks, plates, vents, slack servos), sky (wind "
        "0.5 to 9 m/s with gusts, rain, sun, -5 to 32 °C), fuel, probe (noise up to 1 K, lag 4 to 25 s) and person: "
        f"{tally.lid_lifts} lid lifts of 15 to 240 s, {tally.pieces_of_wood} times wood, cold fish and charcoal laid "
        "on, set points moved, easing, the pit probe pulled for 1 to 45 s, the daemon killed and back.",
        f"False cut-offs: {len(tally.false_cut_offs)}. Cut-offs with the pit truly over the hard limit: "
        f"{tally.true_cut_offs}. Hottest pit: {tally.highest_c:.0f} °C.",
        "",
        "Alarms in these cooks (none of them cut off; a throttle ends by itself):",
        "",
        "| code | action | times | every |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| `{code}` | {BY_CODE[code].action.value} | {times} | {tally.hours / times:.0f} h |"
        for code, times in tally.alarms.most_common()
    ]
    lines += [
        "",
        "Again: `coalminder drill --normal-hours 1000 --jobs 2 --results cooks.jsonl` (goes on where it stopped).",
        "",
        "## On the simulated kettle",
        "",
        "`took`: from when the fault is there, by the plant's own truth (for the gale by the probe's), to its alarm; 0 s also where the alarm came first.",
        "`allowed`: the row's own delay. `vents`: what they did in the five minutes after.",
        "",
        "| row | what is done | took | allowed | vents | also told | |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| `{row['code']}` | {row['what']} | {_time(row['took_s'])} | {_time(row['allowed_s'])} | {row['vents']} "
        f"| {', '.join(row['others']) or '–'} | {'; '.join(row['faults']) or 'ok'} |"
        for row in plant
    ]
    lines += [
        "",
        "## Against the real service and a real broker",
        "",
        "In real time, one process each, several at a time on two busy cores. `took` is from the fault to the alarm's",
        "message at a second client (for a dead broker: to the time in the message that came when it was back). A step",
        "comes once a second, so up to 1 s is the time to the next one. A fault of the disk is noticed at the journal's",
        "next writing, 2 s later at most: that is in `allowed`. A cut journal must be told, or the cook must go on.",
        "",
        "| row | what is done | took | allowed | seen | |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {_code(row['row'])} | {row['what']} | {_took(row['took_s'])} "
        f"| {_time(row['allowed_s'])} | {row['seen']} | {'; '.join(row['faults']) or 'ok'} |"
        for row in processes
    ]
    lines += [
        "",
        "What a test cannot break for real is falsified inside the process, and only that: the wall clock, the",
        "servos' supply, a vent driver's answer, a probe driver that hangs (`tests/campaign_main.py`).",
    ]
    return "\n".join(lines) + "\n"


def _code(row: str) -> str:
    return f"`{row}`" if row else "–"


def _took(value_s: float | None) -> str:
    return "–" if value_s is None else f"{value_s:.1f} s"


def main() -> int:
    """Run what is not kept yet, write the page."""
    parser = argparse.ArgumentParser(description="Runs the fault campaign and writes its page.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--keep", type=Path, required=True, help="folder for what is done")
    parser.add_argument("--normal-hours", type=float, default=30.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--kills", type=int, default=6)
    parser.add_argument("--soak", type=int, default=8)
    args = parser.parse_args()
    args.keep.mkdir(parents=True, exist_ok=True)
    plant = _kept(args.keep, "plant", _plant)
    processes = _kept(args.keep, "processes", _processes)
    soaked = _kept(args.keep, f"soak-{args.soak}", lambda: _soak(args.soak))
    kills = _kept(args.keep, f"kills-{args.kills}", lambda: _kills(args.kills))
    cooks = args.keep / "cooks.jsonl"
    tally = count_false_cut_offs(args.normal_hours, jobs=args.jobs, results=cooks, progress=print)
    head = HEAD.format(hours=args.normal_hours, kills=args.kills, soak=args.soak)
    args.out.write_text(page(plant, processes, tally, kills, soaked, head), "utf-8")
    wrong = [row["what"] for row in plant + processes if row["faults"]] + kills["faults"]
    if os.geteuid() != 0:
        print("not as root: the small disks were left out")
    print(
        f"{len(wrong)} failed, {len(tally.false_cut_offs)} false cut-offs, {len(SCENARIOS)} process scenarios"
    )
    return 1 if wrong or tally.false_cut_offs else 0


if __name__ == "__main__":
    sys.exit(main())
