"""Checks an announcement with the hub's own schema code. Runs in an environment of its own, not in ours:

    python3 -m venv /tmp/hub && /tmp/hub/bin/pip install homeassistant==2024.3.3
    HUB_PYTHON=/tmp/hub/bin/python pytest tests/messages/test_discovery.py

That release, the newest for Python 3.11, knows single components, not yet the device-based form, so each
component is put together
with the device's part, as the hub itself does since, and goes through the schema of its platform. Its
command is rendered in the hub's own environment of templates.
"""

from __future__ import annotations

import importlib
import json
import sys


def main() -> None:
    mqtt = "homeassistant.components.mqtt"
    abbreviations = importlib.import_module(f"{mqtt}.abbreviations")

    def expand(part: dict, table: dict) -> dict:
        return {table.get(key, key): value for key, value in part.items()}

    templates = importlib.import_module("homeassistant.helpers.template").TemplateEnvironment(None)
    clock = importlib.import_module("homeassistant.util.dt")
    given = {"value": 1, "now": clock.now, "utcnow": clock.utcnow}  # the clock is of the running hub
    payload = json.load(sys.stdin)
    device = expand(payload["dev"], abbreviations.DEVICE_ABBREVIATIONS)
    origin = expand(payload["o"], abbreviations.ORIGIN_ABBREVIATIONS)
    availability = [expand(item, abbreviations.ABBREVIATIONS) for item in payload["avty"]]
    for component in payload["cmps"].values():
        config = expand(component, abbreviations.ABBREVIATIONS)
        platform = importlib.import_module(f"{mqtt}.{config.pop('p')}")
        config |= {"device": device, "origin": origin, "availability": availability, "qos": payload["qos"]}
        platform.DISCOVERY_SCHEMA(config)  # raises voluptuous.Invalid
        json.loads(templates.from_string(config.get("command_template", "null")).render(given))
    print(f"{len(payload['cmps'])} components are valid")


if __name__ == "__main__":
    main()
