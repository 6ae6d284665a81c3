"""What the page shows: words, figures, what may be asked."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from page_messages import NOW, TOPICS, alarm, later, state, tell

import coalminder.food
import coalminder.page
from coalminder.core.advice import TEXTS
from coalminder.core.phases import TRANSITIONS, Refused
from coalminder.food.exposure import (
    NO_EXPOSURE,
    Clock,
    come_up_clock,
    cooling_clocks,
    raw_clock,
    scombroid_clock,
)
from coalminder.messages.commands import Accepted, CommandLimits, Memory, Received, judge
from coalminder.messages.payloads import CALLS_NOBODY, COMMANDS
from coalminder.page.board import Board
from coalminder.page.spans import span
from coalminder.page.view import Link, Shown, view
from coalminder.page.words import ALARM_STATES, NEXT, PHASES, asks
from coalminder.safety.faults import FAULTS
from coalminder.settings.quantities import temperature
from coalminder.units import METRIC, US, Units
from coalminder.values import AlarmState, Phase

UP = Link(connected=True)
PAGE = (Path(coalminder.page.__file__).parent / "static" / "page.html").read_text("utf-8")


@pytest.fixture
def board() -> Board:
    return Board(TOPICS)


def seen(
    board: Board, *, link: Link = UP, shown: Shown | None = None, after_s: float = 0.0
) -> dict[str, Any]:
    document = view(board, link, shown or Shown(), NOW.timestamp() + after_s, after_s)
    json.dumps(document, allow_nan=False)  # what goes to the browser
    return document


@pytest.mark.parametrize(
    ("link", "availability", "after_s", "kind"),
    [
        (UP, b"online", 2.0, "live"),
        (UP, b"online", 16.0, "old"),
        (UP, b"offline", 2.0, "offline"),
        (Link(connected=False, trouble="refused"), b"online", 2.0, "no_broker"),
    ],
    ids=["live", "silent", "will of a dead daemon", "broker away"],
)
def test_the_page_says_how_far_it_can_be_trusted(
    board: Board, link: Link, availability: bytes, after_s: float, kind: str
) -> None:
    tell(board, state())
    board.take(TOPICS.availability, availability, retained=True, mono_s=0.0)
    document = seen(board, link=link, after_s=after_s)
    trust, todo = document["trust"], [item["text"] for item in document["next"]]
    assert trust["kind"] == kind
    assert trust["age_s"] == after_s
    assert bool(trust["text"]) == (kind != "live")
    assert todo == [NEXT["tending"] if kind == "live" else trust["text"]], "an old 'nothing to do' is none"


def test_a_broker_that_is_away_says_what_to_do_and_why_only_beside_it(board: Board) -> None:
    tell(board, state())
    trust = seen(board, link=Link(connected=False, trouble="[Errno 111] Connection refused"))["trust"]
    assert trust["text"] == "The broker is away: alarms reach nobody. Go to the grill."
    assert any("Errno 111" in note for note in trust["notes"])


def test_a_dead_daemon_is_told_even_when_nothing_of_it_is_known(board: Board) -> None:
    board.take(TOPICS.availability, b"offline", retained=True, mono_s=0.0)
    document = seen(board)
    assert document["trust"]["kind"] == "offline"
    assert "nobody tends" in document["trust"]["text"]
    assert document["phase"] is None


def test_each_view_tells_the_steady_clock(board: Board) -> None:
    assert seen(board, after_s=12.5)["clock_s"] == 12.5


def test_nothing_heard_names_the_grill_that_was_listened_for(board: Board) -> None:
    document = seen(board)
    assert document["trust"]["kind"] == "nothing"
    assert "'kettle'" in document["trust"]["text"]
    assert document["phase"] is None


def test_a_daemon_that_speaks_with_a_slow_clock_is_not_called_silent(board: Board) -> None:
    tell(board, state(utc=later(-60.0)), retained=True)
    assert "gone silent" in seen(board)["trust"]["text"], "what the broker kept"
    tell(board, state(utc=later(-60.0)))
    trust = seen(board, after_s=1.0)["trust"]
    assert (trust["kind"], trust["age_s"]) == ("old", 61.0)
    assert "clock is behind" in trust["text"]
    assert "gone silent" in seen(board, after_s=20.0)["trust"]["text"]


def test_clocks_that_differ_and_unreadable_messages_are_told(board: Board) -> None:
    tell(board, state(utc=later(3600)))
    board.take(TOPICS.alarm("x"), b"{", retained=False, mono_s=0.0)
    assert len(seen(board)["trust"]["notes"]) == 2


@pytest.mark.parametrize(
    ("pit_c", "shape", "words"),
    [
        (92.4, "inside", "in the band"),
        (80.0, "inside", "in the band"),
        (79.9, "under", "under the band"),
        (105.1, "over", "over the band"),
        (121.1, "over", "over the ceiling"),
        (None, "none", "No pit temperature"),
    ],
    ids=str,
)
def test_a_word_and_a_shape_stand_beside_the_pit(
    board: Board, pit_c: float | None, shape: str, words: str
) -> None:
    tell(board, state(pit_c=pit_c))
    pit = seen(board)["pit"]
    assert pit["shape"] == shape
    assert words in pit["text"]
    assert pit["figure"] == pit_c


@pytest.mark.parametrize(
    ("phase", "set_point_c", "pit_c", "shape", "where", "said"),
    [
        ("easing", 65.0, 65.4, "inside", "at the 65 °C asked for", "is held at 65 °C to keep the food warm"),
        ("easing", 65.0, 88.0, "over", "over the 65 °C asked for", "falls to 65 °C"),
        ("easing", 65.0, 59.0, "under", "under the 65 °C asked for", "back up to 65 °C"),
        ("easing", 85.0, 93.0, "over", "over the 85 °C asked for", "falls to 85 °C"),
        ("tending", 65.0, 63.0, "inside", "at the 65 °C asked for", "is held at 65 °C"),
        ("tending", 108.0, 107.0, "inside", "at the 108 °C asked for", "is held at 108 °C"),
        ("tending", 108.0, 121.1, "over", "over the ceiling", "back down to 108 °C"),
        ("tending", 93.0, 61.0, "under", "under the band", "back up to 93 °C"),
        ("tending", 93.0, 81.0, "inside", "in the band", "is held at 93 °C"),
        ("settling", 65.0, 72.0, "over", "over the 65 °C asked for", "on its way to 65 °C"),
        ("out", 65.0, 20.0, "under", "under the band", "The fire is out"),
    ],
    ids=str,
)
def test_the_pit_is_held_and_in_place_or_neither(
    board: Board, phase: str, set_point_c: float, pit_c: float, shape: str, where: str, said: str
) -> None:
    """A pit kept warm at 65 °C was 'held' and, with a triangle down, 'under the band'; so was one of 61 °C
    that came back up after a lid lift.
    """
    tell(board, state(phase=phase, set_point_c=set_point_c, pit_c=pit_c))
    document = seen(board)
    assert document["pit"]["shape"] == shape
    assert where in document["pit"]["text"].replace("\N{NO-BREAK SPACE}", " ")
    assert said in document["phase"]["text"].replace("\N{NO-BREAK SPACE}", " ")


def test_nothing_is_called_held_without_a_pit_temperature(board: Board) -> None:
    tell(board, state(pit_c=None))
    assert seen(board)["phase"]["text"] == ""


def test_a_lost_food_probe_never_shows_a_number(board: Board) -> None:
    tell(board, state(foods=[{"name": "thin", "temp_c": None, "fault": "open"}]))
    row = seen(board)["temps"][0]
    assert row["text"] == "not known"
    assert "plug or cable" in row["note"]


def test_fuel_is_told_with_its_interval(board: Board) -> None:
    tell(board, state())
    assert seen(board)["fuel"].replace("\N{NO-BREAK SPACE}", " ") == (
        "about 3 h 10 min; 9 times in 10: 2 h 30 min to 3 h 50 min"
    )
    tell(board, state(fire={}))
    assert seen(board)["fuel"] == "not known"


@pytest.mark.parametrize(
    ("low", "middle", "high", "words"),
    [
        (1215.0, 1441.0, 9000.0, "more than a day; 9 times in 10: 20 h 15 min or more"),
        (395.0, 795.0, 1441.0, "about 13 h 15 min; 9 times in 10: 6 h 35 min or more"),
        (1500.0, 2000.0, 9000.0, "more than a day"),
    ],
)
def test_a_day_of_fuel_is_as_much_as_is_told(
    board: Board, low: float, middle: float, high: float, words: str
) -> None:
    tell(
        board,
        state(fire={"fuel_left_min": middle, "fuel_left_low_min": low, "fuel_left_high_min": high}),
    )
    assert seen(board)["fuel"].replace("\N{NO-BREAK SPACE}", " ") == words


def food(board: Board, **fields: Any) -> None:
    body = {"stage": "cooking", "at_s": 0.0, "finish_min": 60, "finish_low_min": 50, "finish_high_min": 75}
    board.take(TOPICS.part("food"), json.dumps(body | fields).encode(), retained=False, mono_s=0.0)


def test_the_finish_is_told_with_its_interval(board: Board) -> None:
    tell(board, state())
    assert seen(board)["finish"] is None
    food(board)
    finish = seen(board)["finish"]
    assert [finish[key] - NOW.timestamp() for key in ("low_s", "at_s", "high_s")] == [3000, 3600, 4500]
    food(board, finish_high_min=None)
    finish = seen(board)["finish"]
    assert finish["low_s"] - NOW.timestamp() == 3000
    assert "high_s" not in finish


def test_a_finish_whose_hour_has_come_asks_to_measure(board: Board) -> None:
    """Food that nobody measures: 'in about 0 min' is no hour. A probe that measures needs no such word."""
    tell(board, state())
    food(board, finish_min=0.0, finish_low_min=0.0)
    assert seen(board)["finish"]["text"] == "perhaps now: measure"
    assert "at_s" not in seen(board)["finish"], "'measure, at 15:00' would be an appointment"
    food(board, finish_min=0.3, finish_low_min=0.0, core_measured=True)
    assert seen(board)["finish"]["text"].replace("\N{NO-BREAK SPACE}", " ") == "in about 1 min"


@pytest.mark.parametrize("code", ["food_done", "measure", ""])
def test_that_food_comes_off_is_told_once(board: Board, code: str) -> None:
    tell(board, state())
    reminders = [{"code": code, "text": "Take it off", "level": "note"}] if code else []
    food(board, reminders=reminders, next_step={"code": "off", "title": "Off the grill", "text": "when done"})
    told = [item["text"] for item in seen(board)["next"]]
    assert told == (["Take it off"] if code else ["Off the grill: when done"])


@pytest.mark.parametrize(("finish_min", "when"), [(30.0, " (in 30 min)"), (None, "")])
def test_no_hour_to_take_it_off_is_told_of_food_whose_finish_is_not_known(
    board: Board, finish_min: float | None, when: str
) -> None:
    """'Off the grill (in 1 h 45 min)', the plan's hour, stood beside 'the core will not reach 71 °C'."""
    tell(board, state())
    step = {"code": "off", "title": "Off the grill", "text": "when done"}
    food(board, finish_min=finish_min, next_step=step, at_s=0.0, next_due_s=1800.0)
    told = [item["text"].replace("\N{NO-BREAK SPACE}", " ") for item in seen(board)["next"]]
    assert told == [f"Off the grill{when}: when done"]


