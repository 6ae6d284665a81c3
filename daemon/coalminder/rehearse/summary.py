"""What a rehearsed cook came to: the figures of the summary, from its trace. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from coalminder import __version__
from coalminder.values import Decision, Phase


@dataclass(slots=True)
class Trace:
    """What happened, a value a step. Servo positions 0..1, temperatures in °C as the probes showed them."""

    time_s: list[float] = field(default_factory=list)
    pit_c: list[float] = field(default_factory=list)
    core_c: list[float] = field(default_factory=list)
    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    set_point_c: list[float] = field(default_factory=list)
    lid_open: list[bool] = field(default_factory=list)
    phases: list[tuple[Phase, float]] = field(default_factory=list)
    alarms: dict[tuple[str, float], dict[str, Any]] = field(default_factory=dict)
    lid_lifts_seen: int = 0
    settled_after_s: float | None = None
    servo_travel: float = 0.0
    _active: dict[str, tuple[str, float]] = field(default_factory=dict)
    _lid_seen: bool = False

    def add(
        self,
        now_s: float,
        pit_c: float,
        core_c: float,
        decision: Decision,
        lower: float,
        upper: float,
        lid_open: bool,
    ) -> None:
        """Book one step: `lower`, `upper` are the servo positions asked for."""
        if self.time_s:
            self.servo_travel += abs(lower - self.lower[-1]) + abs(upper - self.upper[-1])
        self.time_s.append(now_s)
        self.pit_c.append(pit_c)
        self.core_c.append(core_c)
        self.lower.append(lower)
        self.upper.append(upper)
        self.set_point_c.append(decision.set_point_c)
        self.lid_open.append(lid_open)
        if not self.phases or self.phases[-1][0] is not decision.phase:
            self.phases.append((decision.phase, now_s))
        if self.settled_after_s is None and decision.phase is Phase.TENDING:
            self.settled_after_s = now_s
        if decision.lid_off and not self._lid_seen:
            self.lid_lifts_seen += 1
        self._lid_seen = decision.lid_off
        self._book_alarms(now_s, decision)

    def _book_alarms(self, now_s: float, decision: Decision) -> None:
        active = [alarm.code for alarm in decision.alarms if alarm.active]
        for code in active:
            if code not in self._active:
                key = (code, now_s)
                self._active[code] = key
                self.alarms[key] = {"code": code, "raised_s": now_s, "cleared_s": None}
        for code in [code for code in self._active if code not in active]:
            self.alarms[self._active.pop(code)]["cleared_s"] = now_s


def summarise(
    trace: Trace,
    *,
    low_c: float,
    high_c: float,
    seed: int,
    wall_s: float,
    fuel_used_kg: float | None,
    fire_alive: bool | None,
) -> dict[str, Any]:
    """The summary as JSON-able figures.

    in_band_frac and mean_abs_error_c count from settled_after_s (the first time the pit stayed by its
    set point) to the end; both are None when it never settled. peak and lowest: peak over the whole
    cook, lowest after settling.
    """
    start = trace.settled_after_s
    after = [i for i, t in enumerate(trace.time_s) if start is not None and t >= start]
    pits: Sequence[float] = [trace.pit_c[i] for i in after]
    count = len(pits)
    in_band = sum(1 for pit in pits if low_c <= pit <= high_c)  # a pit without a number is in no band
    errors = [abs(trace.pit_c[i] - trace.set_point_c[i]) for i in after if math.isfinite(trace.pit_c[i])]
    known = [pit for pit in trace.pit_c if math.isfinite(pit)]
    settled = [pit for pit in pits if math.isfinite(pit)]
    return {
        "in_band_frac": in_band / count if count else None,
        "settled_after_s": start,
        "peak_c": max(known) if known else None,
        "lowest_c": min(settled) if settled else None,
        "mean_abs_error_c": sum(errors) / len(errors) if errors else None,
        "servo_travel": trace.servo_travel,
        "fuel_used_kg": fuel_used_kg,
        "fire_alive": fire_alive,
        "lid_lifts_seen": trace.lid_lifts_seen,
        "alarms": list(trace.alarms.values()),
        "phases": [{"phase": str(phase), "from_s": from_s} for phase, from_s in trace.phases],
        "steps": len(trace.time_s),
        "wall_s": wall_s,
        "version": __version__,
        "seed": seed,
    }
