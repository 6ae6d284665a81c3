"""What the food asks of a person, as notices: each thing once, when it comes up. Pure.

Alarms (push.py) tell what is wrong; this tells what is due: turn the pieces, take them off, chill them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from coalminder.messages.food_part import FoodPart, Reminder
from coalminder.messages.notice import Notice, Priority

_LEVELS = {"warn": Priority.MEDIUM, "alarm": Priority.HIGH}
_COOKED = frozenset({"food_done", "measure"})
"""Plain notes, but food that nobody takes off dries out."""
_BY_ALARM = "clock_"
"""Limits are told by the alarms food_limit_near and food_limit_over."""


@dataclass(frozen=True, slots=True)
class PromptRules:
    """Times in s. gone_s: what comes back sooner is not news. repeat_s, repeat_times: for what is urgent."""

    gone_s: float = 600.0
    repeat_s: float = 900.0
    repeat_times: int = 3


@dataclass(slots=True)
class _Told:
    notice: Notice
    seen_s: float
    next_s: float
    left: int


@dataclass(slots=True)
class Prompts:
    """Remembers what was told of the food of one grill."""

    rules: PromptRules = field(default_factory=PromptRules)
    _asked: set[tuple[str, str]] = field(default_factory=set)  # by the last message
    _told: dict[tuple[str, str], _Told] = field(default_factory=dict)

    def on_food(self, grill: str, food: FoodPart | None, now_s: float) -> list[Notice]:
        """What the food asks for now; None: no food is followed. The notices for what is new of it."""
        for key in self._asked:
            self._told[key].seen_s = now_s  # it stood until this message
        self._told = {k: told for k, told in self._told.items() if now_s - told.seen_s < self.rules.gone_s}
        asked = {
            (reminder.code, reminder.text): reminder
            for reminder in (food.reminders if food else ())
            if not reminder.code.startswith(_BY_ALARM)
        }
        news = []
        for key, reminder in asked.items():
            if key not in self._told:
                notice = _notice(grill, reminder)
                left = self.rules.repeat_times if notice.urgency is not Priority.LOW else 0
                self._told[key] = _Told(notice, now_s, now_s + self.rules.repeat_s, left)
                news.append(notice)
        self._asked = set(asked)
        return news

    def tick(self, now_s: float) -> list[Notice]:
        """What is urgent and has not been done."""
        due = []
        for key in self._asked:
            told = self._told[key]
            if told.left > 0 and now_s >= told.next_s:
                told.left -= 1
                told.next_s = now_s + self.rules.repeat_s
                due.append(told.notice.again())
        return due


def _notice(grill: str, reminder: Reminder) -> Notice:
    title, _, body = reminder.text.partition(": ")
    urgency = Priority.MEDIUM if reminder.code in _COOKED else _LEVELS.get(reminder.level, Priority.LOW)
    first, rest = body[:1].upper(), body[1:]
    return Notice(f"{grill}: {title[:1].upper()}{title[1:]}", f"{first}{rest}" or "See the page.", urgency)
