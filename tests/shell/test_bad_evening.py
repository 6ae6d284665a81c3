"""What a bad evening does to the service: dropped terminals, wrong clocks, restarts, half-edited files."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from recorded_cook import UTC_S

from coalminder.cli import main
from coalminder.core import Config, State, ended, initial, step
from coalminder.errors import SettingsError, UserError
from coalminder.events import Event, FoodStep, Light, Snuff
from coalminder.food.left import left_over
from coalminder.journal import Journal, Start, store
from coalminder.messages.food_part import FoodPart
from coalminder.messages.options import LinkOptions
from coalminder.probes.guard import GuardState, guard
from coalminder.safety.faults import BY_CODE
from coalminder.safety.limits import Limits
from coalminder.service.assemble import DeskMessenger, FoodSent
from coalminder.service.begin import begin, clock_words
from coalminder.service.clock import RealClock
from coalminder.service.latch_note import LatchNote
from coalminder.service.machine import begun_in_this_boot, count_restarts, forget_starts
from coalminder.service.tender import blind_s, nothing_unseen
from coalminder.service.unseen import Unseen
from coalminder.settings import Settings, load_settings
from coalminder.settings.food import FoodSettings
from coalminder.values import Inputs, Phase, Reading


@pytest.mark.parametrize("stale_s", [10.0, 30.0, 60.0])
def test_the_watchdog_leaves_the_fault_table_its_time(stale_s: float) -> None:
    limits = Limits(stale_s=stale_s)
    for code in ("pit_probe_lost", "pit_probe_stale", "pit_probe_implausible"):
        assert blind_s(limits) >= BY_CODE[code].detected_within_s(limits) + 5.0


def test_an_orderly_end_is_no_restart(tmp_path: Path) -> None:
    for k in range(6):
        assert count_restarts(tmp_path, UTC_S + k) == 0
        forget_starts(tmp_path)
    assert [count_restarts(tmp_path, UTC_S + 10.0 + k) for k in range(5)] == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("back_s", [0.3, 30.0, 3600.0])
def test_reboots_are_counted_where_the_clock_starts_at_the_same_hour_again(
    back_s: float, tmp_path: Path
) -> None:
    """A supply that dips with the servo, on a board without a clock of its own: the cook goes on from where
    it was each time, a minute later by its own time.
    """
    assert count_restarts(tmp_path, UTC_S) == 0
    counted = [count_restarts(tmp_path, UTC_S - back_s * k, 60.0 * k) for k in range(1, 6)]
    assert counted == [1, 2, 3, 4, 5]
    assert count_restarts(tmp_path, UTC_S - 86_400.0, 5000.0) == 0  # an hour and more of the cook later
    assert count_restarts(tmp_path, UTC_S - 2 * 86_400.0) == 0, "a new cook"


class PutRight:
    """A clock that is `behind_s` behind until it is put right at `at_s`."""

    speed = 1.0

    def __init__(self, behind_s: float, at_s: float) -> None:
        self.time_s, self._behind_s, self._at_s = 0.0, behind_s, at_s

    def now_s(self) -> float:
        return self.time_s

    def utc_s(self) -> float:
        return UTC_S + self.time_s + (self._behind_s if self.time_s >= self._at_s else 0.0)

    def skip(self, seconds: float) -> None:
        raise NotImplementedError

    async def sleep_until(self, due_s: float) -> None:
        raise NotImplementedError


@pytest.mark.parametrize("behind_s", [600.0, 86_400.0, UTC_S])
def test_a_short_power_cut_snuffs_nothing_however_far_behind_the_clock_starts(behind_s: float) -> None:
    """The last step is `behind_s` in the clock's future, and the cut took ten minutes."""
    clock = PutRight(behind_s + 600.0, 40.0)
    words, said = clock_words(Unseen(clock, UTC_S + behind_s, 0.0), 6 * 3600.0), []
    for second in range(100):
        clock.time_s = float(second)
        said += words(clock.now_s())
    assert said == []


@pytest.mark.parametrize(("hours", "snuffs"), [(1.0, 0), (5.0, 0), (14.0, 1)])
def test_yesterdays_cook_is_snuffed_once_the_clock_is_put_right(hours: float, snuffs: int) -> None:
    clock = PutRight(hours * 3600.0, 40.0)
    words, said = clock_words(Unseen(clock, UTC_S, 0.0), 6 * 3600.0), []
    for second in range(100):
        clock.time_s = float(second)
        said += words(clock.now_s())
    assert said == [Snuff()] * snuffs


