"""What the daemon takes for a command, and what it refuses and why."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import paho.mqtt.client as paho
import pytest

from coalminder.events import (
    KINDS,
    Acknowledge,
    CharcoalAdded,
    Ease,
    Event,
    FoodStep,
    LidNotice,
    Light,
    Reset,
    SetPoint,
    Shelve,
    Snuff,
    Tend,
    WoodAdded,
)  # fmt: skip
from coalminder.messages.commands import (
    DEFAULT_LIMITS,
    Accepted,
    CommandLimits,
    Memory,
    Received,
    Refusal,
    judge,
)
from coalminder.messages.inbox import Inbox
from coalminder.messages.payloads import COMMANDS
from coalminder.messages.topics import Topics
from coalminder.values import CommandRecord, Outcome

NOW_S = 1_700_000_000.0
TOPICS = Topics("kettle")


def body(age_s: float = 0.5, command_id: str = "c-1", **fields: object) -> dict[str, object]:
    issued = datetime.fromtimestamp(NOW_S - age_s, UTC).isoformat()
    return {"id": command_id, "issued_utc": issued, **fields}


def received(kind: str, payload: object, **changes: object) -> Received:
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    message = Received(TOPICS.command(kind), raw, NOW_S)
    return replace(message, **changes)  # type: ignore[arg-type]


def verdict_on(
    kind: str, payload: object, limits: CommandLimits = DEFAULT_LIMITS, **changes: object
) -> object:
    return judge(Memory(), received(kind, payload, **changes), TOPICS, limits)[1]


def test_every_event_a_person_may_ask_for_has_a_command() -> None:
    assert set(COMMANDS) == set(KINDS)


@pytest.mark.parametrize(
    ("kind", "fields", "event"),
    [
        ("light", {}, Light("c-1")),
        ("set_point", {"temp_c": 95}, SetPoint("c-1", 95.0)),
        ("tend", {}, Tend("c-1")),
        ("ease", {}, Ease("c-1")),
        ("snuff", {}, Snuff("c-1")),
        ("reset", {}, Reset("c-1", age_s=0.5)),
        ("lid", {"lid_open": True}, LidNotice("c-1", True)),
        ("lid", {"lid_open": False}, LidNotice("c-1", False)),
        ("wood", {"mass_kg": 0.08}, WoodAdded("c-1", 0.08)),
        ("charcoal", {"mass_kg": 0.5, "lit": True}, CharcoalAdded("c-1", 0.5, True)),
        ("acknowledge", {}, Acknowledge("c-1", "", age_s=0.5)),
        ("acknowledge", {"code": "fire_out"}, Acknowledge("c-1", "fire_out", age_s=0.5)),
        ("shelve", {"code": "fire_out", "for_s": 600}, Shelve("c-1", "fire_out", 600.0)),
        ("food", {"step": "loaded"}, FoodStep("c-1", "loaded")),
    ],
)
def test_valid_command_becomes_its_event(kind: str, fields: dict[str, object], event: Event) -> None:
    assert verdict_on(kind, body(**fields)) == Accepted(kind, event)


@pytest.mark.parametrize(
    ("kind", "payload", "reason"),
    [
        ("set_point", b"", "not a valid 'set_point'"),
        ("set_point", b"95", "not a valid 'set_point'"),
        ("set_point", b"\xff\xfe", "not a valid 'set_point'"),
        ("set_point", b"[" * 2000, "not a valid 'set_point'"),
        ("set_point", b'{"temp_c":' * 200, "not a valid 'set_point'"),
        ("set_point", body(), "temp_c: Field required"),
        ("set_point", body(temp_c="warm"), "temp_c"),
        ("set_point", body(temp_c="95"), "temp_c"),
        ("set_point", body(temp_c=True), "temp_c"),
        ("lid", body(lid_open="yes"), "lid_open"),
        ("lid", body(lid_open=1), "lid_open"),
        ("set_point", body(temp_c=95.0, also="this"), "also: Extra inputs are not permitted"),
        ("set_point", body(temp_c=95.0, version=2), "version"),
        ("set_point", json.dumps(body()).replace("}", ', "temp_c": NaN}').encode(), "temp_c"),
        ("set_point", json.dumps(body()).replace("}", ', "temp_c": 1e999}').encode(), "temp_c"),
        ("set_point", {"temp_c": 95.0, "issued_utc": "2023-11-14T22:13:20Z"}, "id: Field required"),
        ("set_point", {"temp_c": 95.0, "id": "c"}, "issued_utc: Field required"),
        ("set_point", body(command_id="a b", temp_c=95.0), "id"),
        ("set_point", body(command_id="x" * 65, temp_c=95.0), "id"),
        ("set_point", {"id": "c", "temp_c": 95.0, "issued_utc": "2023-11-14T22:13:20"}, "timezone"),
        ("set_point", body(temp_c=54.9), "temp_c 54.9 °C is outside 55 to 110 °C"),
        ("set_point", body(temp_c=110.1), "outside 55 to 110 °C"),
        ("wood", body(mass_kg=0), "mass_kg"),
        ("wood", body(mass_kg=0.6), "outside 0 to 0.5 kg"),
        ("charcoal", body(mass_kg=4.5), "outside 0 to 4 kg"),
        ("shelve", body(code="fire_out", for_s=7201), "outside 0 to 7200 s"),
        ("shelve", body(), "code"),
        ("food", body(step="eaten"), "step"),
        ("set_point", {**body(temp_c=95.0), "client": "x" * 65}, "client"),
    ],
)
def test_invalid_command_is_refused_with_what_is_wrong(kind: str, payload: object, reason: str) -> None:
    verdict = verdict_on(kind, payload)
    assert isinstance(verdict, Refusal)
    assert reason in verdict.reason
    assert "\n" not in verdict.reason


@pytest.mark.parametrize("encoding", ["latin-1", "utf-8-sig", "utf-16", "utf-16-le", "utf-32"])
def test_a_command_in_another_encoding_is_told_so_by_its_id(encoding: str) -> None:
    """A shell of another system writes UTF-16, or a mark before the text (RFC 8259, 8.1: UTF-8, no mark)."""
    text = json.dumps(body(temp_c=95.0, client="Grönhütte"), ensure_ascii=False)
    verdict = verdict_on("set_point", text.encode(encoding))
    assert isinstance(verdict, Refusal)
    assert (verdict.event_id, verdict.reason.endswith("without a byte order mark")) == ("c-1", True)


@pytest.mark.parametrize(
    ("age_s", "accepted"),
    [(-5.1, False), (-5.0, True), (0.0, True), (30.0, True), (30.1, False), (1e7, False)],
)
def test_command_is_good_for_30_s_by_its_issue_time(age_s: float, accepted: bool) -> None:
    assert isinstance(verdict_on("ease", body(age_s)), Accepted if accepted else Refusal)


def test_issue_time_counts_in_any_zone() -> None:
    issued = datetime.fromtimestamp(NOW_S, timezone(timedelta(hours=-9, minutes=-30))).isoformat()
    assert isinstance(verdict_on("ease", {"id": "c", "issued_utc": issued}), Accepted)


def run(*messages: Received) -> list[object]:
    memory, verdicts = Memory(), []
    for message in messages:
        memory, verdict = judge(memory, message, TOPICS, DEFAULT_LIMITS)
        verdicts.append("accepted" if isinstance(verdict, Accepted) else verdict.reason.split(":")[0])
    return verdicts


def test_the_same_id_is_accepted_once_whoever_sends_it() -> None:
    first = received("ease", body(3, "same"))
    again = received("tend", body(2, "same", client="other"))
    assert run(first, first, again) == ["accepted", "duplicate", "duplicate"]


def test_an_id_is_remembered_for_as_long_as_its_command_is_fresh() -> None:
    ahead = received("ease", body(-5.0, "same"))  # the sender's clock is 5 s ahead
    assert run(ahead, replace(ahead, utc_s=NOW_S + 35.0)) == ["accepted", "duplicate"]
    assert run(ahead, replace(ahead, utc_s=NOW_S + 35.1)) == ["accepted", "stale"]


def test_older_command_of_a_sender_is_refused_after_a_newer_one() -> None:
    newer = received("set_point", body(1, "b", temp_c=90, client="phone"))
    older = received("set_point", body(2, "a", temp_c=100, client="phone"))
    other = received("ease", body(3, "c", client="hub"))
    assert run(newer, older, other) == ["accepted", "out of order", "accepted"]


def test_two_phones_without_a_name_do_not_shut_each_other_out() -> None:
    """Their clocks differ, and nobody knows that they are two."""
    assert run(received("light", body(1, "b")), received("ease", body(2, "a"))) == ["accepted", "accepted"]


def test_refused_command_leaves_no_trace_in_the_memory() -> None:
    bad = received("set_point", body(1, "a", temp_c=500))
    good = received("set_point", body(1, "a", temp_c=95))
    assert run(bad, good) == [bad_reason := run(bad)[0], "accepted"]
    assert bad_reason != "accepted"


def test_flood_is_refused_and_memory_stays_bounded() -> None:
    memory = Memory()
    for number in range(1000):
        message = received("ease", body(0.5, f"c{number}", client=f"s{number}"))
        memory, verdict = judge(memory, message, TOPICS, DEFAULT_LIMITS)
    assert isinstance(verdict, Refusal)
    assert len(memory.recent) == len(memory.newest) == DEFAULT_LIMITS.max_recent
    later = replace(received("ease", body(-60, "late")), utc_s=NOW_S + 60)
    memory, verdict = judge(memory, later, TOPICS, DEFAULT_LIMITS)
    assert isinstance(verdict, Accepted)
    assert len(memory.recent) == 1


def test_one_phone_is_heard_all_through_a_long_cook() -> None:
    """A word every 20 s for two hours: what is too old to be repeated must not fill the memory."""
    memory = Memory()
    for at_s in range(0, 7200, 20):
        message = received("ease", body(0.5 - at_s, f"c{at_s}"), utc_s=NOW_S + at_s)
        memory, verdict = judge(memory, message, TOPICS, DEFAULT_LIMITS)
        assert isinstance(verdict, Accepted), at_s
        assert len(memory.recent) <= 2


def test_retained_command_is_refused() -> None:
    for kind in COMMANDS:
        for issued_s in (0, -60):
            verdict = verdict_on(kind, body(issued_s), retained=True)
            if kind == "snuff" and issued_s == 0:  # somebody asks now
                assert isinstance(verdict, Accepted)
                continue
            assert isinstance(verdict, Refusal)
            assert "retain" in verdict.reason
    assert isinstance(verdict_on("snuff", b"", retained=True), Refusal)


@pytest.mark.parametrize(
    "payload",
    [b"", b"off", b"\xff" * 10, b"x" * 1_000_000, body(9e6), body(-9e6), body(extra=1), {"id": "only"}],
    ids=["empty", "word", "bytes", "1 MB", "old", "future", "extra", "no time"],
)
def test_snuff_is_obeyed_whatever_it_looks_like(payload: object) -> None:
    verdict = verdict_on("snuff", payload)
    assert isinstance(verdict, Accepted)
    assert isinstance(verdict.event, Snuff)


def test_snuff_is_obeyed_in_a_flood_and_when_repeated() -> None:
    memory = Memory(tuple((f"c{n}", NOW_S) for n in range(DEFAULT_LIMITS.max_recent)), {"": NOW_S + 5})
    for _ in range(2):
        memory, verdict = judge(memory, received("snuff", body()), TOPICS, DEFAULT_LIMITS)
        assert isinstance(verdict, Accepted)


def test_a_command_sent_again_lights_nothing_after_a_restart_of_the_daemon() -> None:
    """A phone that missed the broker's word sends it again (MQTT 5, 4.4), and a daemon's ids end with it."""
    light, answers = body(), []

    def keep_answer(_topic: str, payload: str | bytes, **_: object) -> int:
        answers.append(payload)
        return 1

    def heard_by_a_daemon_of(begun_s: float, *kinds: str) -> list[type[Event]]:
        now_s = [begun_s]
        inbox = Inbox(TOPICS, DEFAULT_LIMITS, keep_answer, lambda: now_s[0])
        now_s[0] = NOW_S + 5.0
        for kind in kinds:
            message = paho.MQTTMessage(topic=TOPICS.command(kind).encode())
            message.payload = json.dumps(light if kind == "light" else body()).encode()
            inbox.put(message)
        return [type(event) for event in inbox.take()]

    assert heard_by_a_daemon_of(NOW_S - 60.0, "light", "snuff") == [Light, Snuff]
    assert heard_by_a_daemon_of(NOW_S + 4.0, "light") == []
    assert "daemon began" in str(answers[-1])


def test_a_flood_of_snuffs_is_obeyed_and_does_not_fill_the_disk() -> None:
    """A program that has run wild sends thousands in a second, each as large as it likes."""
    now_s = [NOW_S]
    inbox = Inbox(TOPICS, DEFAULT_LIMITS, lambda *_, **__: 1, lambda: now_s[0])

    def heard(kind: str, count: int) -> tuple[int, list[CommandRecord]]:
        for _ in range(count):
            message = paho.MQTTMessage(topic=TOPICS.command(kind).encode())
            message.payload = b"x" * 5000
            inbox.put(message)
        taken = inbox.take()
        inbox.answer(Outcome(event.event_id, True) for event in taken)
        return len(taken), list(inbox.take_records())

    heard("tend", 500)
    obeyed, records = heard("snuff", 1)
    assert (obeyed, len(records)) == (1, 1), "no flood of others hides a snuff"
    obeyed, records = heard("snuff", 500)
    assert obeyed == 500
    assert len(records) < 60
    left_out, now_s[0] = 500 - len(records), NOW_S + 10.0
    obeyed, (record,) = heard("snuff", 1)
    assert record.accepted
    assert f"{left_out} more" in record.reason


@pytest.mark.parametrize(
    "topic",
    ["coalminder/kettle/command/boost", "coalminder/other/command/snuff", "coalminder/kettle/command/snuff/x",
     "coalminder/kettle/state", "snuff", "", "coalminder/kettle/command/"],
)  # fmt: skip
def test_foreign_topic_is_refused(topic: str) -> None:
    assert isinstance(judge(Memory(), Received(topic, b"{}", NOW_S), TOPICS, DEFAULT_LIMITS)[1], Refusal)


@pytest.mark.parametrize(
    ("kind", "payload", "changes", "known"),
    [
        ("set_point", body(temp_c="95"), {}, "c-1"),
        ("set_point", {"id": "c-1"}, {}, "c-1"),
        ("set_point", body(temp_c=95), {"retained": True}, "c-1"),
        ("SET_POINT", body(temp_c=95), {}, "c-1"),
        ("tend", body(command_id="not {allowed}"), {}, ""),
        ("tend", {**body(), "id": 5}, {}, ""),
        ("tend", b"[" * 2000, {}, ""),
        ("tend", b"[1]", {}, ""),
        ("tend", b"\xff", {}, ""),
    ],
)
def test_a_refusal_names_the_command_whose_id_can_be_read(
    kind: str, payload: object, changes: dict[str, object], known: str
) -> None:
    verdict = verdict_on(kind, payload, **changes)  # type: ignore[arg-type]
    assert isinstance(verdict, Refusal)
    assert verdict.event_id == known


@pytest.mark.parametrize(
    ("payload", "known"), [(body(), "c-1"), (body(9e6), "c-1"), (body(extra=1), "c-1"), (b"off", "")]
)
def test_an_obeyed_snuff_is_named_by_the_id_that_can_be_read(payload: object, known: str) -> None:
    verdict = verdict_on("snuff", payload)
    assert isinstance(verdict, Accepted)
    assert verdict.event.event_id == known


def test_oversized_command_is_not_even_parsed() -> None:
    verdict = verdict_on("set_point", json.dumps(body(temp_c=95.0)).encode() + b" " * 2048)
    assert isinstance(verdict, Refusal)
    assert "too large" in verdict.reason


@pytest.mark.parametrize(
    ("topic", "allowed"),
    [
        ("coalminder/kettle/reply", True),
        ("coalminder/kettle/reply/phone-1", True),
        ("coalminder/kettle/reply/a/b", True),
        ("coalminder/kettle/reply/", False),
        ("coalminder/kettle/reply/+", False),
        ("coalminder/kettle/reply/#", False),
        ("coalminder/kettle/replyx", False),
        ("coalminder/kettle/command/snuff", False),
        ("x/coalminder/kettle/reply/a", False),
        ("coalminder/kettle/reply/" + "x" * 129, False),
    ],
)
def test_replies_go_only_below_the_grills_own_reply_topic(topic: str, allowed: bool) -> None:
    """No wildcard in a response topic: MQTT 5, 3.3.2-14. Ours: no writing elsewhere for others."""
    assert TOPICS.may_answer_on(topic) is allowed
