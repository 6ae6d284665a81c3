"""The codec gives back what it was given, bit for bit, whatever the value."""

from __future__ import annotations

import dataclasses
import json
import struct
import threading
import time
import typing
from dataclasses import dataclass
from enum import StrEnum

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coalminder import events
from coalminder.codec import CodecError, from_plain, to_plain
from coalminder.core import Config
from coalminder.values import (
    Action,
    Alarm,
    AlarmState,
    Decision,
    FireEstimate,
    Inputs,
    Machine,
    Outcome,
    Phase,
    ProbeFault,
    ProbeFaultKind,
    Reading,
    Sample,
    Terms,
)


class Colour(StrEnum):
    RED = "red"


@dataclass(frozen=True, slots=True)
class Inner:
    x: float = 0.0


@dataclass(frozen=True, slots=True)
class Other:
    x: float = 0.0


@dataclass(frozen=True, slots=True)
class Outer:
    number: int
    maybe: Inner | None = None
    either: Inner | Other | None = None
    pair: tuple[str, float] = ("a", 1.0)
    many: tuple[tuple[str, Sample], ...] = ()
    colour: Colour | None = None
    events: tuple[events.Event, ...] = ()
    value: float | str | None = None


def there_and_back(value: object) -> object:
    return from_plain(type(value), json.loads(json.dumps(to_plain(value))))


CASES = {
    "defaults": Outer(1),
    "optional": Outer(1, maybe=Inner(2.5)),
    "union_first": Outer(1, either=Inner(2.0)),
    "union_second": Outer(1, either=Other(2.0)),
    "pair": Outer(1, pair=("b", -0.0)),
    "samples": Outer(1, many=(("tail", Reading(61.0)), ("loin", ProbeFault(ProbeFaultKind.OPEN, "plug")))),
    "enum": Outer(1, colour=Colour.RED),
    "events": Outer(1, events=(events.SetPoint("e1", 88.0), events.Snuff())),
    "mixed_union": Outer(1, value="text"),
    "int_in_float": Reading(93),
}


@pytest.mark.parametrize("value", CASES.values(), ids=CASES.keys())
def test_value_comes_back_equal_and_of_the_same_types(value: object) -> None:
    back = there_and_back(value)
    assert back == value
    assert repr(back) == repr(value)


@given(st.floats(allow_nan=False))
def test_every_double_comes_back_bit_for_bit(number: float) -> None:
    back = there_and_back(Reading(number, number))
    assert isinstance(back, Reading)
    for got in (back.temp_c, back.age_s):
        assert struct.pack("<d", got) == struct.pack("<d", number)


@pytest.mark.parametrize("cls", events.KINDS.values(), ids=events.KINDS.keys())
def test_every_kind_of_event_survives_inside_inputs(cls: type[events.Event]) -> None:
    inputs = Inputs(Reading(90.0), events=(cls(event_id="id-7"),))
    assert there_and_back(inputs) == inputs


def test_field_of_an_older_record_takes_its_default() -> None:
    assert from_plain(Reading, {"temp_c": 80.0}) == Reading(80.0, 0.0)


def test_field_that_no_longer_exists_is_passed_over() -> None:
    assert from_plain(Reading, {"temp_c": 80.0, "gone": 1}) == Reading(80.0)


@pytest.mark.parametrize(
    ("cls", "plain", "named"),
    [
        (Reading, {}, "temp_c"),
        (Reading, {"temp_c": "hot"}, "Reading.temp_c"),
        (Reading, {"temp_c": True}, "Reading.temp_c"),
        (Inputs, {"pit": {"$": "Reading", "temp_c": None}}, "Inputs.pit"),
        (Inputs, {"pit": {"$": "Stranger"}}, "Inputs.pit"),
        (Inputs, {"pit": None, "events": []}, "Inputs.pit"),
        (Decision, {"phase": "flying"}, "Decision.phase"),
        (Outer, {"number": 1, "pair": ["a"]}, "Outer.pair"),
        (Outer, {"number": 1, "events": [{"kind": "dance"}]}, "dance"),
        (Outer, {"number": 1, "many": {}}, "Outer.many"),
        (Reading, [], "Reading"),
    ],
)
def test_wrong_plain_data_is_refused_by_name(cls: type, plain: object, named: str) -> None:
    with pytest.raises(CodecError, match=named):
        from_plain(cls, plain)