def test_an_old_estimate_of_the_finish_is_not_shown(board: Board) -> None:
    tell(board, state())
    food(board)
    assert "old" in seen(board, after_s=301.0)["finish"]["text"]


def test_what_to_do_next_puts_the_most_pressing_first(board: Board) -> None:
    tell(board, state(advice=["charcoal_low", "a_code_of_tomorrow"]))
    reminders = [
        {"code": "a", "text": "later", "level": "note"},
        {"code": "b", "text": "now!", "level": "alarm"},
        {"code": "c", "text": "soon", "level": "strange"},
    ]
    food(board, reminders=reminders, next_step={"title": "Turn", "text": "End for end"}, next_due_s=600.0)
    items = seen(board)["next"]
    assert items[0] == {"level": "alarm", "text": "now!"}
    texts = [item["text"].replace("\N{NO-BREAK SPACE}", " ") for item in items]
    assert texts[1:] == [
        "later", "soon", TEXTS["charcoal_low"], "A code of tomorrow", "Turn (in 10 min): End for end",
    ]  # fmt: skip


@pytest.mark.parametrize("phase", ["cold", "lighting", "lid_off", "easing", "snuffing", "out", "cut_off"])
def test_what_the_phase_asks_comes_before_what_the_food_asks(board: Board, phase: str) -> None:
    tell(board, state(phase=phase))
    food(board, reminders=[{"code": "not_done", "text": "It came off too early", "level": "alarm"}])
    assert [item["text"] for item in seen(board)["next"]] == [NEXT[phase], "It came off too early"]


