"""A probe whose readings arrive as messages."""

from __future__ import annotations

import math
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coalminder.probes.chip import Correction
from coalminder.probes.guard import GuardState, guard
from coalminder.probes.topic import TopicProbe, parse
from coalminder.seams import Probe
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample


class Clock:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def topic_probe(clock: Clock, **kwargs: object) -> TopicProbe:
    return TopicProbe("pit", "gateway/pit", monotonic=clock, **kwargs)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("payload", "field", "unit", "temp_c"),
    [
        ("93.5", "", "c", 93.5),
        (b"93.5\n", "", "c", 93.5),
        ("212", "", "f", 100.0),
        ('{"temperature": 93.5}', "temperature", "c", 93.5),
        ('{"probe": {"temp": "93.5"}}', "probe.temp", "c", 93.5),
        ("-40", "", "f", -40.0),
    ],
)
def test_payload_with_a_temperature_is_read(
    payload: str | bytes, field: str, unit: str, temp_c: float
) -> None:
    sample = parse(payload, field, unit)
    assert isinstance(sample, Reading)
    assert sample.temp_c == pytest.approx(temp_c)


@pytest.mark.parametrize(("payload", "unit"), [("-127.0", "c"), ("-127", "c"), ("-196.6", "f")])
def test_a_gateway_whose_ds18b20_does_not_answer_is_no_swapped_thermocouple(payload: str, unit: str) -> None:
    """-127 is what the usual libraries give for a device that is disconnected (common practice)."""
    sample = guard(GuardState(), parse(payload, "", unit), 0.0)[1]
    assert isinstance(sample, ProbeFault)
    assert sample.kind is ProbeFaultKind.OPEN
    assert "gateway" in sample.detail
    assert "thermocouple" not in sample.detail


@pytest.mark.parametrize(
    ("payload", "field"),
    [
        ("", ""), ("unavailable", ""), ("nan", ""), ("NaN", ""), ("Infinity", ""), ("1e999", ""),
        ("true", ""), ("null", ""), ("[93]", ""),
        ('{"a": 1}', ""), ('{"a": 1}', "b"), ("93", "a"), ('{"a": [1]}', "a.0"),
        (b"\xff\xfe", ""), ("-300", ""), ("1" * 400, ""), ("[" * 5000, ""), ('{"a": "nan"}', "a"),
    ],
)  # fmt: skip
def test_payload_without_a_temperature_is_a_fault(payload: str | bytes, field: str) -> None:
    assert isinstance(parse(payload, field), ProbeFault)


@given(st.one_of(st.text(max_size=50), st.binary(max_size=50)), st.sampled_from(["", "a", "a.b"]))
def test_no_payload_crashes(payload: str | bytes, field: str) -> None:
    sample = parse(payload, field)
    assert isinstance(sample, ProbeFault) or math.isfinite(sample.temp_c)


def test_reading_ages_and_goes_stale() -> None:
    clock = Clock()
    probe = topic_probe(clock, max_age_s=30.0)
    assert isinstance(probe, Probe)
    assert kind(probe.read()) is ProbeFaultKind.NOT_READY
    probe.offer("93", clock.now_s)
    clock.now_s += 29.0
    assert probe.read() == Reading(93.0, age_s=29.0)
    clock.now_s += 2.0
    assert kind(probe.read()) is ProbeFaultKind.STALE
    probe.offer("94", clock.now_s)
    assert probe.read() == Reading(94.0)


def test_bad_message_is_a_fault_at_once_not_the_last_good_value() -> None:
    clock = Clock()
    probe = topic_probe(clock)
    probe.offer("93", clock.now_s)
    probe.offer("unavailable", clock.now_s + 1.0)
    assert kind(probe.read()) is ProbeFaultKind.BUS


def test_messages_of_other_things_on_the_topic_say_nothing_of_the_probe() -> None:
    """A gateway with one topic for all: each message speaks of one probe, or of a battery."""
    clock = Clock()
    pit, char = topic_probe(clock, field="pit.c"), topic_probe(clock, field="char.c")
    for payload in ('{"pit": {"c": 93}}', '{"char": {"c": 60}}', '{"battery": 80}', '{"pit": {"rssi": -70}}'):
        clock.now_s += 1.0
        for probe in (pit, char):
            probe.offer(payload, clock.now_s)
    assert pit.read() == Reading(93.0, age_s=3.0)
    assert char.read() == Reading(60.0, age_s=2.0)


@pytest.mark.parametrize("payload", ['{"c": null}', '{"c": "unavailable"}', "unavailable"])
def test_a_probe_that_its_gateway_calls_lost_is_a_fault_at_once(payload: str) -> None:
    clock = Clock()
    probe = topic_probe(clock, field="c")
    probe.offer('{"c": 93}', clock.now_s)
    probe.offer(payload, clock.now_s + 1.0)
    probe.offer('{"battery": 80}', clock.now_s + 2.0)
    assert kind(probe.read()) is ProbeFaultKind.BUS


def test_a_field_that_never_comes_is_named() -> None:
    clock = Clock()
    probe = topic_probe(clock, field="temp", max_age_s=30.0)
    probe.offer('{"temperature": 93}', clock.now_s)
    fault = probe.read()
    assert isinstance(fault, ProbeFault)
    assert "no 'temp' in the message" in fault.detail
    probe.offer('{"temp": 93}', clock.now_s)
    for _ in range(4):
        clock.now_s += 10.0
        probe.offer('{"battery": 80}', clock.now_s)
    assert kind(probe.read()) is not None  # silence about the probe keeps no reading alive


def test_retained_message_is_of_unknown_age_and_ignored() -> None:
    clock = Clock()
    probe = topic_probe(clock)
    probe.offer("93", clock.now_s, retained=True)
    assert kind(probe.read()) is ProbeFaultKind.NOT_READY


def test_older_message_never_replaces_a_newer_one() -> None:
    clock = Clock()
    probe = topic_probe(clock)
    probe.offer("94", 100.0)
    probe.offer("93", 99.0)
    assert probe.read() == Reading(94.0)


def test_correction_is_applied() -> None:
    clock = Clock()
    probe = topic_probe(clock, correction=Correction(1.01, 0.5))
    probe.offer("100", 100.0)
    assert probe.read() == Reading(pytest.approx(101.5))


def test_offers_from_other_threads_are_never_torn() -> None:
    clock = Clock()
    probe = topic_probe(clock)
    writers = [
        threading.Thread(target=lambda n=n: [probe.offer(str(n), 100.0) for _ in range(500)]) for n in (1, 2)
    ]
    for writer in writers:
        writer.start()
    seen = {probe.read() for _ in range(500)}
    for writer in writers:
        writer.join()
    assert {sample.temp_c for sample in seen if isinstance(sample, Reading)} <= {1.0, 2.0}


def kind(sample: Sample) -> ProbeFaultKind | None:
    return sample.kind if isinstance(sample, ProbeFault) else None
