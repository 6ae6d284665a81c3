"""The announcement for home hubs: its form, its templates, and its life on the broker.

Form: an independent package of models of the convention (ha-mqtt-models-pydantic), and, when HUB_PYTHON
names a Python that has it, the hub's own schema code (hub_own_schema.py). Templates: rendered by jinja2.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import jinja2.sandbox
import paho.mqtt.client as paho
import pytest
from brokers import Mosquitto, Watcher, wait_for
from ha_mqtt_models_pydantic.discovery import parse_component_payload, parse_device_discovery_payload

from coalminder.codec import to_plain
from coalminder.core.fire import FireState, estimate
from coalminder.events import KINDS
from coalminder.food.foodplan import FoodPlan
from coalminder.food.foodstate import FoodState, FoodView, Reminder
from coalminder.food.reminders import reminders_of
from coalminder.messages.announcer import Announcer
from coalminder.messages.commands import DEFAULT_LIMITS, Accepted, Memory, Received, judge
from coalminder.messages.discovery import Described, announcement, vanished
from coalminder.messages.inbox import Inbox
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.messages.topics import Topics
from coalminder.messages.views import alarm_message, normal_message, state_message
from coalminder.safety.faults import FAULTS
from coalminder.service.assemble import FoodSent
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

TOPICS = Topics("kettle")
CONFIG = "homeassistant/device/coalminder_kettle/config"
FULL = Described(
    name="Kettle behind the boathouse",
    alarms=tuple((fault.code, fault.code) for fault in FAULTS),
    foods=("thick", "cook's thin one"),
    others=("dome", "ambient"),
)
SEEN = Inputs(
    Reading(90.0),
    dome=Reading(99.0),
    ambient=Reading(20.0),
    foods=tuple((name, Reading(40.0)) for name in FULL.foods),
)
"""What those probes show."""
MARK = "test/mark"
PAYLOAD = announcement(TOPICS, FULL)
COMPONENTS = PAYLOAD["cmps"]


def hub() -> jinja2.Environment:
    """What the announcement uses of a hub's template language, in the sandbox that hubs render in."""
    environment = jinja2.sandbox.ImmutableSandboxedEnvironment()
    environment.globals |= {"now": datetime.now, "utcnow": lambda: datetime.now(UTC)}
    environment.filters |= {"to_json": json.dumps, "random": random.choice}
    return environment


def render(template: str, message: str = "null", **values: object) -> str:
    return hub().from_string(template).render(value_json=json.loads(message), **values)


def state_json() -> str:
    decision = Decision(
        Phase.TENDING, 93.0, 0.0521, 0.3, pit_c=91.23, in_band=True, fire=FireEstimate(heat_w=900.0)
    )
    inputs = Inputs(
        Reading(91.23),
        dome=ProbeFault(ProbeFaultKind.OPEN),
        foods=(("thick", Reading(48.04)), ("cook's thin one", ProbeFault(ProbeFaultKind.SHORT))),
    )
    return state_message("kettle", decision, HEALTHY, 1_700_000_000.0, inputs).model_dump_json()


def test_announcement_passes_an_independent_model_of_the_convention() -> None:
    device = parse_device_discovery_payload(PAYLOAD)
    assert set(device.components) == set(COMPONENTS)
    for component in COMPONENTS.values():
        fields = {key: value for key, value in component.items() if key != "p"}
        parse_component_payload(component["p"], fields)


def test_that_model_would_notice_a_missing_topic() -> None:
    with pytest.raises(ValueError, match="state_topic"):
        parse_component_payload("sensor", {"name": "Pit", "uniq_id": "x"})


