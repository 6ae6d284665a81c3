"""A latched fault outlives an upgrade and a long power cut; a cook without one does not haunt the next."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from brokers import wait_for
from cutoffs import settled, view

from coalminder.core import Config, State, initial, step
from coalminder.events import Event, Reset, Snuff
from coalminder.journal import Journal, Refusal, Start, resume
from coalminder.safety.assess import SafetyState
from coalminder.safety.faults import cuts_off
from coalminder.safety.record import Record
from coalminder.service.begin import begin
from coalminder.service.clock import RealClock
from coalminder.service.latch_note import LatchNote
from coalminder.service.latched import keep_latched, with_latched
from coalminder.settings import load_settings
from coalminder.values import HEALTHY, Decision, Inputs, Phase, Reading

UTC_S = 1_776_000_000.0


@dataclass(frozen=True, slots=True)
class FormerState:
    """A state as another version stored it: fields that nobody knows, others missing."""

    last_s: float
    safety: SafetyState
    forgotten_field: float = 0.0


def stored(folder: Path, safety: SafetyState, phase: Phase) -> None:
    journal = Journal(folder, Start("former", {}, UTC_S, FormerState(0.0, safety)), None)
    decision = Decision(phase=phase, set_point_c=93.0, lower=0.0, upper=0.0)
    for second in range(3):
        former = FormerState(float(second), safety, 3.0)
        journal.record(float(second), UTC_S + second, Inputs(Reading(90.0)), decision, former)
    assert journal.close()


def cut_off() -> SafetyState:
    watch = settled()
    watch.run(10.0, lambda s: view(s, machine=replace(HEALTHY, vent_driver_failed=True)))
    assert watch.verdict.cut_off
    return watch.state


@pytest.mark.parametrize("later_s", [10.0, 30 * 3600.0], ids=["at once", "after thirty hours"])
def test_latched_fault_of_a_state_that_cannot_be_read_keeps_the_vents_shut(
    tmp_path: Path, later_s: float
) -> None:
    stored(tmp_path, cut_off(), Phase.CUT_OFF)
    assert isinstance(resume(tmp_path, State, UTC_S + later_s), Refusal)
    state = keep_latched(initial(Config()), tmp_path, UTC_S + later_s)
    assert state.phase is Phase.CUT_OFF
    for second in range(600):
        state, decision = step(state, Inputs(Reading(90.0 + second % 7)), float(second))
        assert decision.phase is Phase.CUT_OFF
        assert (decision.lower, decision.upper) == (0.0, 0.0)
    assert [alarm.code for alarm in decision.alarms] == ["vent_driver_failed"]


def test_nothing_latched_begins_afresh(tmp_path: Path) -> None:
    stored(tmp_path, settled().state, Phase.TENDING)
    fresh = initial(Config())
    assert keep_latched(fresh, tmp_path, UTC_S + 10.0) is fresh


def test_no_record_begins_afresh(tmp_path: Path) -> None:
    fresh = initial(Config())
    assert keep_latched(fresh, tmp_path, UTC_S) is fresh


def noted(note: LatchNote, state: State, **trouble: object) -> State:
    """A step that the note hears of."""
    seen = Inputs(Reading(90.0), machine=replace(HEALTHY, **trouble))  # type: ignore[arg-type]
    last_s = 0.0 if state.last_s is None else state.last_s
    state, decision = step(state, seen, last_s + 6.0)
    note(0.0, seen, decision)
    if note._thread is not None:
        codes = tuple(sorted(alarm.code for alarm in decision.alarms if cuts_off(alarm.code)))
        there = [path for path in note._paths if path.parent.is_dir()]
        wait_for(lambda: all(path.exists() and path.stat().st_size for path in there))
        wait_for(lambda: note.read() == codes)
    return state


def none_left(_self: threading.Thread) -> None:
    raise RuntimeError("can't start new thread")


def test_a_latched_fault_that_the_journal_could_not_take_keeps_the_vents_shut(tmp_path: Path) -> None:
    before = initial(Config())
    note = LatchNote(tmp_path)
    state = noted(note, before)
    size = (tmp_path / "latched").stat().st_size
    for _ in range(2):
        state = noted(note, state, vent_driver_failed=True)
    assert state.phase is Phase.CUT_OFF
    assert (tmp_path / "latched").stat().st_size == size  # a full disk has no room for more
    resumed = with_latched(before, LatchNote(tmp_path).read(), 100.0)
    resumed, decision = step(resumed, Inputs(Reading(90.0)), 101.0)
    assert (decision.phase, decision.lower) == (Phase.CUT_OFF, 0.0)
    assert [alarm.code for alarm in decision.alarms] == ["vent_driver_failed"]
    resumed, decision = step(resumed, Inputs(Reading(90.5), events=(Reset(event_id="r"),)), 102.0)
    assert decision.phase is Phase.SNUFFING
    note(0.0, Inputs(Reading(90.5)), decision)
    noted(note, resumed)
    assert LatchNote(tmp_path).read() == ()


def test_the_note_is_kept_in_memory_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    memory = tmp_path / "run"
    memory.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", f"{memory}:{tmp_path}")
    note = LatchNote(tmp_path / "a card that cannot be written")
    state = noted(note, initial(Config()), vent_driver_failed=True)
    noted(note, state, vent_driver_failed=True)
    assert LatchNote(tmp_path / "a card that cannot be written").read() == ("vent_driver_failed",)


def test_a_machine_without_a_thread_to_spare_notes_it_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    note = LatchNote(tmp_path)
    with monkeypatch.context() as full:
        full.setattr(threading.Thread, "start", none_left)
        state = noted(note, initial(Config()), vent_driver_failed=True)
        state = noted(note, state, vent_driver_failed=True)
    assert LatchNote(tmp_path).read() == ()
    noted(note, state, vent_driver_failed=True)
    assert LatchNote(tmp_path).read() == ("vent_driver_failed",)


def test_a_cut_off_is_noted_without_a_new_thread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Out of memory a new one may never come up, and the loop would wait for it in that step."""
    note = LatchNote(tmp_path)
    state = noted(note, initial(Config()))
    monkeypatch.setattr(threading.Thread, "start", none_left)
    for _ in range(2):
        state = noted(note, state, vent_driver_failed=True)
    assert LatchNote(tmp_path).read() == ("vent_driver_failed",)