@pytest.mark.parametrize("code", ["light", "settle", "load", "wood", "rotate"])
@pytest.mark.parametrize("phase", list(Phase))
def test_steps_that_need_a_fire_are_told_over_one(board: Board, phase: Phase, code: str) -> None:
    burns = phase in ("lighting", "settling", "tending", "lid_off", "easing")
    reminder = {"code": f"step_{code}", "text": "Due", "level": "note"}
    step = {"code": code, "title": "Soon", "text": "so"}
    tell(board, state(phase=phase.value))
    food(board, stage="cooking", reminders=[reminder], next_step=step)
    texts = {item["text"] for item in seen(board)["next"]}
    assert ({"Due", "Soon: so"} <= texts) == burns
    assert bool({"Due", "Soon: so"} & texts) == burns
    food(board, stage="waiting", reminders=[reminder], next_step=step)
    told = "Due" in {item["text"] for item in seen(board)["next"]}
    cold = phase in (Phase.COLD, Phase.OUT)
    assert told == (burns or (cold and code == "light")), "the plan says when to light"


@pytest.mark.parametrize("phase", list(Phase))
def test_every_phase_has_words_and_something_to_do(board: Board, phase: Phase) -> None:
    tell(board, state(phase=phase.value))
    document = seen(board)
    assert document["phase"]["word"] == PHASES[phase][0]
    assert "{" not in document["phase"]["text"]
    assert document["next"][0]["text"] == NEXT[phase]


