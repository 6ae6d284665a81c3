"""Writes the machine-readable description of the messages: JSON Schema files and an AsyncAPI 3 document.

    python -m coalminder.messages.document docs/mqtt

Everything comes from the models and the topic tree, so it cannot drift; a test compares the committed
files with a fresh run.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import JsonSchemaMode, models_json_schema

from coalminder.messages.food_part import FoodPart
from coalminder.messages.payloads import COMMANDS, VERSION, AlarmMessage, ReplyMessage, StateMessage

JSON_SCHEMA = "https://json-schema.org/draft/2020-12/schema"
SENT: dict[str, type[BaseModel]] = {
    "state": StateMessage, "alarm": AlarmMessage, "reply": ReplyMessage, "food": FoodPart,
}  # fmt: skip


def schemas() -> dict[str, dict[str, Any]]:
    """File name -> JSON Schema, one for each kind of message."""
    found = {f"{name}.schema.json": _schema(name, model, "serialization") for name, model in SENT.items()}
    for kind, model in COMMANDS.items():
        found[f"command-{kind}.schema.json"] = _schema(f"command:{kind}", model, "validation")
    return found


def asyncapi() -> dict[str, Any]:
    """The AsyncAPI 3.0.0 document, self-contained."""
    modes: list[tuple[type[BaseModel], JsonSchemaMode]] = [
        (model, "serialization") for model in SENT.values()
    ]
    modes += [(model, "validation") for model in dict.fromkeys(COMMANDS.values())]
    names, definitions = models_json_schema(modes, ref_template="#/components/schemas/{model}")
    refs = {model: names[(model, mode)] for model, mode in modes}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Coalminder over MQTT",
            "version": f"{VERSION}.0.0",
            "description": (
                f"Messages of a tended charcoal grill, version {VERSION}. "
                "docs/mqtt.md explains them for people."
            ),
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "servers": _servers(),
        "channels": _channels(),
        "operations": _operations(),
        "components": {
            "securitySchemes": {"password": {"type": "userPassword"}},
            "parameters": {"grill": {"description": "name of the grill: 1 to 32 of a-z, 0-9, _ and -"}},
            "messages": _messages(refs),
            "schemas": definitions["$defs"],
        },
    }


def files() -> dict[str, str]:
    """File name -> text of every generated file."""
    found = {**schemas(), "asyncapi.json": asyncapi()}
    return {name: json.dumps(value, indent=2, ensure_ascii=False) + "\n" for name, value in found.items()}


def _schema(name: str, model: type[BaseModel], mode: JsonSchemaMode) -> dict[str, Any]:
    return {
        "$schema": JSON_SCHEMA,
        "$id": f"urn:coalminder:mqtt:{VERSION}:{name}",
        **model.model_json_schema(mode=mode),
    }


def _servers() -> dict[str, Any]:
    security = [{"$ref": "#/components/securitySchemes/password"}]
    return {
        "network": {
            "host": "{broker}:8883",
            "protocol": "secure-mqtt",
            "protocolVersion": "5",
            "description": "TLS, for phones and hubs; 3.1.1 works too",
            "variables": {"broker": {"description": "name of the machine with the broker"}},
            "security": security,
        },
        "here": {"host": "127.0.0.1:1883", "protocol": "mqtt", "protocolVersion": "5", "security": security},
    }


def _channels() -> dict[str, Any]:
    channels = {
        "availability": _channel("availability", "online, or offline (also the will)", "availability"),
        "state": _channel("state", "the grill now", "state"),
        "stateLate": _channel("state/late", "states of the time when the broker was away", "state"),
        "alarm": _channel("alarm/{code}", "one topic per alarm", "alarm", code="code of the alarm"),
        "food": _channel("part/food", "the food, its estimate, limits and what it asks for", "food"),
        "reply": _channel("reply", "answers to commands without a response topic", "reply"),
        "replyTo": _channel(
            "reply/{client}", "answers for one client", "reply", client="chosen by the client"
        ),
    }
    for kind in COMMANDS:
        channels[f"command_{kind}"] = _channel(f"command/{kind}", f"command '{kind}'", f"command_{kind}")
    return channels


def _channel(address: str, description: str, message: str, **parameters: str) -> dict[str, Any]:
    return {
        "address": f"coalminder/{{grill}}/{address}",
        "description": description,
        "messages": {message: {"$ref": f"#/components/messages/{message}"}},
        "parameters": {
            "grill": {"$ref": "#/components/parameters/grill"},
            **{name: {"description": text} for name, text in parameters.items()},
        },
    }


def _operations() -> dict[str, Any]:
    found: dict[str, Any] = {}
    for channel, qos, retain in (
        ("availability", 1, True),
        ("state", 0, True),
        ("stateLate", 1, False),
        ("alarm", 1, True),
        ("food", 0, True),
    ):
        found[f"send_{channel}"] = {
            "action": "send",
            "channel": {"$ref": f"#/channels/{channel}"},
            "bindings": {"mqtt": {"qos": qos, "retain": retain, "bindingVersion": "0.2.0"}},
        }
    for kind, model in COMMANDS.items():
        found[f"receive_{kind}"] = {
            "action": "receive",
            "channel": {"$ref": f"#/channels/command_{kind}"},
            "summary": _first_line(model) if model.__name__ != "CommandMessage" else f"Command '{kind}'.",
            "bindings": {"mqtt": {"qos": 1, "retain": False, "bindingVersion": "0.2.0"}},
            "reply": {"channel": {"$ref": "#/channels/reply"}},
        }
    return found


def _messages(refs: dict[type[BaseModel], Any]) -> dict[str, Any]:
    found: dict[str, Any] = {
        "availability": {
            "contentType": "text/plain",
            "payload": {"type": "string", "enum": ["online", "offline"]},
        },
    }
    for name, model in SENT.items():
        found[name] = {"summary": _first_line(model), "payload": refs[model]}
    for kind, model in COMMANDS.items():
        found[f"command_{kind}"] = {"payload": refs[model]}
    return found


def _first_line(model: type[BaseModel]) -> str:
    return (model.__doc__ or "").strip().splitlines()[0]


def main() -> int:
    """Write the files into the folder named on the command line."""
    if len(sys.argv) != 2:
        sys.stderr.write("usage: python -m coalminder.messages.document FOLDER\n")
        return 2
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files().items():
        (folder / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