def test_a_note_that_memory_did_not_suffice_for_is_written_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coalminder.service.latch_note._AGAIN_S", 0.01)
    note, write, tries = LatchNote(tmp_path), LatchNote._write, iter([False, False, True])

    def short_of_memory(self: LatchNote, path: Path) -> bool:
        if not next(tries, True):
            raise MemoryError
        return write(self, path)

    monkeypatch.setattr(LatchNote, "_write", short_of_memory)
    state = noted(note, initial(Config()), vent_driver_failed=True)
    noted(note, state, vent_driver_failed=True)
    assert LatchNote(tmp_path).read() == ("vent_driver_failed",)


def told(note: LatchNote, phase: Phase) -> None:
    note(0.0, Inputs(Reading(90.0)), Decision(phase, 93.0, 0.0, 0.0))


def test_the_note_says_while_the_vents_are_shut_for_good(tmp_path: Path) -> None:
    note = LatchNote(tmp_path)
    for phase in Phase:
        told(note, phase)
        shut = phase in (Phase.COLD, Phase.SNUFFING, Phase.OUT, Phase.CUT_OFF)
        wait_for(lambda shut=shut: LatchNote(tmp_path).says_shut() is shut)  # type: ignore[misc]
        assert note.read() == ()


@pytest.mark.parametrize(("fresh", "said"), [(False, (Snuff(),)), (True, ())])
def test_a_fire_that_was_put_out_is_put_out_where_its_record_ends_in_tending(
    fresh: bool, said: tuple[Event, ...], tmp_path: Path
) -> None:
    """The disk took no more: the note alone says so. A fresh cook is not put out for it."""
    utc_s = time.time() - 10.0
    state = replace(initial(Config()), phase=Phase.TENDING)
    journal = Journal(tmp_path, Start("this", {}, utc_s, state), None)
    for second in range(3):
        state, decision = step(state, Inputs(Reading(93.0)), float(second))
        journal.record(float(second), utc_s + second, Inputs(Reading(93.0)), decision, state)
    assert journal.close()
    note = LatchNote(tmp_path)
    told(note, Phase.SNUFFING)
    wait_for(LatchNote(tmp_path).says_shut)
    (tmp_path / "c.toml").write_text(f'[journal]\ndirectory = "{tmp_path}"\n', "utf-8")
    settings = load_settings(tmp_path / "c.toml")
    begun = begin(settings, LatchNote(tmp_path), utc_s + 10.0, RealClock, fresh=fresh, lit=False)
    assert begun.state.phase is (Phase.COLD if fresh else Phase.TENDING)
    assert (begun.words(0.0), begun.words(1.0)) == (said, ())


def test_a_disk_that_comes_back_gets_the_note(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It said that the vents were shut: a fire lit meanwhile would have been put out at the next start."""
    monkeypatch.setattr("coalminder.service.latch_note._AGAIN_S", 0.01)
    note = LatchNote(tmp_path / "away")
    told(note, Phase.SNUFFING)
    time.sleep(0.1)
    (tmp_path / "away").mkdir()
    wait_for(lambda: LatchNote(tmp_path / "away").says_shut())


@pytest.mark.parametrize("content", [b"", b"[", b"{}", b"[1]", b'["row_of_old"]', b"\xff\xfe"])
def test_a_damaged_note_says_nothing(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "latched").write_bytes(content)
    fresh = initial(Config())
    assert with_latched(fresh, LatchNote(tmp_path).read(), 0.0) is fresh


def test_a_row_that_an_upgrade_dropped_does_no_harm() -> None:
    watch = settled()
    watch.state = replace(watch.state, records=(Record("row_of_old"),))
    assert watch.step(view(0.0)).alarms == ()
