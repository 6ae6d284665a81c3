"""The reader: one hung driver must cost the others nothing."""

from __future__ import annotations

import asyncio
import threading
import time

import pytest

from coalminder.probes import reader as reader_module
from coalminder.probes.guard import GuardLimits
from coalminder.probes.reader import ProbeReader
from coalminder.probes.simulated import SimulatedProbe
from coalminder.probes.topic import TopicProbe
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample


class SlowProbe:
    """A driver as slow as a real bus: 10 ms a reading."""

    def __init__(self, name: str, takes_s: float = 0.01) -> None:
        self.name, self._takes_s = name, takes_s

    def read(self) -> Sample:
        time.sleep(self._takes_s)
        return Reading(93.0 + time.monotonic() % 1.0)


class HungProbe:
    """A driver that hangs until it is let go."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.let_go = threading.Event()
        self.started = 0

    def read(self) -> Sample:
        self.started += 1
        self.let_go.wait(30.0)
        return Reading(20.0)


class BrokenProbe:
    def __init__(self, name: str) -> None:
        self.name = name

    def read(self) -> Sample:
        raise ZeroDivisionError("a bug in somebody's driver")


def kind(sample: Sample) -> ProbeFaultKind | None:
    return sample.kind if isinstance(sample, ProbeFault) else None


async def worst_gap_s(reader: ProbeReader, steps: int, took_s: list[float]) -> float:
    """The greatest lateness of a 5 ms ticker while all probes are read `steps` times."""
    gaps_s: list[float] = []

    async def ticker() -> None:
        before_s = time.perf_counter()
        while True:
            await asyncio.sleep(0.005)
            now_s = time.perf_counter()
            gaps_s.append(now_s - before_s - 0.005)
            before_s = now_s

    watching = asyncio.create_task(ticker())
    for step in range(steps):
        start_s = time.perf_counter()
        samples = await reader.read_all(float(step))
        took_s.append(time.perf_counter() - start_s)
        assert kind(samples.pop("pit")) is ProbeFaultKind.TIMEOUT
        assert all(isinstance(sample, Reading) for sample in samples.values())
    watching.cancel()
    return max(gaps_s)


async def test_a_machine_without_a_thread_to_spare_is_a_timeout_until_it_has_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    reader = ProbeReader({"pit": SlowProbe("pit"), "food": SimulatedProbe("food", 4.0)})

    def none_to_be_had(thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as short:
        short.setattr(threading.Thread, "start", none_to_be_had)
        samples = await reader.read_all(0.0)
    assert kind(samples["pit"]) is ProbeFaultKind.TIMEOUT
    assert samples["food"] == Reading(4.0)
    assert isinstance((await reader.read_all(1.0))["pit"], Reading)
    reader.close()


async def test_no_loop_step_is_late_with_eight_probes_and_one_driver_hung_for_ever() -> None:
    """Eight probes, one hung: the loop is never held up for 50 ms, the seven go on.

    Three rounds, the best counts: a driver that blocks the loop does so in each, a busy machine does not.
    """
    hung = HungProbe("pit")
    probes = {
        name: SlowProbe(name) for name in ("pit_2", "dome", "ambient", "char", "char_2", "brine", "box")
    }
    reader = ProbeReader({"pit": hung, **probes}, deadlines_s={"pit": 0.2})
    took_s: list[float] = []
    rounds = [await worst_gap_s(reader, 5, took_s) for _ in range(3)]
    assert hung.started == 1
    assert min(rounds) < 0.05
    assert took_s[0] >= 0.2  # the deadline is paid once
    assert sorted(took_s[1:])[len(took_s) // 2] < 0.1
    hung.let_go.set()
    reader.close()


async def test_a_driver_that_hangs_makes_no_step_late_at_the_deadline_of_the_defaults() -> None:
    hung = HungProbe("pit")
    reader = ProbeReader({"pit": hung, "dome": SimulatedProbe("dome", 70.0)})
    start_s = time.monotonic()
    for step in range(4):
        await asyncio.sleep(max(0.0, start_s + step - time.monotonic()))
        assert time.monotonic() - start_s - step < 0.5, "a busy machine is late, too, but not by a second"
        samples = await reader.read_all(float(step))
        assert kind(samples["pit"]) is ProbeFaultKind.TIMEOUT
        assert samples["dome"] == Reading(70.0)
    hung.let_go.set()
    reader.close()


async def test_a_slow_driver_is_heard_in_the_next_step_and_holds_none_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(reader_module, "WAIT_S", 0.1)
    slow = HungProbe("ambient")
    reader = ProbeReader({"ambient": slow})
    assert kind((await reader.read_all(0.0))["ambient"]) is ProbeFaultKind.TIMEOUT
    slow.let_go.set()
    await asyncio.sleep(0.05)
    sample = (await reader.read_all(1.0))["ambient"]
    assert isinstance(sample, Reading)
    assert 0.02 < sample.age_s < 0.1, "it has lain since it came"
    assert isinstance((await reader.read_all(2.0))["ambient"], Reading)
    assert slow.started == 2, "an answer counts once"
    assert (await reader.read_all(3.0))["ambient"] == Reading(20.0), "quick again, it is asked when needed"
    assert slow.started == 3
    reader.close()


async def test_a_driver_that_is_slower_than_a_step_waits_is_heard_in_each_step(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It was heard in every other one."""
    step_s, steps = 0.5, 9
    monkeypatch.setattr(reader_module, "WAIT_S", 0.2)
    reader, samples, late_s = ProbeReader({"pit": SlowProbe("pit", 0.35)}), [], []
    start_s = time.monotonic()
    for step in range(steps):
        await asyncio.sleep(max(0.0, start_s + step * step_s - time.monotonic()))
        late_s.append(time.monotonic() - start_s - step * step_s)
        samples.append((await reader.read_all(float(step)))["pit"])
    reader.close()
    readings = [sample for sample in samples if isinstance(sample, Reading)]
    assert len(readings) >= steps - 3, "the first, and what a busy machine costs"
    assert all(reading.age_s < step_s for reading in readings)
    assert sorted(late_s)[steps // 2] < 0.05, "no step waits for it"


async def test_driver_that_comes_back_is_asked_again_and_its_late_answer_is_dropped() -> None:
    hung = HungProbe("pit")
    reader = ProbeReader({"pit": hung}, deadlines_s={"pit": 0.05})
    assert kind((await reader.read_all(0.0))["pit"]) is ProbeFaultKind.TIMEOUT
    assert kind((await reader.read_all(1.0))["pit"]) is ProbeFaultKind.TIMEOUT
    assert hung.started == 1
    hung.let_go.set()
    for _ in range(200):
        sample = (await reader.read_all(2.0))["pit"]
        if kind(sample) is not ProbeFaultKind.TIMEOUT:
            break
        await asyncio.sleep(0.005)
    assert sample == Reading(20.0)
    assert hung.started == 2
    reader.close()


async def test_driver_that_raises_is_a_bus_fault() -> None:
    reader = ProbeReader({"pit": BrokenProbe("pit"), "dome": SimulatedProbe("dome", 70.0)})
    for step in range(2):
        samples = await reader.read_all(float(step))
        assert kind(samples["pit"]) is ProbeFaultKind.BUS
        assert "ZeroDivisionError" in samples["pit"].detail  # type: ignore[union-attr]
        assert samples["dome"] == Reading(70.0)
    reader.close()


async def test_samples_come_in_the_order_of_the_probes_and_through_the_guard() -> None:
    pit = SimulatedProbe("pit", 93.0)
    reader = ProbeReader(
        {"pit": pit, "char": SimulatedProbe("char", 8.0)}, limits={"pit": GuardLimits(max_rate_c_per_s=5.0)}
    )
    assert list(await reader.read_all(0.0)) == ["pit", "char"]
    pit.set(193.0)
    assert kind((await reader.read_all(1.0))["pit"]) is ProbeFaultKind.IMPLAUSIBLE_RATE
    pit.set(ProbeFault(ProbeFaultKind.OPEN, "pulled out"))
    assert kind((await reader.read_all(2.0))["pit"]) is ProbeFaultKind.OPEN


async def test_probes_that_do_not_block_need_no_thread() -> None:
    threads = threading.active_count()
    reader = ProbeReader({"pit": SimulatedProbe("pit"), "char": TopicProbe("char", "a/b")})
    await reader.read_all(0.0)
    assert threading.active_count() == threads


def test_simulated_probe_repeats_itself_with_the_same_seed() -> None:
    one, two = SimulatedProbe("pit", 93.0, 0.2, seed=3), SimulatedProbe("pit", 93.0, 0.2, seed=3)
    first = [one.read() for _ in range(5)]
    assert first == [two.read() for _ in range(5)]
    assert len(set(first)) == 5