def test_type_without_a_plain_form_is_refused() -> None:
    @dataclass(frozen=True)
    class Holder:
        thing: complex = 1j

    with pytest.raises(CodecError, match="complex"):
        to_plain(Holder(2j))


def busy_step() -> tuple[Inputs, Decision]:
    alarm = Alarm(
        "pit_high",
        AlarmState.UNACKNOWLEDGED,
        Action.WARN,
        "high",
        True,
        123.4,
        "The pit is hot.",
        "Look at it.",
    )
    inputs = Inputs(
        Reading(93.123456789, 0.01),
        Reading(94.1, 0.02),
        Reading(99.9, 0.03),
        Reading(9.2),
        (("tail", Reading(55.5)), ("loin", ProbeFault(ProbeFaultKind.OPEN, "x"))),
        False,
        (events.Acknowledge("e", "pit_high"),),
        Machine(late_s=0.002),
    )
    decision = Decision(
        Phase.TENDING, 93.0, 0.1234, 0.4321, 93.12, (alarm,), (Outcome("e", True),), ("wood_due",),
        Terms(0.1, 0.2, 0.3, 1.0), FireEstimate(900.0, 0.1, 120.0, 100.0, 150.0), False, True, True,
    )  # fmt: skip
    return inputs, decision


def test_whole_step_is_coded_in_under_60_microseconds() -> None:
    inputs, decision = busy_step()
    assert there_and_back(inputs) == inputs
    assert there_and_back(decision) == decision
    best = min(_seconds(lambda: (to_plain(inputs), to_plain(decision))) for _ in range(20))
    assert best < 60e-6
    plain = (to_plain(inputs), to_plain(decision))
    best = min(
        _seconds(lambda: (from_plain(Inputs, plain[0]), from_plain(Decision, plain[1]))) for _ in range(20)
    )
    assert best < 120e-6


def _seconds(work: object, times: int = 200) -> float:
    start = time.perf_counter()
    for _ in range(times):
        work()  # type: ignore[operator]
    return (time.perf_counter() - start) / times


def test_settings_are_written_whole_for_their_defaults_change() -> None:
    """A record read by a later version must give the gains that it was made with."""
    plain = json.loads(json.dumps(to_plain(Config())))
    assert set(plain) == {field.name for field in dataclasses.fields(Config)}
    for part in ("loop", "pit", "lid", "limits", "response"):
        fields = {field.name for field in dataclasses.fields(getattr(Config(), part))}
        assert set(plain[part]) == fields
    plain["loop"]["kp"] = 0.3
    assert from_plain(Config, plain).loop.kp == 0.3
    assert from_plain(Config, to_plain(Config())) == Config()


def test_threads_that_write_a_type_for_the_first_time_do_not_meet(monkeypatch: pytest.MonkeyPatch) -> None:
    """The step and the journal do, in the first second of a cook."""
    hints = typing.get_type_hints

    def slowly(cls: type) -> dict[str, object]:
        time.sleep(0.002)  # others run while this type is built
        return hints(cls)

    monkeypatch.setattr(typing, "get_type_hints", slowly)
    for n in range(5):
        leaf = dataclasses.make_dataclass("Leaf", [(f"f{i}", int, i) for i in range(12)], frozen=True)
        fields = [(f"leaf_{i}", leaf, leaf()) for i in range(4)]
        tree = dataclasses.make_dataclass(f"Tree{n}", fields, frozen=True)
        value, start, wrong = tree(leaf(f3=n)), threading.Barrier(4), list[BaseException]()

        def write(value: object = value, start: threading.Barrier = start, wrong: list = wrong) -> None:  # type: ignore[type-arg]
            start.wait()
            try:
                assert from_plain(type(value), to_plain(value)) == value
            except BaseException as error:
                wrong.append(error)

        threads = [threading.Thread(target=write) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert wrong == []
