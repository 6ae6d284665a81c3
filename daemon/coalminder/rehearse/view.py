"""What a person sees while a rehearsal runs: a live table and a progress bar (rich), or plain lines."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Any, Self

from coalminder.units import METRIC, Units
from coalminder.values import Decision

_BAR = 46


class LiveView:
    """A live view on a terminal; a line every ten simulated minutes elsewhere."""

    def __init__(self, duration_s: float, headline: str, units: Units = METRIC) -> None:
        self._duration_s, self._headline, self._units = duration_s, headline, units
        self._next_line_s = 0.0
        self._live = None
        self._last_drawn_s = -1e9
        if sys.stdout.isatty():
            from rich.live import Live

            self._live = Live(refresh_per_second=8, transient=False)

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.__enter__()
        else:
            print(self._headline, flush=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.__exit__(kind, error, trace)

    def show(self, now_s: float, decision: Decision, core_c: float | None) -> None:
        """Draw one step."""
        if self._live is None:
            if now_s >= self._next_line_s:
                self._next_line_s = now_s + 600.0
                print("  " + plain_line(now_s, decision, core_c, self._units), flush=True)
            return
        if now_s - self._last_drawn_s < self._duration_s / 2000.0:
            return
        self._last_drawn_s = now_s
        self._live.update(self._table(now_s, decision, core_c))

    def _table(self, now_s: float, decision: Decision, core_c: float | None) -> Any:
        from rich.console import Group
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        table = Table.grid(padding=(0, 2))
        unit = self._units
        pit = "–" if decision.pit_c is None else f"{unit.shown(decision.pit_c):6.1f} {unit.temp}"
        where = "in the band" if decision.in_band else "outside the band"
        table.add_row("time", f"{clock(now_s)} of {clock(self._duration_s)}")
        table.add_row("phase", str(decision.phase))
        aim = f"set point {unit.shown(decision.set_point_c):.0f} {unit.temp}"
        table.add_row("pit", f"{pit}   {aim}   {where}")
        table.add_row("core", "–" if core_c is None else f"{unit.shown(core_c):6.1f} {unit.temp}")
        table.add_row("lower vent", _bar(decision.lower))
        table.add_row("upper vent", _bar(decision.upper))
        alarms = [f"{alarm.code} ({alarm.state})" for alarm in decision.alarms if alarm.active]
        table.add_row("alarms", ", ".join(alarms) or "none")
        done = ProgressBar(total=self._duration_s, completed=now_s, width=_BAR)
        return Group(Text(self._headline), table, done)


def plain_line(now_s: float, decision: Decision, core_c: float | None, units: Units = METRIC) -> str:
    """One line of progress without a terminal."""
    pit = "    –" if decision.pit_c is None else f"{units.shown(decision.pit_c):5.1f}"
    core = "    –" if core_c is None else f"{units.shown(core_c):5.1f}"
    return (
        f"{clock(now_s)}  {decision.phase:<9} pit {pit} {units.temp}  core {core} {units.temp}  "
        f"vents {100 * decision.lower:5.1f} / {100 * decision.upper:5.1f} %  "
        f"alarms {sum(alarm.active for alarm in decision.alarms)}"
    )


def clock(seconds: float) -> str:
    """h:mm:ss."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _bar(opening: float) -> str:
    full = round(opening * 30)
    return f"{'█' * full}{'░' * (30 - full)} {100 * opening:5.1f} %"
