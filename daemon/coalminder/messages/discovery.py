"""Announces one grill to home hubs by the open MQTT discovery convention, device-based form. Pure.

One retained message on `<prefix>/device/coalminder_<grill>/config` describes the device and all its
components; an empty one removes it. A component that is gone is removed by naming it once more with its
platform alone. Abbreviated keys are the convention's own. Templates are the hub's (Jinja); commands made
by them carry a fresh id and issue time like any other command.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from coalminder import __version__
from coalminder.messages.payloads import CALLS_NOBODY
from coalminder.messages.topics import OFFLINE, ONLINE, Topics, is_name
from coalminder.values import AlarmState, Phase

Component = dict[str, Any]

MAX_STATE = 250
"""A hub keeps states of up to 255 characters."""
EXPIRES_S = 60
"""A state that comes no more is unknown to the hub after this time: a daemon that hangs keeps 'online'."""
_HUBS_ID = "hub-"
"""What the id of each command of a hub begins with."""


@dataclass(frozen=True, slots=True)
class Described:
    """What a hub should know of a grill beyond its topics.

    alarms: (code, name for a person). foods: names of food probes. others: which of pit_2, dome, ambient.
    """

    name: str = "Kettle"
    alarms: tuple[tuple[str, str], ...] = ()
    foods: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    set_point_min_c: float = 60.0
    set_point_max_c: float = 110.0


def config_topic(prefix: str, topics: Topics) -> str:
    """Where the announcement of the grill belongs."""
    return f"{prefix}/device/{_device_id(topics)}/config"


def birth_topic(prefix: str) -> str:
    """Where a hub says 'online' after it has started, and wants to hear everything again."""
    return f"{prefix}/status"


def announcement(
    topics: Topics, described: Described, keep_out: Iterable[tuple[str, str]] = ()
) -> dict[str, Any]:
    """The device-based discovery payload. `keep_out`: (key, platform) of components to be removed."""
    device_id = _device_id(topics)
    components = _components(topics, described)
    for key, component in components.items():
        component["uniq_id"] = f"{device_id}_{key}"
    gone = {key: {"p": platform} for key, platform in keep_out if key not in components}
    return {
        "dev": {"ids": [device_id], "name": described.name, "mdl": "charcoal kettle", "sw": __version__},
        "o": {"name": "coalminder", "sw": __version__},
        "avty": [{"t": topics.availability, "pl_avail": ONLINE, "pl_not_avail": OFFLINE}],
        "qos": 1,
        "cmps": {**components, **gone},
    }


def vanished(before: object, now: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Components of an earlier announcement (parsed JSON) that the present one lacks, as (key, platform)."""
    old = before.get("cmps") if isinstance(before, dict) else None
    if not isinstance(old, dict):
        return ()
    return tuple(
        (key, platform)
        for key, component in old.items()
        if key not in now["cmps"]
        and isinstance(component, dict)
        and isinstance(platform := component.get("p"), str)
        and len(component) > 1
    )


def _device_id(topics: Topics) -> str:
    return f"coalminder_{topics.grill}"


def _components(topics: Topics, described: Described) -> dict[str, Component]:
    return {
        **_temperatures(topics, described),
        **_sensors(topics),
        **_followed_food(topics),
        **{f"alarm_{code}": _alarm(topics, code, name) for code, name in described.alarms if is_name(code)},
        "alarms": _alarm_event(topics),
        "set_point": _set_point(topics, described),
        **_buttons(topics),
        "answers": _answer_event(topics),
    }


