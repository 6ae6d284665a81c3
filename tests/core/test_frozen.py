"""The core's own `replace` against the standard library's, which it stands for."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from coalminder import frozen
from coalminder.core import Config, initial
from coalminder.values import HEALTHY, Decision, Phase, Reading


def parts(value: object) -> Iterator[object]:
    """The value and all dataclasses in it."""
    if dataclasses.is_dataclass(value):
        yield value
        for one in dataclasses.fields(value):
            yield from parts(getattr(value, one.name))


VALUES = [
    *{type(part): part for part in parts(initial(Config()))}.values(),
    HEALTHY,
    Decision(Phase.TENDING, 93.0, 0.05, 0.3),
]


@pytest.mark.parametrize("value", VALUES, ids=lambda value: type(value).__name__)
def test_each_field_of_the_state_is_changed_alone_as_the_standard_library_changes_it(value: object) -> None:
    changes = {one.name: object() for one in dataclasses.fields(value) if one.init}  # type: ignore[arg-type]
    if hasattr(value, "__post_init__"):
        changes = {name: getattr(value, name) for name in changes}
    before = dataclasses.replace(value)  # type: ignore[type-var]
    for given in ({}, changes, *({name: new} for name, new in changes.items())):
        mine, theirs = frozen.replace(value, **given), dataclasses.replace(value, **given)  # type: ignore[type-var]
        assert type(mine) is type(value)
        assert mine is not value
        assert all(
            getattr(mine, one.name) is getattr(theirs, one.name)
            for one in dataclasses.fields(value)  # type: ignore[arg-type]
        )
    assert value == before, "the value itself stays as it was"


@dataclass(frozen=True, slots=True)
class Checked:
    """Its values are looked at, whatever way it is made."""

    low: float
    high: float

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError("low over high")


@dataclass(frozen=True, slots=True)
class Counted:
    """One field is not for the caller."""

    name: str
    seen: int = field(init=False, default=0)


@dataclass(frozen=True)
class Open:
    """No slots: its fields are in a dict."""

    low: float
    high: float = 2.0


def test_what_a_class_does_when_it_is_made_is_still_done() -> None:
    with pytest.raises(ValueError, match="low over high"):
        frozen.replace(Checked(1.0, 2.0), low=3.0)
    assert frozen.replace(Counted("a"), name="b") == Counted("b")
    with pytest.raises((TypeError, ValueError), match="seen"):  # ValueError until Python 3.13
        frozen.replace(Counted("a"), seen=1)  # type: ignore[misc]
    assert frozen.replace(Open(1.0), low=0.0) == Open(0.0)


def test_a_field_that_is_not_there_is_refused() -> None:
    with pytest.raises(TypeError, match="temp_f"):
        frozen.replace(Reading(20.0), temp_f=68.0)  # type: ignore[call-arg]


def test_a_changed_state_of_the_food_needs_no_standard_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """Which is what is slow: with 44 fields it takes twice as long."""
    food = initial(Config()).food
    monkeypatch.setattr(dataclasses, "replace", pytest.fail)
    assert frozen.replace(food, pit_c=93.0).pit_c == 93.0
