"""What hubs and clients read as a sentence is in the units of [page], as on the page and in push."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from recorded_cook import UTC_S
from simulated import wiring

from coalminder.cli import main
from coalminder.core import Config, initial, step
from coalminder.events import Light
from coalminder.service import command
from coalminder.service.assemble import DeskMessenger
from coalminder.units import in_fahrenheit
from coalminder.values import Action, Alarm, AlarmState, Decision, Inputs, Reading


class Link:
    """Remembers what was told."""

    def __init__(self) -> None:
        self.alarms: dict[str, Alarm] = {}
        self.foods: list[Any] = []

    def offer(self, decision: Decision, *_: object) -> None:
        self.alarms |= {alarm.code: alarm for alarm in decision.alarms}

    def offer_part(self, _name: str, part: Any) -> None:
        self.foods.append(part.root)


def told(words: Callable[[str], str] | None) -> tuple[Alarm, str]:
    """The alarm of a pit over its ceiling, and the food, as told."""
    link, state = Link(), initial(Config())
    messenger = DeskMessenger(link, None, words=words)  # type: ignore[arg-type]
    for second in range(120):
        inputs = Inputs(pit=Reading(140.0), events=(Light(),) if second == 0 else ())
        state, decision = step(state, inputs, float(second))
        messenger.offer(decision, inputs, state, float(second), UTC_S + second)
    assert all("°F" not in alarm.message for alarm in decision.alarms), "the record stays in °C"
    return link.alarms["pit_over_ceiling"], json.dumps(link.foods, ensure_ascii=False)


def test_sentences_are_in_the_units_that_people_read() -> None:
    """140 °C is 284 °F (9/5 and 32)."""
    alarm, food = told(None)
    assert "140 °C" in alarm.message
    assert "°C" in food
    alarm, food = told(in_fahrenheit)
    assert "284 °F" in alarm.message
    assert "°C" not in alarm.message + alarm.remedy + food
    assert "°F" in food


def test_what_to_do_is_in_them_too() -> None:
    link, state = Link(), initial(Config())
    messenger = DeskMessenger(link, None, words=in_fahrenheit)  # type: ignore[arg-type]
    state, decision = step(state, Inputs(pit=Reading(15.0)), 0.0)
    cool = Alarm("x", AlarmState.UNACKNOWLEDGED, Action.WARN, "low", True, 0.0, "Warm", "Keep it under 5 °C")
    messenger.offer(replace(decision, alarms=(cool,)), Inputs(pit=Reading(15.0)), state, 0.0, UTC_S)
    assert link.alarms["x"].remedy == "Keep it under 41 °F"


@pytest.mark.parametrize(("line", "shown"), [('units = "us"', "203 °F"), ("", "95 °C")])
def test_the_daemon_tells_them_in_the_units_of_the_page(
    line: str, shown: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = wiring(tmp_path)
    path.write_text(f"{path.read_text('utf-8')}\n[page]\n{line}\n", "utf-8")
    given: list[Callable[[str], str] | None] = []

    def desk(*_: object, words: Callable[[str], str] | None, **_others: object) -> None:
        given.append(words)
        raise KeyboardInterrupt  # no fire is to be tended here

    monkeypatch.setattr(command, "Desk", desk)
    main(["tend", "--config", str(path)])
    (words,) = given
    assert (words or str)("95 °C") == shown


@pytest.mark.parametrize("text", ["1" * 30_000, "1" * 15_000 + " to " + "1" * 15_000 + " °", "1.1" * 10_000])
def test_a_long_row_of_digits_holds_nobody_up(text: str) -> None:
    """A text of an alarm may be as long as the broker lets through, from whoever may write there."""
    began_s = time.process_time()
    assert in_fahrenheit(text) == text
    assert time.process_time() - began_s < 1.0
