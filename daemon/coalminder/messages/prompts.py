"""What the food asks of a person, as notices: each thing once, when it comes up. Pure.

Alarms (push.py) tell what is wrong; this tells what is due: turn the pieces, take them off, chill them.
"""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass, field

from coalminder.messages.food_part import FoodPart, Reminder
from coalminder.messages.notice import Notice, Priority, Standing
from coalminder.units import in_celsius, reworded

_LEVELS = {"warn": Priority.MEDIUM, "alarm": Priority.HIGH}
_COOKED = frozenset({"food_done", "measure"})
"""Told at once, and again: nothing is wrong, but food that nobody takes off dries out."""
_REPEATED = _COOKED | {"not_reported"}
"""Told again although no alarm: of food that was not reported nobody minds the limits."""
_BY_ALARM = "clock_"
"""Limits are told by the alarms food_limit_near and food_limit_over."""
_DYING = ("too_cool", frozenset({"fire_out", "falling_with_vents_open"}))
"""A fire that dies is told by its alarms, with another remedy: unlit charcoal would put it out."""
_AT_ONCE = _COOKED | {"not_done"}
"""Food that just came off too early can go back."""
_PROBE = "core_probe"
MOST_ASKED = 100
"""Things asked for and remembered at once; what is more is not told."""

_Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class PromptRules:
    """Times in s. lasts_s: what is wrong for less is being seen to (a probe is moved, food comes off a fire
    that was snuffed). gone_s: what comes back sooner is not news. repeat_s, repeat_times: for what is urgent.
    """

    lasts_s: float = 120.0
    gone_s: float = 600.0
    repeat_s: float = 900.0
    repeat_times: int = 3


@dataclass(slots=True)
class _Asked:
    standing: Standing
    seen_s: float


@dataclass(slots=True)
class Prompts:
    """Remembers what was asked and told of the food of one grill."""

    rules: PromptRules = field(default_factory=PromptRules)
    _stands: set[_Key] = field(default_factory=set)  # by the last message
    _asked: dict[_Key, _Asked] = field(default_factory=dict)

    def on_food(self, grill: str, food: FoodPart | None, alarms: Set[str], now_s: float) -> list[Notice]:
        """What the food asks for now; None: no food is followed. The notices for what is new of it.

        alarms: codes of those whose condition holds.
        """
        for key in self._stands:
            self._asked[key].seen_s = now_s  # it stood until this message
        reminders = {
            _key(reminder): reminder
            for reminder in (food.reminders if food else ())
            if not (
                reminder.code.startswith(_BY_ALARM) or (reminder.code == _DYING[0] and alarms & _DYING[1])
            )
        }
        self._asked = {
            key: asked
            for key, asked in self._asked.items()
            if now_s - asked.seen_s < self.rules.gone_s and (asked.standing.told or key in reminders)
        }
        for key, reminder in reminders.items():
            notice = _notice(grill, reminder)
            if key in self._asked:
                self._asked[key].standing.notice = notice  # told again, it says how it is now
                continue
            if len(self._asked) >= MOST_ASKED:
                continue
            urgent = notice.urgency is Priority.HIGH or reminder.code in _REPEATED
            at_once = reminder.level not in _LEVELS or reminder.code in _AT_ONCE
            waits_s = 0.0 if at_once else self.rules.lasts_s
            left = 1 + (self.rules.repeat_times if urgent else 0)
            self._asked[key] = _Asked(Standing(notice, now_s + waits_s, left), now_s)
        self._stands = reminders.keys() & self._asked.keys()
        return self.tick(now_s)

    def tick(self, now_s: float) -> list[Notice]:
        """What has lasted, and what is urgent and has not been done."""
        return [
            notice
            for key, asked in self._asked.items()
            if key in self._stands
            for notice in asked.standing.due(now_s, self.rules.repeat_s)
        ]


def _key(reminder: Reminder) -> _Key:
    """What makes a reminder another one: not a temperature in it, which changes while it stands."""
    return reminder.code, reworded(in_celsius(reminder.text), lambda _found: "", "°C")


def _notice(grill: str, reminder: Reminder) -> Notice:
    title, _, body = reminder.text.partition(": ")
    if reminder.code == _PROBE and "core probe" not in title:  # 'thick: open: look at plug and cable'
        name, _, body = reminder.text.rpartition(": ")
        title = f"core probe {name}"
    urgency = Priority.MEDIUM if reminder.code in _COOKED else _LEVELS.get(reminder.level, Priority.LOW)
    first, rest = body[:1].upper(), body[1:]
    return Notice(f"{grill}: {title[:1].upper()}{title[1:]}", f"{first}{rest}" or "See the page.", urgency)