def test_nothing_to_do_is_not_said_beside_an_alarm_that_stands(board: Board) -> None:
    tell(board, state(phase="tending"))
    states = (("unacknowledged", False), ("acknowledged", False), ("returned_unacknowledged", True))
    for seq, (name, free) in enumerate(states):
        tell(board, alarm("pit_probe_silent", seq=seq, state=name))
        assert seen(board)["next"][0]["text"].startswith("Nothing to do") == free


def test_a_phase_of_a_newer_daemon_is_shown_as_it_is(board: Board) -> None:
    tell(board, state(phase="banking"))
    assert seen(board)["phase"]["word"] == "Banking"
    assert seen(board)["asks"] == []


@pytest.mark.parametrize("phase", list(Phase))
def test_no_button_asks_for_what_the_core_would_refuse(phase: Phase) -> None:
    offered = asks(phase, lid_off=False, food_stage="cooking")
    assert all(ask.kind in COMMANDS for ask in offered)
    for ask in offered:
        if ask.move is not None:
            assert not isinstance(TRANSITIONS[phase][ask.move], Refused)
    opens = {ask.kind for ask in offered} & {"light", "tend", "ease"}
    assert not (phase is Phase.CUT_OFF and opens), "nothing opens a vent while a fault is latched"


@pytest.mark.parametrize("stage", ["waiting", "cooking", "resting", "chilled", ""])
def test_food_steps_fit_the_stage(stage: str) -> None:
    steps = [a.fields["step"] for a in asks("tending", lid_off=False, food_stage=stage) if a.kind == "food"]
    fitting = {
        "waiting": ["loaded"],
        "cooking": ["rotated", "off"],
        "resting": ["chilled", "loaded"],
        "chilled": ["loaded"],
        "": ["loaded"],
    }
    assert steps == fitting[stage]


