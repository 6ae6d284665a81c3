"""Runs one drill and judges it: told in time, acted on, said to the person, and held."""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.core import air
from coalminder.drill.rig import Rig
from coalminder.drill.table import Drill, Since
from coalminder.safety.faults import BY_CODE
from coalminder.values import Action, Alarm, Decision, Phase

GRACE_S = 2.0
WATCHED_S = 300  # the action is watched for this long after the alarm


@dataclass(frozen=True, slots=True)
class Result:
    """What came of a drill. Times in s from the injection; None: never.

    allowed_s: the row's own delay. vents: what the vents did. faults: what is wrong with it, empty when
    nothing is.
    """

    code: str
    what: str
    began_s: float | None
    raised_s: float | None
    allowed_s: float
    vents: str
    message: str
    others: tuple[str, ...]
    faults: tuple[str, ...]

    @property
    def took_s(self) -> float | None:
        """From the beginning of the fault to its alarm."""
        return (
            None if self.raised_s is None or self.began_s is None else max(self.raised_s - self.began_s, 0.0)
        )


def run_drill(drill: Drill) -> Result:
    """Put the fault in and watch."""
    rig = drill.prepare()
    row = BY_CODE[drill.code]
    allowed_s = row.detected_within_s(rig.state.config.limits)
    start_s = rig.now_s
    began_s: float | None = None if drill.begins else 0.0
    raised_s: float | None = None
    message = ""
    others: list[str] = []
    while rig.now_s - start_s <= drill.give_up_s:
        since_s = rig.now_s - start_s
        drill.inject(rig, since_s)
        decision = rig.step()
        if drill.begins is not None:
            there = drill.begins(rig)
            if there and began_s is None:
                began_s = rig.now_s - 1.0 - start_s
            elif not there and isinstance(drill.begins, Since):
                began_s = None  # it must last: the delay counts from the last beginning
        alarm = _find(decision, drill.code)
        if alarm is not None and alarm.active:
            raised_s, message = rig.now_s - 1.0 - start_s, f"{alarm.message}. {alarm.remedy}."
            others = [other.code for other in decision.alarms if other.code != drill.code]
            break
    faults: list[str] = []
    vents = ""
    if raised_s is None:
        faults.append("never told")
    else:
        if began_s is None:
            began_s = raised_s  # told before the plant's own truth says so: early, not late
        if raised_s - began_s > allowed_s + GRACE_S:
            faults.append(f"told after {raised_s - began_s:.0f} s")
        if len(message) < 20:
            faults.append("nothing said to the person")
        vents, wrong = _watch(rig, drill, start_s)
        faults += wrong
    return Result(
        drill.code, drill.what, began_s, raised_s, allowed_s, vents, message, tuple(others), tuple(faults)
    )


def _find(decision: Decision, code: str) -> Alarm | None:
    return next((alarm for alarm in decision.alarms if alarm.code == code), None)


def _watch(rig: Rig, drill: Drill, start_s: float) -> tuple[str, list[str]]:
    """What the vents do after the alarm, and what is wrong with that."""
    action = BY_CODE[drill.code].action
    wrong: list[str] = []
    for second in range(WATCHED_S):
        drill.inject(rig, rig.now_s - start_s)
        decision = rig.step()
        cut = decision.phase is Phase.CUT_OFF
        if action.severity >= Action.SNUFF.severity:
            if not cut or decision.lower > 0.0 or decision.upper > 0.0:
                return "not shut", [f"vents not shut {second} s after the alarm"]
        elif cut:
            latched = any(a.action.severity >= Action.SNUFF.severity for a in decision.alarms)
            return "shut by another row", [] if latched else ["cut off without a latched alarm"]
        elif action is Action.THROTTLE and second > 30 and _active(decision, drill.code):
            floor, _ = air.share(rig.state.air.floor_v, rig.state.config.split)
            if decision.lower > 1.1 * floor + 1e-3:
                wrong.append(f"lower vent at {decision.lower:.3f}, over the air floor {floor:.3f}")
                break
    if action.severity >= Action.SNUFF.severity:
        return "shut, latched", wrong
    return ("air floor" if action is Action.THROTTLE else "as tended"), wrong


def _active(decision: Decision, code: str) -> bool:
    alarm = _find(decision, code)
    return alarm is not None and alarm.active
