"""Puts the parts around the core together: journal with its outbox, link, watch on the machine."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pydantic import RootModel

from coalminder.build import build
from coalminder.codec import to_plain
from coalminder.core import State, ended
from coalminder.events import Event
from coalminder.food.foodstate import FoodView
from coalminder.journal import Journal, Refusal, Resume, Start
from coalminder.messages.announcer import Announcer
from coalminder.messages.commands import CommandLimits
from coalminder.messages.discovery import Described
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.messages.payloads import Band
from coalminder.safety.faults import FAULTS
from coalminder.service.machine import MachineWatch
from coalminder.values import Decision, Inputs, Outcome


class FoodSent(RootModel[dict[str, Any]]):
    """The food's view as a part of the topic tree; the fields are those of food.foodstate.FoodView.

    The stage is always there; others that are as in a fresh view are left out.
    """


Wording = Callable[[str], str]
"""A sentence with °C -> the sentence with what people read."""


class DeskMessenger:
    """The link, with every answered command noted in the journal. Silent without a link.

    words: what sentences of alarms and of the food go through; None leaves them in °C.
    """

    def __init__(
        self,
        link: Link | None,
        journal: Journal,
        announcer: Announcer | None = None,
        words: Wording | None = None,
    ) -> None:
        self._link, self._journal, self._announcer, self._words = link, journal, announcer, words
        self._food: FoodView | None = None

    def offer(self, decision: Decision, inputs: Inputs, state: State, now_s: float, utc_s: float) -> None:
        """Publish what is due."""
        if self._announcer is not None:
            self._announcer.notice(inputs)
        if self._link is not None:
            view = state.food.view
            if view is not self._food:
                self._food = view
                plain = to_plain(view) if self._words is None else _reworded(to_plain(view), self._words)
                self._link.offer_part("food", FoodSent(root={"stage": view.stage} | plain))
            if self._words is not None:
                decision = _told(decision, self._words)
            self._link.offer(decision, inputs.machine, now_s, utc_s, inputs)

    def take_events(self) -> tuple[Event, ...]:
        """Valid commands since the last step."""
        return () if self._link is None else self._link.take_events()

    def answer(self, outcomes: tuple[Outcome, ...]) -> None:
        """Reply, and note each command with its sender."""
        if self._link is None:
            return
        self._link.answer(outcomes)
        for record in self._link.take_records():
            self._journal.command(record)


def _reworded(plain: Any, words: Wording) -> Any:
    """All sentences within `plain`."""
    if isinstance(plain, str):
        return words(plain)
    if isinstance(plain, dict):
        return {key: _reworded(value, words) for key, value in plain.items()}
    return [_reworded(value, words) for value in plain] if isinstance(plain, list | tuple) else plain


def _told(decision: Decision, words: Wording) -> Decision:
    return replace(
        decision,
        alarms=tuple(
            replace(alarm, message=words(alarm.message), remedy=words(alarm.remedy))
            for alarm in decision.alarms
        ),
    )


class Desk:
    """Journal, link and machine watch of one cook, opened and closed together.

    directory: of the records. options: None tends without a broker. resume: what journal.resume() found.
    words: see DeskMessenger.
    """

    def __init__(
        self,
        state: State,
        *,
        directory: Path,
        options: LinkOptions | None,
        settings: Mapping[str, Any],
        utc_s: float,
        limits: CommandLimits | None = None,
        resume: Resume[Any] | Refusal | None = None,
        commit_every_s: float = 2.0,
        keep_cooks: int = 100,
        settings_files: Sequence[Path] = (),
        restarts: int = 0,
        vents_failed: Callable[[], bool] = lambda: False,
        supply_low: Callable[[], bool] = lambda: False,
        words: Wording | None = None,
    ) -> None:
        self._journal = Journal(
            directory,
            Start(build(), settings, utc_s, state),
            resume,
            commit_every_s=commit_every_s,
            keep_cooks=keep_cooks,
            ended=ended,
        )
        self.link: Link | None = None
        self._announcer: Announcer | None = None
        self._gone = False
        if options is not None:
            config = state.config
            self.link = Link(
                options,
                limits=limits
                or CommandLimits(
                    set_point_min_c=config.least_set_point_c, set_point_max_c=config.highest_set_point_c
                ),
                outbox=self._journal,
                band=Band(low_c=config.low_c, high_c=config.high_c, ceiling_c=config.limits.ceiling_c),
                alarm_codes=[fault.code for fault in FAULTS],
            )
            described = Described(
                # two of one name in a hub: somebody would snuff the wrong one
                name=options.discovery_name or options.grill.capitalize(),
                alarms=tuple((fault.code, fault.code.replace("_", " ").capitalize()) for fault in FAULTS),
                set_point_min_c=config.least_set_point_c,
                set_point_max_c=config.highest_set_point_c,
            )
            self._announcer = Announcer(
                self.link,
                described,
                prefix=options.discovery_prefix,
                enabled=options.discovery,
                complete=False,
            )
        self.recorder = self._journal
        self.messenger = DeskMessenger(self.link, self._journal, self._announcer, words)
        self.watch = MachineWatch(
            journal_health=self._journal.health,
            broker_lost_s=lambda now_s: 0.0 if self.link is None else self.link.lost_s(now_s),
            vents_failed=vents_failed,
            supply_low=supply_low,
            settings_files=settings_files,
            blind_s=resume.age_s if isinstance(resume, Resume) else 0.0,
            resumed=isinstance(resume, Resume),
            restarts=restarts,
        )

    def __enter__(self) -> Self:
        return self

    def start(self) -> None:
        """Begin to dial the broker."""
        if self.link is not None:
            self.link.start()

    def take_back(self) -> None:
        """Hubs, push and broker forget the grill: it was a simulated one, and its cook is over."""
        self._gone = True
        if self._announcer is not None:
            self._announcer.take_back()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.link is not None:
            self.link.stop(gone=self._gone)
        self._journal.close()
