"""Commands through to the core: each is answered, and none opens a vent while a fault is latched."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coalminder.core import Config, State, initial, step
from coalminder.events import Light, Snuff
from coalminder.messages.commands import DEFAULT_LIMITS, Accepted, Memory, Received, judge
from coalminder.messages.payloads import COMMANDS
from coalminder.messages.topics import Topics
from coalminder.values import Decision, Inputs, Phase, ProbeFault, ProbeFaultKind, Reading, Sample

UTC_S = 1_700_000_000.0
CAUSES: dict[str, Sample] = {"hot": Reading(190.5), "lost": ProbeFault(ProbeFaultKind.OPEN)}
TOPICS = Topics("kettle")
FIELDS: dict[str, dict[str, object]] = {
    "set_point": {"temp_c": 100.0}, "lid": {"lid_open": True}, "wood": {"mass_kg": 0.1},
    "charcoal": {"mass_kg": 1.0, "lit": True}, "shelve": {"code": "pit_over_hard_limit", "for_s": 600.0},
    "food": {"step": "loaded"},
}  # fmt: skip


def asked(kind: str, number: int) -> object:
    issued = datetime.fromtimestamp(UTC_S + number, UTC).isoformat()
    body = {"id": f"c{number}", "issued_utc": issued, **FIELDS.get(kind, {})}
    received = Received(TOPICS.command(kind), json.dumps(body).encode(), UTC_S + number)
    verdict = judge(Memory(), received, TOPICS, DEFAULT_LIMITS)[1]
    assert isinstance(verdict, Accepted)
    return verdict.event


def run(state: State, now_s: float, pit: Sample, *events: object) -> tuple[State, Decision]:
    return step(state, Inputs(pit, events=events), now_s)


@cache
def burning() -> tuple[State, float]:
    """A kettle that was lit and has come up to the band. A state is frozen: one will do for all tests."""
    state, now_s = initial(Config()), 0.0
    state, _ = run(state, now_s, Reading(20.0), Light())
    while now_s < 1800.0:
        now_s += 1.0
        wobble_c = 0.25 * (now_s % 3.0)  # a frozen number would be a fault of its own
        state, decision = run(state, now_s, Reading(min(20.0 + now_s / 15.0, 93.0) + wobble_c))
    assert decision.lower > 0.0, decision.phase
    return state, now_s


@cache
def cut_off(cause: str) -> tuple[State, float]:
    """The same, cut off, and what did it is still there."""
    pit = CAUSES[cause]
    state, now_s = burning()
    temp_c = 93.0
    for second in range(600):
        now_s += 1.0
        temp_c = min(temp_c + 0.5, 190.0)
        wobble_c = 0.25 * (second % 3)  # a frozen number would be a fault of its own
        state, decision = run(state, now_s, Reading(temp_c + wobble_c) if isinstance(pit, Reading) else pit)
    assert decision.phase is Phase.CUT_OFF
    assert decision.lower == decision.upper == 0.0
    return state, now_s


@given(cause=st.sampled_from(sorted(CAUSES)), kinds=st.lists(st.sampled_from(sorted(COMMANDS)), max_size=25))
@settings(max_examples=60, deadline=None)
def test_no_command_opens_a_vent_while_the_cause_of_a_cut_off_is_there(cause: str, kinds: list[str]) -> None:
    state, now_s = cut_off(cause)
    for number, kind in enumerate(kinds):
        now_s += 1.0
        state, decision = run(state, now_s, CAUSES[cause], asked(kind, number))
        assert decision.lower == decision.upper == 0.0, kind


@pytest.mark.parametrize("kind", sorted(COMMANDS))
@pytest.mark.parametrize("where", ["cold", "burning", "cut off"])
def test_every_command_is_answered_exactly_once_in_the_same_step(kind: str, where: str) -> None:
    state, now_s = {
        "cold": (initial(Config()), 0.0),
        "burning": burning(),
        "cut off": cut_off("hot"),
    }[where]
    pit = Reading({"cold": 20.0, "burning": 93.0, "cut off": 190.5}[where])
    _, decision = run(state, now_s + 1.0, pit, asked(kind, 7))
    assert [outcome.event_id for outcome in decision.outcomes] == ["c7"]
    outcome = decision.outcomes[0]
    assert outcome.accepted or outcome.reason


def test_snuff_shuts_the_vents_in_the_same_step() -> None:
    state, now_s = burning()
    _, decision = run(state, now_s + 1.0, Reading(93.0), Snuff("s"))
    assert (decision.lower, decision.upper) == (0.0, 0.0)
    assert decision.outcomes[0].accepted


@pytest.mark.parametrize("snuff", ["a snuff that says when", "a broken one"])
@pytest.mark.parametrize("fields", [{}, {"client": "phone"}], ids=["nobody", "phone"])
def test_what_was_asked_before_a_snuff_gives_the_fire_no_air_after_it(
    snuff: str, fields: dict[str, object]
) -> None:
    """A network may hold one phone's word back while another's is heard; MQTT orders only what one client
    sends with one QoS (MQTT 5, 4.6).
    """
    memory, state = Memory(), run(initial(Config()), 0.0, Reading(60.0), Light())[0]

    def hear(kind: str, asked_s: float, heard_s: float, payload: bytes = b"") -> Decision:
        nonlocal memory, state
        issued = datetime.fromtimestamp(UTC_S + asked_s, UTC).isoformat()
        body = {"id": f"{kind}-{heard_s:g}", "issued_utc": issued, **FIELDS.get(kind, {}), **fields}
        raw = payload or json.dumps(body).encode()
        memory, verdict = judge(
            memory, Received(TOPICS.command(kind), raw, UTC_S + heard_s), TOPICS, DEFAULT_LIMITS
        )
        events = (verdict.event,) if isinstance(verdict, Accepted) else ()
        state, decision = run(state, heard_s, Reading(60.0 + 0.1 * (heard_s % 3)), *events)
        return decision

    hear("snuff", 1.0, 1.0, b"" if snuff == "a snuff that says when" else b"help")
    for heard_s, kind in enumerate((*COMMANDS, *COMMANDS), start=2):
        if kind != "snuff":
            decision = hear(kind, 0.0, float(heard_s))
            assert (decision.phase, decision.lower, decision.upper) == (Phase.SNUFFING, 0.0, 0.0), kind
    assert hear("light", 27.0, 27.0).upper > 0.0  # who asks after it is heard


def test_a_clock_put_back_after_a_snuff_keeps_no_fire_from_being_lit() -> None:
    soon = Received(TOPICS.command("snuff"), b"off", UTC_S + 7200.0)
    memory, _ = judge(Memory(), soon, TOPICS, DEFAULT_LIMITS)
    body = json.dumps({"id": "a", "issued_utc": datetime.fromtimestamp(UTC_S, UTC).isoformat()}).encode()
    verdict = judge(memory, Received(TOPICS.command("light"), body, UTC_S), TOPICS, DEFAULT_LIMITS)[1]
    assert isinstance(verdict, Accepted)