def test_a_batch_that_stands_out_can_be_reported_chilled_while_the_next_cooks() -> None:
    def steps(before_out: bool) -> list[object]:
        offered = asks("tending", lid_off=False, food_stage="cooking", before_out=before_out)
        return [ask.fields["step"] for ask in offered if ask.kind == "food"]

    assert steps(False) == ["rotated", "off"]
    assert steps(True) == ["rotated", "off", "chilled"]


@pytest.mark.parametrize(
    ("stage", "offered"),
    [("waiting", ["loaded", "chilled"]), ("resting", ["chilled"]), ("chilled", ["chilled"])],
)
def test_food_of_before_can_be_reported_chilled_on_a_cold_grill(stage: str, offered: list[str]) -> None:
    """It is told at the start after a power cut, and asks for that word."""
    steps = asks("cold", lid_off=False, food_stage=stage, before_out=True)
    assert [ask.fields["step"] for ask in steps if ask.kind == "food"] == offered


@pytest.mark.parametrize("stage", ["resting", "chilled"])
def test_food_goes_on_again_over_a_fire_only_and_after_a_question(stage: str) -> None:
    def again(phase: str) -> list[str]:
        offered = asks(phase, lid_off=False, food_stage=stage)
        return [ask.confirm for ask in offered if ask.fields.get("step") == "loaded"]

    assert len(again("tending")) == 1
    assert again("tending")[0]
    assert again("out") == []


def test_the_move_to_tending_is_called_by_what_was_before() -> None:
    def label(phase: str) -> list[str]:
        offered = asks(phase, lid_off=False, food_stage="")
        return [ask.label for ask in offered if ask.kind == "tend"]

    assert label("lighting") == ["Begin to tend now"]
    assert label("easing") == ["Tend again"]


@pytest.mark.parametrize(("phase", "offered"), [("tending", True), ("cold", False), ("cut_off", False)])
def test_food_is_reported_without_a_plan_too(board: Board, phase: str, offered: bool) -> None:
    tell(board, state(phase=phase))
    assert ("Food is on the grill" in [ask["label"] for ask in seen(board)["asks"]]) == offered


def test_the_food_s_buttons_stay_when_its_estimate_is_old(board: Board) -> None:
    tell(board, state())
    food(board)
    assert "Food is off the grill" in [ask["label"] for ask in seen(board, after_s=3600.0)["asks"]]


@pytest.mark.parametrize("alarm_state", list(AlarmState))
def test_every_alarm_state_has_its_word_or_is_not_shown(board: Board, alarm_state: AlarmState) -> None:
    tell(board, alarm(state=alarm_state.value))
    shown = seen(board)["alarms"]
    assert bool(shown) == (alarm_state not in CALLS_NOBODY)
    for item in shown:
        assert item["state"] == ALARM_STATES[alarm_state]
        assert item["can_acknowledge"] == ("unacknowledged" in alarm_state.value)


def test_alarms_that_ask_come_first_then_by_priority(board: Board) -> None:
    for code, fields in {
        "seen": {"state": "acknowledged"}, "low": {"priority": "low"}, "high": {},
        "over": {"state": "returned_unacknowledged", "active": False},
    }.items():  # fmt: skip
        tell(board, alarm(code, **fields))
    assert [item["code"] for item in seen(board)["alarms"]] == ["high", "low", "over", "seen"]


