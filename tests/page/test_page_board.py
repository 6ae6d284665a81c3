"""What the page keeps of the messages."""

from __future__ import annotations

import json
from dataclasses import fields

import pytest
from page_messages import NOW, TOPICS, alarm, later, state, tell

from coalminder.codec import to_plain
from coalminder.food.exposure import come_up_clock
from coalminder.food.foodplan import PlanStep
from coalminder.food.foodstate import FoodView, Reminder
from coalminder.messages.food_part import FoodPart
from coalminder.page import board as board_module
from coalminder.page.board import Board


@pytest.fixture
def board() -> Board:
    return Board(TOPICS)


def test_the_newest_state_counts_and_goes_into_the_plot(board: Board) -> None:
    tell(board, state(), mono_s=1.0)
    tell(board, state(utc=later(5), pit_c=95.0), mono_s=6.0)
    assert board.state is not None
    assert board.state.pit_c == 95.0
    assert board.history.columns()["pit"] == [92.4, 95.0]
    assert board.history.columns()["food:thick"] == [48.1, 48.1]


@pytest.mark.parametrize(
    "payload",
    [b"", b"\xff\xfe", b"{", b"[]", b"{}", b'{"version":9}', b"x" * 100_000],
    ids=["empty", "no text", "half", "list", "nothing in it", "other version", "too large"],
)
def test_what_cannot_be_read_changes_nothing_and_is_told(board: Board, payload: bytes) -> None:
    tell(board, state())
    before = board.state
    for topic in (TOPICS.state, TOPICS.alarm("fire_out"), TOPICS.part("food"), TOPICS.reply):
        assert board.take(topic, payload, retained=False, mono_s=1.0) is None
    if payload:
        assert board.state is before
        assert TOPICS.state in board.unread
    assert not board.alarms
    assert board.food is None


def test_an_alarm_comes_changes_and_goes(board: Board) -> None:
    tell(board, alarm())
    assert board.alarms["fire_out"].state == "unacknowledged"
    tell(board, alarm(state="acknowledged", seq=2))
    assert board.alarms["fire_out"].state == "acknowledged"
    tell(board, alarm(state="normal", active=False, seq=3))
    assert not board.alarms


def test_an_alarm_that_ended_while_the_broker_was_away_does_not_stay(board: Board) -> None:
    tell(board, alarm(), mono_s=0.0)
    tell(board, state(utc=later(60), alarms=[]), mono_s=60.0)
    assert not board.alarms


def test_an_alarm_that_overtook_its_state_is_kept(board: Board) -> None:
    tell(board, alarm(utc=later(61)))
    tell(board, state(utc=later(60), alarms=[]))
    assert "fire_out" in board.alarms


def test_alarms_are_bounded(board: Board) -> None:
    for i in range(1000):
        tell(board, alarm(f"a{i}"))
    assert len(board.alarms) <= board_module.MAX_ALARMS


@pytest.mark.parametrize(
    ("utc_s", "mono_s", "age_s"),
    [(0.0, 0.0, 0.0), (7.0, 7.0, 7.0), (3600.0, 1.0, 3600.0), (-3600.0, 4.0, 4.0)],
    ids=["now", "on its way", "retained from an hour ago", "the grill's clock is ahead"],
)
def test_age_is_never_told_too_short(board: Board, utc_s: float, mono_s: float, age_s: float) -> None:
    tell(board, state(), mono_s=0.0, retained=True)
    assert board.age_s(NOW.timestamp() + utc_s, mono_s) == pytest.approx(age_s)


@pytest.mark.parametrize("before", ["cold", "out", "tending"])
def test_a_new_fire_begins_a_new_plot(board: Board, before: str) -> None:
    tell(board, state(phase=before, pit_c=20.0))
    tell(board, state(phase="lighting", pit_c=21.0, utc=later(5)))
    assert board.history.columns()["pit"] == [21.0]


@pytest.mark.parametrize("step_s", [6 * 86_400.0, -95.0])
def test_the_plot_goes_with_a_clock_that_is_put_right(board: Board, step_s: float) -> None:
    tell(board, state(utc=later(-3600)), retained=True)
    for i in range(40):
        tell(board, state(utc=later(5.0 * i + (step_s if i >= 20 else 0.0))), mono_s=5.0 * i)
    at = board.history.columns()["at_s"]
    assert at[-40] == pytest.approx(NOW.timestamp() + step_s, abs=5.0)
    assert at[-1] == pytest.approx(NOW.timestamp() + step_s + 195.0, abs=5.0)
    assert None not in board.history.columns()["pit"][-40:], "no hole where the clock was put right"


@pytest.mark.parametrize(
    ("back_s", "kept"), [(3600.0, True), (30 * 86_400.0, False), (56 * 365.25 * 86_400.0, False)]
)
def test_what_comes_late_of_another_cook_or_of_1970_leaves_this_plot_as_fine_as_it_was(
    board: Board, back_s: float, kept: bool
) -> None:
    """Without a network no broker hears the daemon, and a board without a clock does not know the time."""
    for i in range(360):
        tell(board, state(utc=later(5.0 * i)), mono_s=5.0 * i)
        if i in (0, 180):
            old = state(utc=later(5.0 * i - back_s), pit_c=60.0)
            board.take(TOPICS.state_late, old.model_dump_json().encode(), retained=False, mono_s=5.0 * i)
    assert board.history.width_s == 5.0
    assert (60.0 in board.history.columns()["pit"]) is kept


def test_the_food_is_read_as_the_daemon_writes_it(board: Board) -> None:
    view = FoodView(
        stage="cooking", at_s=100.0, core_c=41.0, finish_min=60.0, finish_low_min=50.0, finish_high_min=75.0,
        clocks=(come_up_clock(600.0),), reminders=(Reminder("core_probe", "Measure the core", "warn"),),
        next_step=PlanStep("rotate", "Turn the pieces", "End for end", 400.0), next_due_s=400.0,
    )  # fmt: skip
    board.take(TOPICS.part("food"), json.dumps(to_plain(view)).encode(), retained=True, mono_s=0.0)
    assert board.food is not None
    assert board.food.finish_high_min == 75.0
    assert board.food.reminders[0].text == "Measure the core"
    assert board.food.next_step is not None
    assert board.food.next_step.title == "Turn the pieces"
    assert set(FoodPart.model_fields) <= {field.name for field in fields(FoodView)}
    board.take(TOPICS.part("food"), b"", retained=False, mono_s=1.0)
    assert board.food is None


def test_a_reply_is_handed_over(board: Board) -> None:
    body = {"grill": "kettle", "utc": NOW.isoformat(), "id": "a-1", "kind": "snuff", "accepted": True}
    for topic in (TOPICS.reply, f"{TOPICS.reply}/somebody"):
        reply = board.take(topic, json.dumps(body).encode(), retained=False, mono_s=0.0)
        assert reply is not None
        assert reply.id == "a-1"
