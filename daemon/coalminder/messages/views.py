"""From a decision to messages. Pure."""

from __future__ import annotations

import math
from dataclasses import asdict

from coalminder import __version__
from coalminder.messages.payloads import AlarmMessage, Band, Fire, FoodTemperature, StateMessage, utc
from coalminder.values import (
    Action,
    Alarm,
    AlarmState,
    Decision,
    FireEstimate,
    Inputs,
    Machine,
    Reading,
    Sample,
)

DEFAULT_BAND = Band()
LONG_MIN = 2880.0  # a bed just lit, or snuffed, burns next to nothing: 'for thousands of years'
_TROUBLES = (
    "servo_supply_low",
    "under_voltage",
    "board_hot",
    "disk_failed",
    "journal_corrupt",
    "settings_changed",
    "vent_driver_failed",
)


def state_message(
    grill: str,
    decision: Decision,
    machine: Machine,
    utc_s: float,
    inputs: Inputs | None = None,
    band: Band = DEFAULT_BAND,
) -> StateMessage:
    """What the phone sees of one step. Temperatures are rounded to 0.1 °C, openings to 0.001."""
    return StateMessage(
        grill=grill,
        utc=utc(utc_s),
        daemon=__version__,
        phase=decision.phase.value,
        set_point_c=decision.set_point_c,
        pit_c=_round(decision.pit_c),
        pit_2_c=_temp_c(inputs.pit_2) if inputs else None,
        dome_c=_temp_c(inputs.dome) if inputs else None,
        ambient_c=_temp_c(inputs.ambient) if inputs else None,
        foods=tuple(_food(name, sample) for name, sample in inputs.foods) if inputs else (),
        lower_frac=round(min(max(decision.lower, 0.0), 1.0), 3),
        upper_frac=round(min(max(decision.upper, 0.0), 1.0), 3),
        lid_off=decision.lid_off,
        in_band=decision.in_band,
        probe_ok=decision.probe_ok,
        band=band,
        fire=_fire(decision.fire),
        advice=decision.advice,
        alarms=tuple(alarm.code for alarm in decision.alarms),
        machine=machine_troubles(machine),
    )


def machine_troubles(machine: Machine) -> tuple[str, ...]:
    """Names of the flags that are set, sorted as in `Machine`."""
    return tuple(name for name in _TROUBLES if getattr(machine, name))


def alarm_message(
    grill: str, alarm: Alarm, seq: int, now_s: float, utc_s: float, *, change: bool = True
) -> AlarmMessage:
    """One alarm as it is now; control times become UTC by the present difference of the two clocks."""
    offset_s = utc_s - now_s
    return AlarmMessage(
        grill=grill,
        utc=utc(utc_s),
        code=alarm.code,
        seq=seq,
        state=alarm.state.value,
        active=alarm.active,
        action=alarm.action.value,
        priority=alarm.priority,
        message=alarm.message,
        remedy=alarm.remedy,
        first_out=alarm.first_out,
        raised_utc=utc(alarm.raised_s + offset_s),
        cleared_utc=None if alarm.cleared_s is None else utc(alarm.cleared_s + offset_s),
        change=change,
    )


def normal_message(
    grill: str, code: str, seq: int, utc_s: float, *, before: Alarm | None = None, change: bool = True
) -> AlarmMessage:
    """The alarm `code` back to normal, or never raised."""
    return AlarmMessage(
        grill=grill,
        utc=utc(utc_s),
        code=code,
        seq=seq,
        state=AlarmState.NORMAL.value,
        active=False,
        action=(before.action if before else Action.NOTE).value,
        priority=before.priority if before else "low",
        message="",
        remedy="",
        change=change,
    )


def alarm_changed(before: Alarm | None, now: Alarm) -> bool:
    """Whether people should hear of it again."""
    keys = ("state", "active", "action", "priority", "first_out", "raised_s", "message")
    return before is None or any(getattr(before, key) != getattr(now, key) for key in keys)


def _fire(told: FireEstimate) -> Fire:
    figures = {name: _round(value, 2) for name, value in asdict(told).items()}
    for name in ("fuel_left_min", "fuel_left_low_min", "fuel_left_high_min"):
        if (minutes := figures[name]) is not None:
            figures[name] = min(minutes, LONG_MIN)
    return Fire(**figures)


def _food(name: str, sample: Sample) -> FoodTemperature:
    if isinstance(sample, Reading):
        return FoodTemperature(name=name, temp_c=_round(sample.temp_c), fault=None)
    return FoodTemperature(name=name, temp_c=None, fault=sample.kind.value)


def _temp_c(sample: Sample | None) -> float | None:
    return _round(sample.temp_c) if isinstance(sample, Reading) else None


def _round(value: float | None, digits: int = 1) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, digits)