def test_a_latched_alarm_asks_although_its_cause_is_gone(board: Board) -> None:
    tell(board, alarm(state="latched_unacknowledged", active=False))
    tell(board, alarm("over", state="returned_unacknowledged", active=False))
    assert [(item["code"], item["asks"]) for item in seen(board)["alarms"]] == [
        ("fire_out", True),
        ("over", False),
    ]


def test_an_alarm_that_holds_the_vents_back_asks_although_its_cause_is_gone(board: Board) -> None:
    """docs/safety.md: the vents open little until a person has acknowledged it."""
    hotter = next(row for row in FAULTS if row.until_acknowledged)
    for code in ("lid_off_long", hotter.code):
        tell(board, alarm(code, state="returned_unacknowledged", active=False))
    told = seen(board)["alarms"]
    assert [(row["code"], row["asks"], row["over"]) for row in told] == [
        (hotter.code, True, False),
        ("lid_off_long", False, True),
    ]


@pytest.mark.parametrize("code", ["food_limit_over", "food_exposed"])
def test_food_that_was_over_a_limit_is_not_called_over_and_done_with(board: Board, code: str) -> None:
    """What stood warm for too long is no safer for having been chilled since."""
    tell(board, alarm(code, state="returned_unacknowledged", active=False))
    assert not seen(board)["alarms"][0]["over"]


def test_an_alarm_whose_message_was_not_received_is_shown_by_its_code(board: Board) -> None:
    tell(board, state(phase="cut_off", alarms=["pit_too_hot", "fire_out"]))
    tell(board, alarm())
    assert [item["code"] for item in seen(board)["alarms"]] == ["fire_out"], "its message may be on its way"
    bare, known = seen(board, after_s=3.0)["alarms"]
    assert (bare["title"], bare["asks"], bare["can_acknowledge"]) == ("Pit too hot", True, True)
    assert known["code"] == "fire_out"
    tell(board, alarm("pit_too_hot", message="The pit is too hot"), mono_s=3.0)
    assert "The pit is too hot" in [item["title"] for item in seen(board, after_s=9.0)["alarms"]]
    tell(board, state(utc=later(9), alarms=[]), mono_s=9.0)
    assert seen(board, after_s=12.0)["alarms"] == []


@pytest.mark.parametrize(
    ("stage", "step", "button"),
    [
        ("waiting", "loaded", "Food is on the grill"),
        ("cooking", "off", "Food is off the grill"),
        ("resting", "chilled", "Food is in the refrigerator"),
    ],
)
def test_what_to_report_is_called_as_the_button_that_reports_it(
    board: Board, stage: str, step: str, button: str
) -> None:
    """A cook finds 'Food is off the grill' on the page, and 'off' nowhere."""
    tell(board, state())
    food(
        board,
        stage=stage,
        reminders=[{"code": "x", "level": "warn", "text": f"Do it, then report '{step}' [a2-raw]."}],
    )
    document = seen(board)
    assert document["next"][0]["text"] == f"Do it, then tap '{button}'."
    assert {"kind": "food", "step": step} in [
        {"kind": ask["kind"], **ask["fields"]} for ask in document["asks"] if ask["label"] == button
    ]


def test_every_report_that_the_food_asks_for_has_a_button() -> None:
    words = Path(coalminder.food.__file__).parent.joinpath("reminders.py").read_text("utf-8")
    steps = set(re.findall(r"report '(\w+)'", words))
    assert steps == {"loaded", "off", "chilled"}
    labels = {
        ask.fields["step"]
        for stage in ("waiting", "cooking", "resting")
        for ask in asks("tending", lid_off=False, food_stage=stage)
        if ask.kind == "food"
    }
    assert steps <= labels


def test_looking_is_asked_for_by_the_name_of_its_button() -> None:
    """With no alarm there is nothing on the page called 'acknowledge'."""
    button = re.search(r'id="attend"[^>]*>(I have looked)', PAGE)
    assert button
    assert f"'{button[1]}'" in NEXT[Phase.TENDING]


