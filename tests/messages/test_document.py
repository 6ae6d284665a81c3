"""The generated JSON Schema files and AsyncAPI document.

Checked against JSON Schema's own meta-schema (jsonschema), an independent object model of AsyncAPI 3
(asyncapi3), and, when ASYNCAPI_SCHEMA names the file, the schema that the AsyncAPI initiative publishes:

    npm pack @asyncapi/specs && tar xzf asyncapi-specs-*.tgz
    ASYNCAPI_SCHEMA=package/schemas/3.0.0.json pytest tests/messages/test_document.py
"""

from __future__ import annotations

import json
import os
import re
import warnings
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest

from coalminder.codec import to_plain
from coalminder.food.exposure import Clock, come_up_clock
from coalminder.food.foodplan import PlanStep
from coalminder.food.foodstate import FoodView, Reminder
from coalminder.messages.document import asyncapi, files, schemas
from coalminder.messages.food_part import FoodPart
from coalminder.messages.payloads import COMMANDS, CommandMessage, ReplyMessage, utc
from coalminder.messages.views import alarm_message, normal_message, state_message
from coalminder.values import (
    HEALTHY,
    Action,
    Alarm,
    AlarmState,
    Decision,
    FireEstimate,
    Inputs,
    Phase,
    ProbeFault,
    ProbeFaultKind,
    Reading,
)  # fmt: skip

FOLDER = Path(__file__).parents[2] / "docs" / "mqtt"
FORMATS = jsonschema.FormatChecker()


def validate(value: object, schema: object) -> None:
    jsonschema.Draft202012Validator(schema, format_checker=FORMATS).validate(value)  # type: ignore[arg-type]


def test_committed_files_are_what_the_models_say() -> None:
    fresh = files()
    committed = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.json")}
    assert committed == fresh, "run: python -m coalminder.messages.document docs/mqtt"


def test_the_guide_has_every_command_with_its_fields() -> None:
    guide = (FOLDER.parent / "mqtt.md").read_text("utf-8")
    table = guide.split("| kind | further fields | what |\n|---|---|---|\n")[1].split("\n\n")[0]
    shown = {
        kind: set(re.findall(r"`(\w+)`", fields))
        for kinds, fields in (line.split("|")[1:3] for line in table.splitlines())
        for kind in re.findall(r"`(\w+)`", kinds)
    }
    common = set(CommandMessage.model_fields)
    assert shown == {kind: set(model.model_fields) - common for kind, model in COMMANDS.items()}


def test_the_guide_shows_the_food_as_it_is_sent() -> None:
    """Only what is not as before the cook: who reads another field by this example must not miss it."""
    guide = (FOLDER.parent / "mqtt.md").read_text("utf-8")
    (shown,) = (
        json.loads(block) for block in re.findall(r"```json\n(.*?)```", guide, re.S) if '"stage"' in block
    )
    assert FoodPart.model_validate(shown).model_dump(mode="json", exclude_defaults=True) == shown


@pytest.mark.parametrize("name", schemas())
def test_schema_is_valid_json_schema(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schemas()[name])


ALARM = Alarm("fire_out", AlarmState.UNACKNOWLEDGED, Action.WARN, "high", True, 5.0, "Out.", "Relight.")
STATE = state_message(
    "kettle",
    Decision(Phase.TENDING, 93.0, 0.05, 0.3, pit_c=91.0, alarms=(ALARM,), fire=FireEstimate(900.0, 0.1)),
    HEALTHY,
    1_700_000_000.0,
    Inputs(Reading(91.0), foods=(("thick", Reading(48.0)), ("thin", ProbeFault(ProbeFaultKind.SHORT)))),
)


@pytest.mark.parametrize(
    ("schema", "message"),
    [
        ("state", STATE),
        ("alarm", alarm_message("kettle", ALARM, 1, 6.0, 1_700_000_006.0)),
        ("alarm", normal_message("kettle", "fire_out", 2, 1_700_000_006.0)),
        ("reply", ReplyMessage(grill="kettle", utc=utc(0.0), id="a", kind="ease", accepted=True)),
    ],
)
def test_what_the_daemon_sends_fits_its_schema(schema: str, message: object) -> None:
    sent = json.loads(message.model_dump_json())  # type: ignore[attr-defined]
    validate(sent, schemas()[f"{schema}.schema.json"])
    with pytest.raises(jsonschema.ValidationError):
        validate({**sent, "version": 2}, schemas()[f"{schema}.schema.json"])