@pytest.mark.skipif("HUB_PYTHON" not in os.environ, reason="HUB_PYTHON names no Python with the hub's code")
def test_announcement_passes_the_hubs_own_schema() -> None:
    script = Path(__file__).with_name("hub_own_schema.py")
    done = subprocess.run(
        [os.environ["HUB_PYTHON"], str(script)],
        input=json.dumps(PAYLOAD),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.strip() == f"{len(COMPONENTS)} components are valid"


def test_every_component_has_a_platform_and_an_id_of_its_own() -> None:
    ids = [component["uniq_id"] for component in COMPONENTS.values()]
    assert len(set(ids)) == len(ids)
    assert {component["p"] for component in COMPONENTS.values()} == {
        "sensor", "binary_sensor", "event", "number", "button",
    }  # fmt: skip
    assert PAYLOAD["o"]["name"]
    assert PAYLOAD["dev"]["ids"]


def test_temperatures_are_told_as_such_and_are_set_in_steps_that_a_hub_takes() -> None:
    """A hub turns °C into the unit of its owner for the device class temperature alone; a number's step is
    0.001 or more (the hub's documents, from memory).
    """
    for key, component in COMPONENTS.items():
        assert (component.get("unit_of_meas") == "°C") is (component.get("dev_cla") == "temperature"), key
        assert component.get("dev_cla") != ""
    assert COMPONENTS["set_point"]["step"] >= 0.001
    assert PAYLOAD["qos"] == 1


@pytest.mark.parametrize(
    ("key", "expected"),
    [
        ("pit", "91.2"),
        ("food_thick", "48.0"),
        ("food_2", "None"),  # a lost probe is 'unknown' to the hub, never its last number
        ("dome", "None"),
        ("phase", "tending"),
        ("lower", "5.2"),
        ("heat", "900.0"),
        ("fuel_left", "None"),
        ("in_band", "ON"),
        ("lid_off", "OFF"),
        ("set_point", "93.0"),
    ],
)
def test_templates_read_the_state_message(key: str, expected: str) -> None:
    assert render(COMPONENTS[key]["val_tpl"], state_json()) == expected


def food_json(view: FoodView) -> str:
    return FoodSent(root={"stage": view.stage} | to_plain(view)).model_dump_json()


def test_food_templates_read_what_the_daemon_tells_of_the_food() -> None:
    keys = ("food_core", "food_done_in", "food_done", "to_do")
    waiting = [render(COMPONENTS[key]["val_tpl"], food_json(FoodView())) for key in keys]
    assert waiting == ["None", "None", "OFF", "nothing"]
    long = Reminder("step_rotate", "Turn the pieces: " + "end for end " * 40)
    done = Reminder("food_done", "The food is done: take it off and report 'off'.")
    view = FoodView(stage="cooking", core_c=63.04, finish_min=0.0, done=True, reminders=(long, done))
    core, finish, is_done, to_do = (render(COMPONENTS[key]["val_tpl"], food_json(view)) for key in keys)
    assert (core, finish, is_done) == ("63.0", "0.0", "ON")
    assert to_do.startswith("Turn the pieces: end for end")
    assert len(to_do) <= 255  # the hub's limit for a state
    attributes = json.loads(render(COMPONENTS["to_do"]["json_attr_tpl"], food_json(view)))
    assert attributes == {"all": [long.text, done.text]}


def test_what_cannot_wait_is_the_first_to_do() -> None:
    """Food that came off raw: 'Chill what is left' came first, and 'Put it back' was an attribute."""
    steps = (
        Reminder("step_store", "Chill what is left: flat on trays"),
        Reminder("step_serve", "Serve: hot"),
    )
    warm = Reminder("clock_standing", "cooked food between 10 and 57 °C: 9 min left", "warn")
    raw = Reminder("not_done", "It came off before the rule was met: put it back.", "alarm")
    told = food_json(FoodView(stage="resting", reminders=(*steps, warm, raw)))
    assert render(COMPONENTS["to_do"]["val_tpl"], told) == raw.text
    attributes = json.loads(render(COMPONENTS["to_do"]["json_attr_tpl"], told))
    assert attributes == {"all": [raw.text, warm.text, *(step.text for step in steps)]}


def test_food_that_is_done_is_the_first_to_do_before_a_step_nobody_did() -> None:
    """'Turn the pieces' stood there, and that the food was done only in an attribute."""
    turn = Reminder("step_rotate", "Turn the pieces: end for end")
    state = FoodState(loaded_s=0.0, done=True)
    (done,) = reminders_of(state, FoodPlan(), "cooking", (), (), True, 60.0)
    told = food_json(FoodView(stage="cooking", done=True, reminders=(turn, done)))
    assert render(COMPONENTS["to_do"]["val_tpl"], told) == done.text


def test_a_fire_that_burns_next_to_nothing_is_not_said_to_last_for_years() -> None:
    """A bed just lit, or snuffed: one such figure spoils a hub's graph and its long-term statistics."""
    told = estimate(FireState(fuel_kg=2.0, burn_kg_per_s=1e-11, known=True))
    assert (told.fuel_left_low_min or 0.0) > 1e9
    decision = Decision(Phase.LIGHTING, 93.0, 1.0, 1.0, fire=told)
    fire = state_message("kettle", decision, HEALTHY, 0.0).model_dump()["fire"]
    assert fire["fuel_left_low_min"] == fire["fuel_left_min"] == fire["fuel_left_high_min"] == 2880.0


def test_alarm_templates_read_the_alarm_message() -> None:
    alarm = Alarm("fire_out", AlarmState.UNACKNOWLEDGED, Action.WARN, "high", True, 5.0, "Out.", "Relight.")
    raised = alarm_message("kettle", alarm, 7, 6.0, 1_700_000_006.0)
    normal = normal_message("kettle", "fire_out", 8, 1_700_000_016.0, before=alarm)
    repeat = raised.model_copy(update={"change": False})
    template = COMPONENTS["alarm_fire_out"]["val_tpl"]
    assert [render(template, m.model_dump_json()) for m in (raised, normal)] == ["ON", "OFF"]
    event = json.loads(render(COMPONENTS["alarms"]["val_tpl"], raised.model_dump_json()))
    assert event["event_type"] in COMPONENTS["alarms"]["evt_typ"]
    assert (event["code"], event["late"]) == ("fire_out", False)
    assert render(COMPONENTS["alarms"]["val_tpl"], repeat.model_dump_json()) == ""


@pytest.mark.parametrize("state", list(AlarmState))
def test_an_alarm_that_was_put_aside_is_no_problem_in_a_hub(state: AlarmState) -> None:
    """One taken out of service was a problem there from its first time on, for ever.

    ISA-18.2-2016, from memory: an alarm suppressed by design or out of service is not annunciated. A shelved
    one is there for a while, and its attributes tell that it is shelved.
    """
    aside = {"suppressed_by_design", "out_of_service"}
    alarm = Alarm("lighting_slow", state, Action.WARN, "medium", True, 5.0, "Slow.", "Look.")
    told = alarm_message("kettle", alarm, 7, 6.0, 1_700_000_006.0).model_dump_json()
    shown = render(COMPONENTS["alarm_lighting_slow"]["val_tpl"], told)
    assert shown == ("OFF" if state.value in aside | {"normal"} else "ON")


@pytest.mark.parametrize("key", [key for key, component in COMPONENTS.items() if "cmd_t" in component])
def test_what_a_hub_sends_is_accepted_as_a_command(key: str) -> None:
    component = COMPONENTS[key]
    body = render(component["cmd_tpl"], value=95.0)
    received = Received(component["cmd_t"], body.encode(), time.time())
    _, verdict = judge(Memory(), received, TOPICS, DEFAULT_LIMITS)
    assert isinstance(verdict, Accepted), verdict
    assert verdict.client == "hub"
    assert type(verdict.event) is KINDS[verdict.kind]


def test_a_hub_shows_what_became_of_its_commands() -> None:
    """A button of a hub shows nothing by itself: a reset that was refused looked like one that was obeyed."""
    reset = COMPONENTS["do_reset"]
    answered: list[tuple[str, str | bytes]] = []

    def publish(topic: str, payload: str | bytes, **_: object) -> int:
        answered.append((topic, payload))
        return 1

    inbox = Inbox(TOPICS, DEFAULT_LIMITS, publish, lambda: 9e9)
    for body in (render(reset["cmd_tpl"]).encode(), b'{"id": "another-1"}'):
        message = paho.MQTTMessage(topic=reset["cmd_t"].encode())
        message.payload = body
        inbox.put(message)
    inbox.take()
    answers = COMPONENTS["answers"]
    assert [topic for topic, _ in answered] == [answers["stat_t"]] * 2
    told, others = (render(answers["val_tpl"], str(body)) for _, body in answered)
    event = json.loads(told)
    assert event["event_type"] == "refused"
    assert event["event_type"] in answers["evt_typ"]
    assert event["command"] == "reset"
    assert event["reason"].startswith("stale")
    assert others == ""


def test_a_component_that_is_gone_is_named_once_more_with_its_platform_alone() -> None:
    fewer = announcement(TOPICS, Described(foods=("thick",)))
    gone = vanished(PAYLOAD, fewer)
    assert ("food_2", "sensor") in gone
    once = announcement(TOPICS, Described(foods=("thick",)), gone)
    assert once["cmps"]["food_2"] == {"p": "sensor"}
    assert vanished(once, fewer) == ()


@pytest.mark.parametrize("nonsense", [None, [], {}, {"cmps": []}, {"cmps": {"a": 1, "b": {"p": 2, "x": 3}}}])
def test_a_foreign_announcement_removes_nothing(nonsense: object) -> None:
    assert vanished(nonsense, PAYLOAD) == ()


@pytest.mark.broker
def test_hub_is_told_at_connection_at_its_birth_and_of_what_is_gone(mosquitto: Mosquitto) -> None:
    with Watcher(mosquitto, CONFIG) as watcher:
        link, announcer = started(mosquitto, FULL)
        first = watcher.wait(CONFIG)[0]
        assert json.loads(first.payload) == PAYLOAD
        watcher.client.publish("homeassistant/status", "online")
        wait_for(lambda: announcer.notice(SEEN) or len(watcher.on(CONFIG)) > 1)  # in a step
        assert json.loads(watcher.on(CONFIG)[1].payload) == PAYLOAD
        link.stop()
        link, _ = started(mosquitto, Described(foods=("thick",)))
        messages = [json.loads(m.payload) for m in watcher.wait(CONFIG, 5)]
        assert messages[3]["cmps"]["food_2"] == {"p": "sensor"}
        assert messages[4] == announcement(TOPICS, Described(foods=("thick",)))
        link.stop()


@pytest.mark.broker
def test_a_flood_of_births_is_answered_once_in_a_step(mosquitto: Mosquitto) -> None:
    """An announcement is thousands of times as long as what asks for it, and waits in memory to be sent."""
    with Watcher(mosquitto, (CONFIG, MARK)) as watcher:
        link, announcer = started(mosquitto, FULL)
        watcher.wait(CONFIG)
        for _ in range(200):
            watcher.client.publish("homeassistant/status", "online")
        watcher.client.publish(MARK, "the flood is over", qos=1)
        watcher.wait(MARK)
        time.sleep(0.5)
        announcer.notice(SEEN)
        link.publish(MARK, "so is the step")
        watcher.wait(MARK, 2)
        assert len(watcher.on(CONFIG)) == 2
        link.stop()


@pytest.mark.broker
def test_hub_learns_of_probes_as_they_are_seen_and_as_they_go(mosquitto: Mosquitto) -> None:
    link, announcer = started(mosquitto, Described())
    with Watcher(mosquitto, CONFIG) as watcher:
        watcher.wait(CONFIG)
        inputs = Inputs(Reading(90.0), dome=Reading(99.0), foods=(("thick", Reading(40.0)),))
        for _ in range(3):
            announcer.notice(inputs)
        announcer.notice(Inputs(Reading(90.0)))
        payloads = [json.loads(m.payload)["cmps"] for m in watcher.wait(CONFIG, 4)]
    link.stop()
    assert {"dome", "food_thick"} <= set(payloads[1])
    assert (payloads[2]["dome"], payloads[2]["food_thick"]) == ({"p": "sensor"}, {"p": "sensor"})
    assert not {"dome", "food_thick"} & set(payloads[3])


@pytest.mark.broker
def test_nothing_is_announced_before_the_probes_are_known(mosquitto: Mosquitto) -> None:
    """A hub takes a removal for good: name, room and history link of the entity go."""
    with Watcher(mosquitto, CONFIG) as watcher:
        link, _ = started(mosquitto, Described(foods=("thick", "thin")))
        watcher.wait(CONFIG)
        link.stop()
        link = Link(LinkOptions(host=mosquitto.host, port=mosquitto.port))
        announcer = Announcer(link, Described(), complete=False)
        link.start()
        wait_for(lambda: link.connected)
        time.sleep(0.3)
        assert len(watcher.on("#")) == 1
        announcer.notice(Inputs(Reading(90.0), foods=(("thin", Reading(40.0)),)))
        removal, now = (json.loads(m.payload)["cmps"] for m in watcher.wait(CONFIG, 3)[1:])
        link.stop()
    assert removal["food_thick"] == {"p": "sensor"}  # only what is really gone
    assert len(removal["food_thin"]) > 1
    assert "food_thick" not in now


def test_a_state_that_comes_no_more_becomes_unknown_and_a_probe_keeps_its_identity() -> None:
    regular = (TOPICS.state, TOPICS.part("food"))
    reads_state = [c for c in COMPONENTS.values() if c.get("stat_t") in regular and "cmd_t" not in c]
    assert {c["stat_t"] for c in reads_state} == set(regular)
    assert len(reads_state) > 12
    assert all(component["exp_aft"] == 60 for component in reads_state)
    fewer = announcement(TOPICS, Described(foods=("thin",)))["cmps"]
    more = announcement(TOPICS, Described(foods=("thick", "thin")))["cmps"]
    assert fewer["food_thin"]["uniq_id"] == more["food_thin"]["uniq_id"]


@pytest.mark.broker
def test_announcement_is_taken_back_when_it_is_switched_off(mosquitto: Mosquitto) -> None:
    link, _ = started(mosquitto, FULL)
    with Watcher(mosquitto, CONFIG) as watcher:
        assert watcher.wait(CONFIG)[0].retain
        link.stop()
        off = Link(LinkOptions(host=mosquitto.host, port=mosquitto.port))
        Announcer(off, FULL, enabled=False)
        off.start()
        assert watcher.wait(CONFIG, 2)[1].payload == b""
        off.stop()
    with Watcher(mosquitto, CONFIG) as late:
        late.client.publish(CONFIG, b"probe")
        assert [m.payload for m in late.wait(CONFIG)] == [b"probe"]  # nothing was retained


def started(broker: Mosquitto, described: Described) -> tuple[Link, Announcer]:
    link = Link(LinkOptions(host=broker.host, port=broker.port))
    announcer = Announcer(link, described)
    link.start()
    wait_for(lambda: link.connected)
    return link, announcer


if __name__ == "__main__":
    json.dump(PAYLOAD, sys.stdout)