def test_keys_of_sources_are_not_for_the_phone(board: Board) -> None:
    tell(board, state())
    food(board, stage="cooking", done=True, reason="done: core at 71 °C for 30 min was measured [home-71]")
    assert seen(board)["finish"]["note"] == "done: core at 71 °C for 30 min was measured"


def test_us_units_only_at_the_edge(board: Board) -> None:
    # 200 °F = 93.3 °C and 212 °F = 100 °C: NIST SP 811 (2008), B.8, t/°C = (t/°F - 32)/1.8
    assert US.celsius(212.0) == pytest.approx(100.0)
    assert US.shown(93.0) == pytest.approx(199.4)
    tell(board, state())
    document = seen(board, shown=Shown(units=US))
    assert document["pit"]["figure"] == 198.3
    assert document["band"] == {"low": 176.0, "high": 221.0, "ceiling": 249.8}
    assert document["set_point"] == {"now": 199.4, "least": 131, "most": 230}
    wood = next(ask for ask in document["asks"] if ask["kind"] == "wood")
    assert wood["amount"]["most"] == pytest.approx(0.5 / 0.45359237, abs=1e-3)
    assert wood["amount"]["range"] == "0.022 to 1.102 lb (2.8 oz is 0.176)"
    metric = {ask["kind"]: ask["amount"] for ask in seen(board)["asks"] if ask["amount"]}
    assert metric["wood"]["range"] == "0.01 to 0.5 kg (80 g is 0.08)"
    assert metric["charcoal"]["range"] == "0.05 to 4 kg (500 g is 0.5)"


@pytest.mark.parametrize("most_kg", [0.03, 0.2, 0.45359237, 0.7, 1.0, 3.0 * 0.45359237, 5.0, 20.0])
@pytest.mark.parametrize("unit", [METRIC, US], ids=["metric", "us"])
@pytest.mark.parametrize("kind", ["wood", "charcoal"])
def test_the_daemon_takes_every_mass_that_the_page_offers_and_the_page_all_that_it_may(
    board: Board, kind: str, unit: Units, most_kg: float
) -> None:
    """[mqtt] wood_max_kg and charcoal_max_kg: the page had limits of its own, 0.5 and 4 kg."""
    shown = Shown(unit, **{f"{kind}_max_kg": most_kg})
    limits = CommandLimits(**{f"{kind}_max_kg": most_kg})
    tell(board, state())
    (amount,) = [ask["amount"] for ask in seen(board, shown=shown)["asks"] if ask["kind"] == kind]
    assert 0.0 < amount["least"] <= amount["default"] <= amount["most"]
    assert amount["most"] == pytest.approx(most_kg / unit.mass_kg, abs=1e-3)
    for value in (amount["least"], amount["default"], amount["most"]):
        fields = {"id": "a", "issued_utc": NOW.isoformat(), "mass_kg": shown.kilograms(value)}
        received = Received(TOPICS.command(kind), json.dumps(fields).encode(), NOW.timestamp())
        assert isinstance(judge(Memory(), received, TOPICS, limits)[1], Accepted)


@pytest.mark.parametrize(("least", "most"), [("200 F", "225 F"), ("131 F", "230 F"), ("54.9", "110.2")])
@pytest.mark.parametrize("unit", [METRIC, US], ids=["metric", "us"])
def test_every_whole_degree_offered_is_inside_the_limits(least: str, most: str, unit: Units) -> None:
    low_c, high_c = temperature(least, "least"), temperature(most, "most")
    shown = Shown(unit, set_point_min_c=low_c, set_point_max_c=high_c)
    offered = range(shown.limits()[0], shown.limits()[1] + 1)
    assert all(low_c <= shown.celsius(float(value)) <= high_c for value in offered)
    assert shown.celsius(offered[0] - 1.0) < low_c
    assert shown.celsius(offered[-1] + 1.0) > high_c
    if least == "200 F" and unit is US:
        assert (offered[0], offered[-1]) == (200, 225)