def test_a_cook_begun_in_this_boot_gets_no_older_by_a_clock_put_right(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    first.write_text("4f1c\n", "ascii")
    second.write_text("77a0\n", "ascii")
    assert not begun_in_this_boot(tmp_path, now=False, boot_id=first)  # nothing is known
    assert begun_in_this_boot(tmp_path, now=True, boot_id=first)
    assert begun_in_this_boot(tmp_path, now=False, boot_id=first)
    for _ in range(2):  # goes on in another boot, and again in the same one: its age is still not known
        assert not begun_in_this_boot(tmp_path, now=False, boot_id=second)
    assert begun_in_this_boot(tmp_path, now=True, boot_id=second)
    assert begun_in_this_boot(tmp_path / "nowhere", now=True, boot_id=tmp_path / "no such file")
    assert not begun_in_this_boot(tmp_path, now=False, boot_id=tmp_path / "no such file")


def test_the_record_in_use_is_the_newest_whatever_the_clock_says(tmp_path: Path) -> None:
    paths = [tmp_path / f"{k}.cook" for k in range(4)]
    for k, path in enumerate(paths):
        path.write_bytes(b"x")
        ahead_s = 3600.0 * (k + 1) if k < 3 else 0.0
        os.utime(path, (time.time() + ahead_s,) * 2)
    assert store.newest(tmp_path) == paths[2]
    store.point_at(paths[3])
    assert store.newest(tmp_path) == paths[3]
    store.prune(tmp_path, 2, paths[3])
    assert sorted(tmp_path.glob("*.cook")) == [paths[2], paths[3]]
    paths[3].unlink()
    assert store.newest(tmp_path) == paths[2]


@pytest.mark.parametrize(
    "text", ["[mqtt]\npassword = 48151623\n", '[mqtt]\npush_urls = "ntfy://tok48151623"\n']
)
def test_a_mistyped_secret_is_not_printed(text: str, tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(SettingsError) as told:
        load_settings(path)
    assert "48151623" not in str(told.value)


@pytest.mark.parametrize("url", ["mqtt://cook:48151623@", "http://cook:48151623@a", "mqtt://c:48151623@a:x"])
def test_a_bad_broker_url_is_told_without_its_password(url: str) -> None:
    with pytest.raises(UserError) as told:
        LinkOptions.from_url(url)
    assert "48151623" not in str(told.value)


@pytest.mark.parametrize(("step_c", "stuck"), [(0.1, True), (1.0, False)])
def test_a_coarse_probe_that_stands_still_is_left_to_the_fault_table(step_c: float, stuck: bool) -> None:
    state = GuardState()
    for second, temp_c in enumerate([93.0, 93.0 + step_c, 93.0]):
        state, _ = guard(state, Reading(temp_c), float(second))
    for second in range(30, 4000, 30):
        state, sample = guard(state, Reading(93.0), float(second))
    assert isinstance(sample, Reading) is not stuck


class Parts:
    """A link that remembers the parts it was given."""

    def __init__(self) -> None:
        self.given: list[tuple[str, object]] = []

    def offer(self, *_: object) -> None:
        self.given.append(("state", None))

    def offer_part(self, name: str, part: object) -> None:
        self.given.append((name, part))


def test_todays_food_takes_the_place_of_yesterdays_at_once() -> None:
    """Yesterday's is retained on the broker; a person must be able to say that today's is on the grill."""
    link, state = Parts(), initial(Config())
    messenger = DeskMessenger(link, None)  # type: ignore[arg-type]
    for second in range(3):
        inputs = Inputs(pit=Reading(20.0))
        state, decision = step(state, inputs, float(second))
        messenger.offer(decision, inputs, state, float(second), UTC_S + second)
    (name, part), (then, _), *_ = link.given
    assert (name, then) == ("food", "state"), "a hub that sees the daemon online has the food already"
    assert isinstance(part, FoodSent)
    assert part.root["stage"] == "waiting"
    assert FoodPart.model_validate(part.root).stage == "waiting"


def cooled(
    folder: Path,
    *food: FoodStep,
    boot: str | None = None,
    rest_s: float = 1.0,
    phase: Phase = Phase.OUT,
) -> Settings:
    """Settings whose last record ends 60 s ago, on a grill that is out, after these reports of the food.

    boot: the note of the board's start, where it is not that of now. rest_s: from the last report to
    the end.
    """
    (folder / "c.toml").write_text(f'[journal]\ndirectory = "{folder}"\n', "utf-8")
    settings = load_settings(folder / "c.toml")
    begun_in_this_boot(folder, now=True)
    if boot is not None:
        (folder / "boot").write_text(boot, "utf-8")
    times_s = [3600.0 + count for count in range(len(food))]
    times_s.append(times_s[-1] + rest_s if food else 3600.0)
    utc_s = time.time() - 60.0 - times_s[-1]
    state = replace(initial(Config()), phase=phase)
    journal = Journal(folder, Start("this", {}, utc_s, state), None, ended=ended)
    for now_s, said in zip(times_s, [*food, None], strict=True):
        inputs = Inputs(Reading(20.0), events=() if said is None else (said,))
        state, decision = step(state, inputs, now_s)
        journal.record(now_s, utc_s + now_s, inputs, decision, state)
    assert journal.close()
    return settings


ON, OFF, CHILLED = (FoodStep(step=word) for word in ("loaded", "off", "chilled"))


@pytest.mark.parametrize(
    ("food", "boot", "stage"),
    [
        ((ON, OFF), None, "resting"),
        ((ON,), None, "cooking"),  # under a fire that went out
        ((ON, OFF, CHILLED), None, "waiting"),
        ((), None, "waiting"),
        ((ON, OFF), "another boot", "waiting"),  # its clock may stand still: yesterday's food
    ],
)
def test_food_that_cools_is_not_forgotten_by_a_restart_once_the_grill_is_out(
    food: tuple[FoodStep, ...], boot: str | None, stage: str, tmp_path: Path
) -> None:
    """A restart is what an upgrade and a changed configuration ask for once no fire burns."""
    settings = cooled(tmp_path, *food, boot=boot)
    begun = begin(settings, LatchNote(tmp_path), time.time(), RealClock, fresh=False, lit=False)
    state, _ = step(begun.state, Inputs(Reading(20.0)), begun.clock.now_s() + 1.0)
    assert state.food.view.stage == stage
    if stage != "waiting":
        assert begun.clock.now_s() >= 60.0, "its clocks go on"


@pytest.mark.parametrize(("hours", "over"), [(5.9, False), (6.1, True)])
def test_last_nights_food_that_nobody_reported_chilled_is_no_part_of_todays_cook(
    hours: float, over: bool
) -> None:
    """Food Code 3-501.14: after 6 h it is cold, or lost. Its record went on, and a start next morning took it
    up: today's plan was followed from its end, without a word of lighting and loading.
    """
    state = replace(initial(Config()), phase=Phase.OUT)
    for second, said in enumerate([ON, OFF]):
        state, _ = step(state, Inputs(Reading(20.0), events=(said,)), float(second))
    state, _ = step(state, Inputs(Reading(20.0)), 3600.0 * hours)
    assert state.food.view.stage == "resting"
    assert ended(state) is over


@pytest.mark.parametrize(("hours", "over"), [(5.9, False), (6.1, True)])
def test_food_that_was_never_reported_off_is_over_hours_after_its_fire(hours: float, over: bool) -> None:
    """As what came off: it was eaten, or is lost. A start next day took it up with the alarm `no_fire`."""
    state = replace(initial(Config()), phase=Phase.TENDING)
    state, _ = step(state, Inputs(Reading(93.0), events=(ON,)), 0.0)
    state, _ = step(state, Inputs(Reading(93.0)), 3600.0)
    out_s = 7200.0
    state, _ = step(replace(state, phase=Phase.OUT), Inputs(Reading(30.0)), out_s)
    state, _ = step(state, Inputs(Reading(20.0)), out_s + 3600.0 * hours)
    assert "no_fire" in [reminder.code for reminder in state.food.view.reminders]
    assert ended(state) is over


def left(state: State, *events: Event) -> tuple[State, str]:
    """The state after a step, and what it tells of the food of before."""
    state, decision = step(state, Inputs(Reading(20.0), events=events), (state.last_s or 0.0) + 60.0)
    assert all(outcome.accepted for outcome in decision.outcomes), decision.outcomes
    return state, "".join(r.text for r in state.food.view.reminders if r.code == "left")


@pytest.mark.parametrize("behind_s", [0.0, 30 * 86400.0])  # a board without a clock begins anywhere
def test_food_that_cooled_as_the_power_was_cut_is_told_once_the_board_is_back(
    behind_s: float, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """It was forgotten. Food Code 3-501.14: 57 to 21 °C within 2 h, to 5 °C within 6 h in all."""
    settings = cooled(tmp_path, ON, OFF, boot="another boot")
    off = datetime.fromtimestamp(time.time() - 61.0)
    begun = begin(settings, LatchNote(tmp_path), time.time() - behind_s, RealClock, fresh=False, lit=False)
    assert begun.state.food.loaded_s is None
    state, told = left(begun.state)
    assert f"{off:%Y-%m-%d %H:%M}" in told or f"{off + timedelta(minutes=1):%Y-%m-%d %H:%M}" in told
    for words in ("off the grill", "21 °C two hours", "5 °C after six", "throw it away", "Nobody measured"):
        assert words in told
    assert told in caplog.text
    assert state.food.view.before_out
    state, told = left(state, ON)  # another batch
    assert told
    state, told = left(state, replace(CHILLED, event_id="that"))
    assert told == ""
    assert state.food.view.stage == "cooking"


@pytest.mark.parametrize(
    ("food", "told"),
    [((ON,), "went on the grill"), ((ON, OFF, ON), "came off the grill"), ((ON, OFF, CHILLED), ""), ((), "")],
)
def test_other_food_of_before_is_told_when_it_is_to_be_minded(
    food: tuple[FoodStep, ...], told: str, tmp_path: Path
) -> None:
    settings = cooled(tmp_path, *food, boot="another boot")
    begun = begin(settings, LatchNote(tmp_path), time.time(), RealClock, fresh=False, lit=False)
    assert told in left(begun.state)[1]
    assert bool(begun.state.food.left) is bool(told)
    later_s = time.time() + 25 * 3600.0
    begun = begin(settings, LatchNote(tmp_path), later_s, RealClock, fresh=False, lit=False)
    assert begun.state.food.left == ""


def test_food_of_before_is_told_with_the_hour_it_came_off(tmp_path: Path) -> None:
    settings = cooled(tmp_path, ON, OFF, boot="another boot", rest_s=5.0 * 3600.0)
    off = datetime.fromtimestamp(time.time() - 60.0 - 5.0 * 3600.0)
    begun = begin(settings, LatchNote(tmp_path), time.time(), RealClock, fresh=False, lit=False)
    near = (f"off the grill {off + timedelta(minutes=late):%Y-%m-%d %H:%M}" for late in (-1, 0))
    assert any(words in begun.state.food.left for words in near)


@pytest.mark.parametrize(("hours", "told"), [(5.9, True), (6.1, False)])
def test_food_of_before_is_told_while_its_cooling_rule_runs(hours: float, told: bool) -> None:
    """Food Code 3-501.14: after 6 h it is cold, or lost; a daemon that ran on has said so."""
    state = replace(initial(Config()), phase=Phase.TENDING)
    for now_s, events in ((0.0, (ON,)), (1.0, (OFF,)), (3600.0 * hours, ())):
        state, _ = step(state, Inputs(Reading(93.0), events=events), now_s)
    assert bool(left_over(state.food, state.last_s or 0.0, str)) is told


@pytest.mark.parametrize(("ran_s", "again"), [(1.0, True), (6.1 * 3600.0, False)])
def test_a_second_start_tells_of_it_again(ran_s: float, again: bool, tmp_path: Path) -> None:
    """One that follows at once must not take the word away; hours later the food is cold, or lost."""
    settings = cooled(tmp_path, ON, OFF, boot="another boot")
    first = begin(settings, LatchNote(tmp_path), time.time(), RealClock, fresh=False, lit=False)
    journal, end_s = Journal(tmp_path, Start("this", {}, time.time(), first.state), None), time.time() + ran_s
    state, decision = step(first.state, Inputs(Reading(20.0)), ran_s)
    journal.record(ran_s, end_s, Inputs(Reading(20.0)), decision, state)
    assert journal.close()
    second = begin(settings, LatchNote(tmp_path), end_s + 5.0, RealClock, fresh=False, lit=False)
    assert first.state.food.left
    assert second.state.food.left == (first.state.food.left if again else "")


def test_a_cut_off_goes_on_without_food_that_is_over(tmp_path: Path) -> None:
    settings = cooled(tmp_path, ON)
    utc_s = time.time() + 60.0
    state = replace(initial(Config()), phase=Phase.CUT_OFF)
    journal = Journal(tmp_path, Start("this", {}, utc_s, state), None)
    for now_s, said in ((0.0, (ON,)), (1.0, ()), (7 * 3600.0, ())):
        inputs = Inputs(Reading(20.0), events=said)
        state, decision = step(state, inputs, now_s)
        state = replace(state, phase=Phase.CUT_OFF)
        journal.record(now_s, utc_s + now_s, inputs, decision, state)
    assert journal.close()
    begun = begin(settings, LatchNote(tmp_path), utc_s + 7 * 3600.0 + 9.0, RealClock, fresh=False, lit=False)
    assert begun.state.phase is Phase.CUT_OFF
    assert begun.state.food.loaded_s is None
    assert "went on the grill" in begun.state.food.left


def test_the_plan_of_the_second_batch_of_a_day_is_followed_from_its_beginning(tmp_path: Path) -> None:
    """The daemon is started again for a new plan; the first batch cools, and was not reported chilled."""
    # the brine is made up to 24.5 h before, by the hour of serving: nobody is asked to make it at night
    settings, served = cooled(tmp_path, ON, OFF), datetime.now() + timedelta(hours=26)
    plan = tmp_path / "plan.json"
    assert main(["plan", "char", "--serve", f"{served:%Y-%m-%d %H:%M}", "--json", str(plan)]) == 0
    settings = settings.model_copy(update={"food": FoodSettings(plan_file=str(plan))})
    begun = begin(settings, LatchNote(tmp_path), time.time(), RealClock, fresh=False, lit=False)
    state, _ = step(begun.state, Inputs(Reading(20.0)), begun.clock.now_s() + 1.0)
    view = state.food.view
    assert view.stage == "resting"
    assert view.next_step is not None
    assert view.next_step.code in ("thaw", "make_brine")


def test_the_next_fire_by_hand_is_lit_though_the_last_food_was_not_reported_chilled(tmp_path: Path) -> None:
    begun = begin(
        cooled(tmp_path, ON, OFF), LatchNote(tmp_path), time.time(), RealClock, fresh=False, lit=True
    )
    assert begun.state.food.view.stage == "resting"
    assert begun.words(0.0) == (Light(),)


@pytest.mark.parametrize("boot", [None, "another boot"])
def test_a_fire_of_before_this_boot_goes_on_till_the_clock_is_known(boot: str | None, tmp_path: Path) -> None:
    """A board without a clock does not know how long it was off; one that ran on all the time does."""
    settings = cooled(tmp_path, boot=boot, phase=Phase.TENDING)
    starts = [
        begin(settings, LatchNote(tmp_path), time.time() + after_s, RealClock, fresh=False, lit=False)
        for after_s in (0.0, 5.0)
    ]
    assert [start.state.phase for start in starts] == [Phase.TENDING] * 2
    assert [start.unseen is nothing_unseen for start in starts] == [boot is None] * 2
    assert [start.restarts for start in starts] == [0, 1]


def test_reboots_before_the_first_step_are_counted_though_the_clock_begins_a_little_earlier(
    tmp_path: Path,
) -> None:
    """It starts where it stopped, and a boot takes a second more or less: by both clocks they went back."""
    settings, utc_s = cooled(tmp_path, phase=Phase.TENDING), time.time()
    starts = [
        begin(settings, LatchNote(tmp_path), utc_s - back_s, RealClock, fresh=False, lit=False)
        for back_s in (-2.0, 0.0, 1.0)
    ]
    assert [start.restarts for start in starts] == [0, 1, 2]


def test_a_new_cook_is_known_to_be_of_this_boot(tmp_path: Path) -> None:
    settings = cooled(tmp_path, ON, boot="another boot")
    begin(settings, LatchNote(tmp_path), time.time(), RealClock, fresh=False, lit=False)
    assert begun_in_this_boot(tmp_path, now=False)