def test_what_the_daemon_tells_of_the_food_fits_its_schema_which_names_all_of_it() -> None:
    clock = come_up_clock(600.0)
    view = FoodView(
        stage="cooking", at_s=100.0, core_c=41.0, finish_min=60.0, done=False, clocks=(clock,),
        reminders=(Reminder("core_probe", "Measure the core", "warn"),),
        next_step=PlanStep("rotate", "Turn the pieces", "End for end", 400.0), next_due_s=400.0,
    )  # fmt: skip
    schema = schemas()["food.schema.json"]
    for told in (view, FoodView()):
        validate({"stage": told.stage} | to_plain(told), schema)
    with pytest.raises(jsonschema.ValidationError):
        validate({"core_c": 41.0}, schema)
    assert set(schema["properties"]) == {field.name for field in fields(FoodView)}
    assert set(schema["$defs"]["Clock"]["properties"]) == {field.name for field in fields(Clock)}
    assert set(schema["$defs"]["Reminder"]["properties"]) == {field.name for field in fields(Reminder)}


def test_schema_and_model_agree_on_commands() -> None:
    """What the schema accepts the model accepts, and the other way round, on good and broken commands."""
    issued = datetime.now(UTC).isoformat()
    good = {"version": 1, "id": "a", "issued_utc": issued, "client": "phone"}
    own = {
        "set_point": {"temp_c": 95.0}, "lid": {"lid_open": True}, "wood": {"mass_kg": 0.1},
        "charcoal": {"mass_kg": 1.0, "lit": True}, "acknowledge": {"code": ""},
        "shelve": {"code": "fire_out", "for_s": 60.0}, "food": {"step": "loaded"},
    }  # fmt: skip
    broken: list[dict[str, object]] = [
        {"id": ""}, {"id": "a b"}, {"id": 5}, {"version": 2}, {"client": "x" * 65}, {"extra": 1},
        {"temp_c": "hot"}, {"mass_kg": 0.0}, {"lid_open": 1}, {"code": "A"}, {"for_s": -1.0},
        {"step": "eaten"},
    ]  # fmt: skip
    for kind, model in COMMANDS.items():
        schema = schemas()[f"command-{kind}.schema.json"]
        whole = {**good, **own.get(kind, {})}
        for change in [{}, *broken]:
            body = {**whole, **change}
            try:
                model.model_validate_json(json.dumps(body))
                valid = True
            except ValueError:
                valid = False
            accepted = jsonschema.Draft202012Validator(schema).is_valid(body)
            assert accepted == valid, (kind, change)


def test_asyncapi_document_passes_an_independent_model() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of the package's own field names
        from asyncapi3.models import AsyncAPI3
    document = AsyncAPI3.model_validate(json.loads(json.dumps(asyncapi())))
    assert document.asyncapi == "3.0.0"


def test_every_reference_in_the_asyncapi_document_leads_somewhere() -> None:
    document = asyncapi()
    found = []

    def walk(node: object) -> None:
        if isinstance(node, dict):
            if isinstance(node.get("$ref"), str):
                found.append(node["$ref"])
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(document)
    for reference in set(found):
        node = document
        for step in reference.removeprefix("#/").split("/"):
            node = node[step]
    assert len(set(found)) > 20


@pytest.mark.skipif("ASYNCAPI_SCHEMA" not in os.environ, reason="ASYNCAPI_SCHEMA names no file")
def test_asyncapi_document_fits_the_published_schema() -> None:
    published = json.loads(Path(os.environ["ASYNCAPI_SCHEMA"]).read_text(encoding="utf-8"))
    jsonschema.Draft7Validator(published).validate(json.loads(json.dumps(asyncapi())))
