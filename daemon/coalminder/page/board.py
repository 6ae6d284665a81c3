"""What the page knows of one grill: the last word on each topic. Pure, bounded, not thread-safe."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import Literal

from pydantic import ValidationError

from coalminder.messages.food_part import FoodPart
from coalminder.messages.payloads import AlarmMessage, ReplyMessage, StateMessage
from coalminder.messages.topics import OFFLINE, ONLINE, Topics
from coalminder.page.history import History
from coalminder.page.jumps import Jumps
from coalminder.values import AlarmState, Phase

MAX_ALARMS = 200
MAX_BYTES = 65_536
OF_THIS_COOK = timedelta(days=1)
"""What comes late may be of last week's cook, or of before a clock in 1970 was put right: a plot that reaches
back to there shows nothing of this cook [estimate]."""
# Lighting after one of these is another cook; after the last three no daemon lights, so it is another daemon.
_NEW_COOK = frozenset({Phase.COLD, Phase.OUT, Phase.SETTLING, Phase.TENDING, Phase.EASING})


@dataclass(slots=True)
class Board:
    """The last word on each topic of one grill. Times: `utc_s` wall clock, `mono_s` steady clock of the page.

    heard_s: steady time at which the state came; None before. retained: that state came from the broker's
    store, so it may be of any age. food_heard_s: the same for the food. bare: codes of alarms that the state
    names and no message told of -> since when. unread: topics whose last message could not be read.
    """

    topics: Topics
    history: History = field(default_factory=History)
    availability: Literal["online", "offline"] | None = None
    state: StateMessage | None = None
    heard_s: float | None = None
    retained: bool = False
    alarms: dict[str, AlarmMessage] = field(default_factory=dict)
    bare: dict[str, float] = field(default_factory=dict)
    food: FoodPart | None = None
    food_heard_s: float | None = None
    unread: set[str] = field(default_factory=set)
    jumps: Jumps = field(default_factory=Jumps)

    def filters(self) -> list[str]:
        """What to subscribe to."""
        t = self.topics
        return [t.availability, t.state, t.state_late, t.alarm("+"), t.part("food"), t.reply, f"{t.reply}/#"]

    def take(self, topic: str, payload: bytes, *, retained: bool, mono_s: float) -> ReplyMessage | None:
        """Note one message; the reply when it was one. What cannot be read changes nothing but `unread`."""
        try:
            reply = self._take(topic, payload, retained, mono_s)
        except (ValidationError, ValueError):
            if len(self.unread) < MAX_ALARMS:
                self.unread.add(topic)
            return None
        self.unread.discard(topic)
        return reply

    def age_s(self, utc_s: float, mono_s: float) -> float | None:
        """How old the state is: since it came, or since what it tells was so, whichever is longer."""
        if self.state is None or self.heard_s is None:
            return None
        return max(mono_s - self.heard_s, utc_s - self.state.utc.timestamp(), 0.0)

    def _take(self, topic: str, payload: bytes, retained: bool, mono_s: float) -> ReplyMessage | None:
        t = self.topics
        if len(payload) > MAX_BYTES:
            raise ValueError("too large")
        if topic == t.availability:
            text = payload.decode()
            self.availability = "online" if text == ONLINE else "offline" if text == OFFLINE else None
        elif topic == t.state:
            self._take_state(payload, retained, mono_s)
        elif topic == t.state_late:
            late = StateMessage.model_validate_json(payload)
            if self.state is not None and abs(late.utc - self.state.utc) < OF_THIS_COOK:
                self._note(late)
        elif topic == t.part("food"):
            self.food = FoodPart.model_validate_json(payload) if payload else None
            self.food_heard_s = mono_s
        elif topic.startswith(t.reply):
            return ReplyMessage.model_validate_json(payload)
        elif topic.startswith(t.alarm("")):
            self._take_alarm(topic.rpartition("/")[2], payload)
        return None

    def _take_state(self, payload: bytes, retained: bool, mono_s: float) -> None:
        if not payload:
            self.state = None
            self.bare.clear()
            return
        state = StateMessage.model_validate_json(payload)
        if self.state is not None and self.state.phase in _NEW_COOK and state.phase == Phase.LIGHTING:
            self.history.clear()
        jump_s = 0.0 if retained else self.jumps.jump_s(state.utc.timestamp(), mono_s)
        if jump_s:
            self.history.shift(jump_s)
        self.state, self.heard_s, self.retained = state, mono_s, retained
        for code in [c for c, alarm in self.alarms.items() if c not in state.alarms]:
            if self.alarms[code].utc < state.utc:  # it became normal while we were away
                del self.alarms[code]
        unheard = [code for code in state.alarms if code not in self.alarms][:MAX_ALARMS]
        self.bare = {code: self.bare.get(code, mono_s) for code in unheard}
        self._note(state)

    def _note(self, state: StateMessage) -> None:
        values: dict[str, float | None] = {
            "pit": state.pit_c,
            "set_point": state.set_point_c,
            "lower": state.lower_frac,
            "upper": state.upper_frac,
        }
        values |= {f"food:{food.name}": food.temp_c for food in state.foods}
        self.history.add(state.utc.timestamp(), values)

    def _take_alarm(self, code: str, payload: bytes) -> None:
        if not payload:
            self.alarms.pop(code, None)
            return
        alarm = AlarmMessage.model_validate_json(payload)
        self.bare.pop(code, None)
        if alarm.state == AlarmState.NORMAL:
            self.alarms.pop(code, None)
        elif code in self.alarms or len(self.alarms) < MAX_ALARMS:
            self.alarms[code] = alarm
