"""What the log says of a cook: each change of phase, each alarm that comes and goes."""

from __future__ import annotations

from logging import INFO, WARNING, Logger

from coalminder.values import Action, Alarm, AlarmState, Decision, Inputs, Phase

_SILENT = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
_LATCHED = (AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)
_STANDS, _LATCHES = "raised", "latched"


class Chronicle:
    """A listener of the tender that writes changes to `log`.

    WARNING: a cut-off, and alarms that act on the vents or are of high priority. INFO: the rest.
    """

    def __init__(self, log: Logger) -> None:
        self._log = log
        self._phase: Phase | None = None
        self._known: dict[str, str] = {}

    def __call__(self, _now_s: float, _inputs: Inputs, decision: Decision) -> None:
        """Tell what changed with this step."""
        known = {alarm.code: how for alarm in decision.alarms if (how := _how(alarm))}
        for alarm in decision.alarms:
            how = known.get(alarm.code)
            if how is not None and how != self._known.get(alarm.code):
                self._log.log(_level(alarm), "%s", _line(alarm, how))
        for code in self._known.keys() - known.keys():
            self._log.info("alarm %s: cleared", code)
        if decision.phase is not self._phase:
            level = WARNING if decision.phase is Phase.CUT_OFF else INFO
            before = "" if self._phase is None else f", was {self._phase}"
            self._log.log(level, "phase %s%s", decision.phase, before)
        self._phase, self._known = decision.phase, known


def _how(alarm: Alarm) -> str | None:
    if alarm.active:
        return None if alarm.state in _SILENT else _STANDS
    return _LATCHES if alarm.state in _LATCHED else None


def _line(alarm: Alarm, how: str) -> str:
    if how == _LATCHES:
        return (
            f"alarm {alarm.code}: latched, though its cause is gone: a person must reset it; {alarm.remedy}"
        )
    return f"alarm {alarm.code} raised ({alarm.priority}, {alarm.action}): {alarm.message}; {alarm.remedy}"


def _level(alarm: Alarm) -> int:
    acts = alarm.action.severity >= Action.THROTTLE.severity
    return WARNING if acts or alarm.priority == "high" else INFO
