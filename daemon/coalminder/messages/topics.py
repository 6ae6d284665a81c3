"""The topic tree of one grill. Pure; docs/mqtt.md describes it for people.

coalminder/<grill>/availability       online | offline   retained, the will
coalminder/<grill>/state              StateMessage       retained
coalminder/<grill>/state/late         StateMessage       what could not be sent when it was so
coalminder/<grill>/alarm/<code>       AlarmMessage       retained, one topic per alarm
coalminder/<grill>/part/<name>        a further view     retained (the food plan, for one)
coalminder/<grill>/command/<kind>     CommandMessage     to the daemon, never retained
coalminder/<grill>/reply[/<client>]   ReplyMessage       answers to commands
"""

from __future__ import annotations

import re
from dataclasses import dataclass

ROOT = "coalminder"
NAME = re.compile(r"[a-z0-9_-]{1,32}\Z")  # a grill, an alarm, a part: safe in a topic and in a hub's ids
ONLINE, OFFLINE = "online", "offline"


def is_name(text: str) -> bool:
    """Whether `text` may be one level of the tree: 1 to 32 of a-z, 0-9, _ and -."""
    return NAME.match(text) is not None


@dataclass(frozen=True, slots=True)
class Topics:
    """Topics of the grill named `grill` (see `is_name`; ValueError otherwise)."""

    grill: str = "kettle"

    def __post_init__(self) -> None:
        if not is_name(self.grill):
            raise ValueError(f"grill name {self.grill!r}: use 1 to 32 of a-z, 0-9, _ and -")

    @property
    def base(self) -> str:
        return f"{ROOT}/{self.grill}"

    @property
    def availability(self) -> str:
        return f"{self.base}/availability"

    @property
    def state(self) -> str:
        return f"{self.base}/state"

    @property
    def state_late(self) -> str:
        return f"{self.base}/state/late"

    def alarm(self, code: str) -> str:
        """Topic of the alarm `code`; '+' gives the filter of all alarms."""
        return f"{self.base}/alarm/{code}"

    def part(self, name: str) -> str:
        return f"{self.base}/part/{name}"

    def command(self, kind: str) -> str:
        """Topic of the command `kind` (coalminder.events.KINDS); '+' gives the filter of all."""
        return f"{self.base}/command/{kind}"

    @property
    def reply(self) -> str:
        return f"{self.base}/reply"

    def kind_of(self, topic: str) -> str | None:
        """The command kind that `topic` names, or None when it is no command topic of this grill."""
        head, found, kind = topic.rpartition("/")
        return kind if found and head == f"{self.base}/command" else None

    def may_answer_on(self, topic: str) -> bool:
        """Whether a command may name `topic` for its reply.

        Only below this grill's own reply topic and without wildcards (MQTT 5, 3.3.2-14): else a client
        could make the daemon publish where the client itself may not.
        """
        if topic == self.reply:
            return True
        head, _, rest = topic.partition(f"{self.reply}/")
        return head == "" and 0 < len(rest) <= 128 and not set(rest) & set("+#\0")
