"""What is worth waking somebody for: messages in, notices out. Pure; push_sender.py delivers them.

A notice goes out when an alarm of enough priority asks for an answer, once more every few minutes until
somebody acknowledges it, and when it is over; and when the food asks for a hand (prompts.py). A daemon that
falls silent is told as well: nobody else would notice.
"""

from __future__ import annotations

from collections.abc import Iterable, Set
from dataclasses import dataclass, field

from coalminder.messages.food_part import FoodPart
from coalminder.messages.notice import Notice, Priority, Standing
from coalminder.messages.payloads import AlarmMessage
from coalminder.messages.prompts import Prompts
from coalminder.values import AlarmState

ASKS = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
OVER = frozenset({AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED})
WORSE = {"food_limit_near": "food_limit_over"}
"""What ends because something worse began is no good news, and its end is not told."""
WAITS = frozenset({"other_probe_hotter"})
"""What asks, and holds the vents back, until somebody acknowledges it, be it over or not."""
LASTING = frozenset({"food_limit_over", "food_exposed"})
"""What no end mends: the alarm goes when the food is chilled, eaten or followed by other food."""
MOST_GRILLS, MOST_ALARMS = 100, 200
"""Remembered, alarms of each grill. What an alarm beyond them says is told, but not told again."""
RAISED_S = 5.0
"""A clock that is being put right moves the time of raising by less than this."""


def asks(code: str, state: str) -> bool:
    """Whether an alarm in this state asks for a hand."""
    return state in ASKS or (state == AlarmState.RETURNED_UNACKNOWLEDGED and code in WAITS)


@dataclass(frozen=True, slots=True)
class PushRules:
    """When to tell. Times in s. repeat_times: how often an unanswered high alarm is told again. food: whether
    what the food asks for is told.
    """

    at_least: Priority = Priority.MEDIUM
    food: bool = True
    repeat_s: float = 300.0
    repeat_times: int = 6
    silent_s: float = 60.0


@dataclass(slots=True)
class _Open:
    """An alarm that was told and waits for an answer."""

    standing: Standing
    message: AlarmMessage


@dataclass(slots=True)
class _Grill:
    """What is remembered of one grill, alarms by their code.

    heard_s: a sign of life of its daemon; None: none yet. no_fire: it had none when it was last heard.
    active: whose condition holds. stored: from the broker's store, until a state agrees.
    """

    heard_s: float | None = None
    told_silent: bool = False
    no_fire: bool = False
    open: dict[str, _Open] = field(default_factory=dict)
    active: set[str] = field(default_factory=set)
    stored: dict[str, AlarmMessage] = field(default_factory=dict)
    prompts: Prompts = field(default_factory=Prompts)

    @property
    def known(self) -> set[str]:
        """Codes of the alarms that something is remembered of."""
        return self.active | self.open.keys() | self.stored.keys()

    @property
    def safe_alone(self) -> bool:
        """No fire, and no alarm of its food: the cook is over, and the machine was switched off."""
        stored = any(message.active for message in self.stored.values())
        return self.no_fire and not self.active and not stored