def test_sentences_have_one_decimal_at_most_and_both_ends_in_one_unit() -> None:
    told = "set point 93.3333 °C is outside 93.3333 to 107.222 °C"
    assert US.words(told) == "set point 200 °F is outside 200 to 225 °F"
    assert METRIC.words(told) == "set point 93.3 °C is outside 93.3 to 107.2 °C"
    assert US.words("-5.5 °C is outside 0..125 °C") == "22.1 °F is outside 32..257 °F"


@pytest.mark.parametrize(
    ("clock", "limit_f"),
    [
        # guidance in °F: FSIS (130), FDA Hazards Guide, ch. 7 (40) and table A-2 (50), Food Code 3-501.14
        (come_up_clock(0.0), "130 °F"),
        (scombroid_clock(NO_EXPOSURE), "40 °F"),
        (cooling_clocks(0.0, 50.0)[0], "135 to 70 °F"),
        (cooling_clocks(0.0, 50.0)[1], "135 to 41 °F"),
        (raw_clock(NO_EXPOSURE), "50 °F"),
    ],
    ids=lambda value: value if isinstance(value, str) else value.code,
)
def test_limits_that_were_published_in_f_come_back_as_published(clock: Clock, limit_f: str) -> None:
    """They were told as 39.9 and 129 °F."""
    assert limit_f in US.words(clock.text)


def test_no_rounding_hides_an_excess(board: Board) -> None:
    """A limit of 104.6 °C was told as 105 °C, beside 104.8 °C that was over it."""
    for unit, high in ((METRIC, "104.6"), (US, "104.6"), (US, "225 F"), (US, "100"), (METRIC, "105")):
        high_c = temperature(high, "high")
        tell(board, state(pit_c=high_c + 0.3, band={"low_c": 80.0, "high_c": high_c, "ceiling_c": 121.0}))
        pit = seen(board, shown=Shown(unit))["pit"]
        assert pit["shape"] == "over"
        told = float(pit["text"].split("to ")[1].split("\N{NO-BREAK SPACE}")[0])
        assert told == pytest.approx(unit.shown(high_c), abs=0.25)
        assert pit["figure"] > told


def test_every_sentence_is_in_the_page_s_units(board: Board) -> None:
    tell(board, state(phase="easing", machine=["the box is at 70 °C"]))
    tell(board, alarm(message="Food was between 5 and 57 °C for too long", remedy="Reheat it to 71.1 °C"))
    food(board, finish_note="the core will not reach 71 °C", reminders=[{"text": "Chill it below 3.3 °C"}])
    everything = json.dumps(seen(board, shown=Shown(units=US)), ensure_ascii=False)
    assert "°C" not in everything
    for words in ("between 41 and 135 °F", "to 160 °F", "reach 160 °F", "below 38 °F", "at 158 °F"):
        assert words in everything
    assert "between 5 and 57 °C" in json.dumps(seen(board), ensure_ascii=False)


def test_the_pages_own_advice_is_in_its_units(board: Board) -> None:
    tell(board, state(phase="easing"))
    assert "above 135 °F" in seen(board, shown=Shown(units=US))["next"][0]["text"]


@pytest.mark.parametrize(
    ("minutes", "text"),
    [
        (-3, "0 min"),
        (59.4, "59 min"),
        (60, "1 h"),
        (62, "1 h"),
        (63, "1 h 5 min"),
        (178, "3 h"),
        (1500, "more than a day"),
    ],
)
def test_lengths_of_time_for_people(minutes: float, text: str) -> None:
    assert span(minutes).replace("\N{NO-BREAK SPACE}", " ") == text


def test_metric_text_does_not_break_between_figure_and_unit() -> None:
    assert METRIC.text(93.0) == "93\N{NO-BREAK SPACE}°C"
    assert METRIC.text(None) == "not known"