def _temperatures(topics: Topics, described: Described) -> dict[str, Component]:
    names = {"pit": "Pit", "pit_2": "Second pit probe", "dome": "Dome", "ambient": "Ambient"}
    shown = [key for key in names if key == "pit" or key in described.others]
    found = {
        key: _sensor(topics.state, names[key], f"value_json.{key}_c", "°C", "temperature") for key in shown
    }
    for number, food in enumerate(described.foods):
        chosen = f"value_json.foods | selectattr('name', 'eq', '{_quoted(food)}')"
        value = f"{chosen} | map(attribute='temp_c') | first"
        # by its name: a number would hand one probe's history to another
        key = f"food_{food}" if is_name(food) else f"food_{number + 1}"
        found[key] = _sensor(topics.state, food, value, "°C", "temperature")
    return found


def _sensors(topics: Topics) -> dict[str, Component]:
    phase = {
        "p": "sensor", "name": "Phase", "stat_t": topics.state, "val_tpl": "{{ value_json.phase }}",
        "dev_cla": "enum", "ops": [phase.value for phase in Phase], "exp_aft": EXPIRES_S,
    }  # fmt: skip
    return {
        "phase": phase,
        "lower": _sensor(topics.state, "Lower vent", "(value_json.lower_frac * 100) | round(1)", "%"),
        "upper": _sensor(topics.state, "Upper vent", "(value_json.upper_frac * 100) | round(1)", "%"),
        "heat": _sensor(topics.state, "Heat of the fire", "value_json.fire.heat_w", "W", "power"),
        "fuel_left": _sensor(
            topics.state, "Charcoal lasts", "value_json.fire.fuel_left_min", "min", "duration"
        ),
        "in_band": _binary(topics.state, "Pit in the band", "value_json.in_band"),
        "lid_off": _binary(topics.state, "Lid off", "value_json.lid_off", "opening"),
    }


def _followed_food(topics: Topics) -> dict[str, Component]:
    """What the daemon makes of the food, every 10 s."""
    part = topics.part("food")
    asked = "value_json.reminders | default([])"
    first, then = (f"{asked} | selectattr('level', 'eq', '{level}') | list" for level in ("alarm", "warn"))
    last = f"{asked} | rejectattr('level', 'in', ['alarm', 'warn']) | list"
    texts = f"({first} + {then} + {last}) | map(attribute='text') | list"
    core_c = "((value_json.core_c | round(1)) if (value_json.core_c | default(none)) is not none else none)"
    core = _sensor(part, "Food core", core_c, "°C", "temperature")
    finish = _sensor(part, "Food done in", "value_json.finish_min | default(none)", "min", "duration")
    done = _binary(part, "Food done", "value_json.done | default(false)")
    to_do = {
        "p": "sensor", "name": "To do", "stat_t": part, "exp_aft": EXPIRES_S,
        "val_tpl": f"{{{{ ({texts} + ['nothing']) | first | truncate({MAX_STATE}) }}}}",
        "json_attr_t": part, "json_attr_tpl": f"{{{{ dict(all={texts}) | to_json }}}}",
    }  # fmt: skip
    return {"food_core": core, "food_done_in": finish, "food_done": done, "to_do": to_do}


def _sensor(topic: str, name: str, value: str, unit: str, device_class: str = "") -> Component:
    # 'None' is the hub's word for 'unknown': a lost probe must not keep its last number.
    return {
        "p": "sensor",
        "name": name,
        "stat_t": topic,
        "val_tpl": f"{{% set v = {value} %}}{{{{ v if v is not none else 'None' }}}}",
        "unit_of_meas": unit,
        "stat_cla": "measurement",
        "exp_aft": EXPIRES_S,
        **({"dev_cla": device_class} if device_class else {}),
    }


def _binary(topic: str, name: str, value: str, device_class: str = "") -> Component:
    return {
        "p": "binary_sensor",
        "name": name,
        "stat_t": topic,
        "val_tpl": f"{{{{ 'ON' if {value} else 'OFF' }}}}",
        "exp_aft": EXPIRES_S,
        **({"dev_cla": device_class} if device_class else {}),
    }


_NO_PROBLEM = sorted(state.value for state in CALLS_NOBODY)  # as a list of the template's language