@dataclass(slots=True)
class Bridge:
    """Remembers what was told. Feed it messages and time, send what it returns."""

    rules: PushRules = field(default_factory=PushRules)
    _grills: dict[str, _Grill] = field(default_factory=dict)

    def on_alarm(self, message: AlarmMessage, now_s: float, stored: bool = False) -> list[Notice]:
        """An alarm message came in. `now_s`: any clock that only goes forward.

        stored: from the broker's store, of any age, or of another day; it waits for a state that agrees.
        """
        of, code = self._of(message.grill), message.code
        if len(of.known) >= MOST_ALARMS and code not in of.known:
            of = _Grill()
        if stored:
            of.stored[code] = message
            return []
        of.stored.pop(code, None)
        state = AlarmState(message.state)
        known = of.open.get(code)
        (of.active.add if message.active else of.active.discard)(code)
        if asks(code, state) and _urgency(message) >= self.rules.at_least:
            notice = _raised(message)
            if known is not None and _adds_nothing(known.message, message):
                known.message, known.standing.notice = message, notice  # told again, it says what is left
                return []  # a repeat, a retained copy, or one that is latched now
            left = self.rules.repeat_times if notice.urgency is Priority.HIGH else 0
            told = Standing(notice, now_s + self.rules.repeat_s, left, told=True)
            of.open[code] = _Open(told, message)
            return [notice]
        if known is None:
            return []
        del of.open[code]
        worse = WORSE.get(code) in of.active
        return [_over(message, known.standing.notice)] if state in OVER and not worse else []

    def on_availability(self, grill: str, online: bool, now_s: float) -> list[Notice]:
        """The daemon of `grill` came or went."""
        if online:
            return self.on_state(grill, now_s)
        of = self._of(grill)
        of.heard_s = now_s if of.heard_s is None else of.heard_s
        return []

    def on_gone(self, grill: str) -> None:
        """There is no such grill any more: a rehearsal has ended, or somebody cleared its topics."""
        self._grills.pop(grill, None)

    def on_fire(self, grill: str, burns: bool) -> None:
        """Whether a fire burns by the latest state, be it of any age."""
        self._of(grill).no_fire = not burns

    def on_state(self, grill: str, now_s: float, alarms: Set[str] | None = None) -> list[Notice]:
        """A fresh state came: its control loop runs. One that hangs keeps its connection and says nothing.

        alarms: codes of those that are not normal; None: not said.
        """
        of = self._of(grill)
        of.heard_s = now_s
        notices = []
        if of.told_silent:
            of.told_silent = False
            notices.append(Notice(f"{grill}: the daemon is back", "It tends the grill again.", Priority.LOW))
        if alarms is not None:
            waiting, of.stored = of.stored, {}
            for message in waiting.values():
                if (message.state != AlarmState.NORMAL.value) is (message.code in alarms):
                    notices += self.on_alarm(message, now_s)
        return notices

    def on_food(self, grill: str, food: FoodPart | None, now_s: float) -> list[Notice]:
        """A fresh word on the food of `grill`; None: none is followed."""
        if not self.rules.food:
            return []
        of = self._of(grill)
        return of.prompts.on_food(grill, food, of.active, now_s)

    def _of(self, grill: str) -> _Grill:
        """What is remembered of `grill`. One too many takes the place of the oldest that nobody misses, or
        of which that was told; where there is none it is not remembered.
        """
        if grill not in self._grills:
            if len(self._grills) >= MOST_GRILLS:
                over = (name for name, of in self._grills.items() if of.told_silent or of.safe_alone)
                if (forgotten := next(over, None)) is None:
                    return _Grill()
                del self._grills[forgotten]
            self._grills[grill] = _Grill()
        return self._grills[grill]

    def tick(self, now_s: float, hears: bool = True) -> list[Notice]:
        """What became due; call it now and then. hears: there is a broker, so silence means something."""
        grills = self._grills.values()
        if not hears:
            for of in grills:
                of.heard_s = None if of.heard_s is None else now_s
        again = [
            n
            for of in grills
            for one in of.open.values()
            for n in one.standing.due(now_s, self.rules.repeat_s)
        ]
        asked = [notice for of in grills for notice in of.prompts.tick(now_s)]
        return [*again, *asked, *self._silences(now_s)]

    def _silences(self, now_s: float) -> Iterable[Notice]:
        for grill, of in self._grills.items():
            if of.heard_s is None or of.told_silent or of.safe_alone:
                continue
            if now_s - of.heard_s >= self.rules.silent_s:
                of.told_silent = True
                yield Notice(
                    f"{grill}: the daemon is silent",
                    "Nobody watches the fire. Go and look; if it cannot be tended by hand, shut both vents.",
                    Priority.HIGH,
                )


def _adds_nothing(told: AlarmMessage, now: AlarmMessage) -> bool:
    """Whether `now` says no more than what was told: the same, or fewer of the things that it named."""
    (told_text, told_of), (text, of) = _named(told.message), _named(now.message)
    if told_text != text or not of <= told_of or (told_of and not of):
        return False
    if told.raised_utc is None or now.raised_utc is None:
        return told.raised_utc is now.raised_utc
    return abs((now.raised_utc - told.raised_utc).total_seconds()) < RAISED_S


def _named(message: str) -> tuple[str, frozenset[str]]:
    """A message without its brackets, and what it names in them: 'Lost (a; b)' -> 'Lost', {a, b}."""
    text, _, rest = message.partition(" (")
    return text, frozenset(rest.removesuffix(")").split("; ")) if rest else frozenset()


def _raised(message: AlarmMessage) -> Notice:
    late = ""
    if message.late and message.raised_utc is not None:
        late = f" (late: it was raised at {message.raised_utc.astimezone():%H:%M %Z})"
    text = message.message or message.code
    return Notice(f"{message.grill}: {text}", (message.remedy or "Go and look.") + late, _urgency(message))


def _over(message: AlarmMessage, told: Notice) -> Notice:
    if message.code in LASTING:
        text = "Food that was over a limit stays so: when in doubt throw it out."
        return Notice(f"No longer counted: {told.title}", text, Priority.LOW)
    return Notice(f"Over: {told.title}", "The condition is gone.", Priority.LOW)


def _urgency(message: AlarmMessage) -> Priority:
    return Priority[message.priority.upper()]