def _alarm(topics: Topics, code: str, name: str) -> Component:
    return {
        "p": "binary_sensor",
        "name": name,
        "stat_t": topics.alarm(code),
        "val_tpl": f"{{{{ 'OFF' if value_json.state in {_NO_PROBLEM} else 'ON' }}}}",
        "json_attr_t": topics.alarm(code),
        "dev_cla": "problem",
        "ent_cat": "diagnostic",
    }


def _alarm_event(topics: Topics) -> Component:
    """One event entity for all alarms: what an automation listens to. Repeats are not news."""
    return {
        "p": "event",
        "name": "Alarm",
        "stat_t": topics.alarm("+"),
        "evt_typ": [state.value for state in AlarmState],
        "val_tpl": (
            "{% if value_json.change %}"
            "{{ dict(event_type=value_json.state, code=value_json.code, priority=value_json.priority,"
            " message=value_json.message, remedy=value_json.remedy, late=value_json.late) | to_json }}"
            "{% endif %}"
        ),
    }


def _answer_event(topics: Topics) -> Component:
    """What became of a press of a button, which shows nothing itself. Answers to others are left out."""
    return {
        "p": "event",
        "name": "Answer",
        "stat_t": topics.reply,
        "evt_typ": ["accepted", "refused"],
        "val_tpl": (
            f"{{% if value_json.id.startswith('{_HUBS_ID}') %}}"
            "{{ dict(event_type='accepted' if value_json.accepted else 'refused', command=value_json.kind,"
            " reason=value_json.reason) | to_json }}"
            "{% endif %}"
        ),
    }


def _set_point(topics: Topics, described: Described) -> Component:
    return {
        "p": "number",
        "name": "Set point",
        "stat_t": topics.state,
        "val_tpl": "{{ value_json.set_point_c }}",
        "cmd_t": topics.command("set_point"),
        "cmd_tpl": _template('"temp_c": {{ value }}'),
        "min": described.set_point_min_c,
        "max": described.set_point_max_c,
        "step": 1,
        "unit_of_meas": "°C",
        "dev_cla": "temperature",
    }


# key -> (name, command kind, fields of the payload beside id, time and client)
_BUTTONS: dict[str, tuple[str, str, str]] = {
    "snuff": ("Snuff the fire", "snuff", ""),
    "acknowledge": ("Acknowledge all alarms", "acknowledge", ""),
    "ease": ("Let the pit fall, keep warm", "ease", ""),
    "tend": ("Back to tending", "tend", ""),
    "lid_off_notice": ("Lid comes off", "lid", '"lid_open": true'),
    "lid_on_notice": ("Lid is back on", "lid", '"lid_open": false'),
    "wood": ("Wood added, 80 g", "wood", '"mass_kg": 0.08'),
    "charcoal": ("Charcoal added, 0.5 kg", "charcoal", '"mass_kg": 0.5'),
    "reset": ("Reset a cut-off", "reset", ""),
}


def _buttons(topics: Topics) -> dict[str, Component]:
    return {
        f"do_{key}": {
            "p": "button",
            "name": name,
            "cmd_t": topics.command(kind),
            "cmd_tpl": _template(fields),
        }
        for key, (name, kind, fields) in _BUTTONS.items()
    }


def _template(fields: str) -> str:
    """A command payload that the hub fills in: a fresh id and the time of asking."""
    # a hub renders in Jinja's sandbox, where a range over 100000 long is an error: nothing would be sent
    return (
        f'{{"id": "{_HUBS_ID}'
        '{{ (now().timestamp() * 1000) | int }}-{{ range(100000) | random }}", '
        '"issued_utc": "{{ utcnow().isoformat() }}", "client": "hub"'
        + (f", {fields}" if fields else "")
        + "}"
    )


def _quoted(text: str) -> str:
    """`text` for a single-quoted string in a template."""
    return text.replace("\\", "\\\\").replace("'", "\\'")
