"""Model of `part/food`: the food as the daemon follows it, told on every change. Fields as in food.FoodView.

All but the stage may be absent: what is as in a fresh view is left out. Times in s are on the daemon's own
clock, so only their differences to `at_s` mean anything.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class NextStep(_Part):
    """A step of the food plan."""

    code: str = ""
    title: str = ""
    text: str = ""


class Reminder(_Part):
    """Something that the food asks of the person now, until it is done."""

    code: str = Field(
        default="", description="`step_<code>` for a step that is due, `clock_<code>` for a limit"
    )
    text: str = ""
    level: str = Field(default="note", description="note, warn or alarm")


class Clock(_Part):
    """Time used up of a limit for food."""

    code: str = ""
    used_s: FiniteFloat = 0.0
    limit_s: FiniteFloat = 0.0
    source: str = Field(default="", description="key of the published rule, see docs/food.md")
    text: str = ""
    measured: bool = Field(default=True, description="false: by an estimate, nobody measures")


class FoodPart(_Part):
    """The food now. Intervals are 90 %. Retained on `part/food`; an empty message takes it back."""

    stage: str = Field(description="waiting, cooking, resting or chilled")
    at_s: FiniteFloat | None = Field(default=None, description="when all this was so, daemon's clock")
    core_c: FiniteFloat | None = Field(default=None, description="coldest core, °C: measured or estimated")
    core_low_c: FiniteFloat | None = None
    core_high_c: FiniteFloat | None = None
    core_measured: bool = False
    finish_min: FiniteFloat | None = Field(default=None, description="minutes from `at_s` to the done rule")
    finish_low_min: FiniteFloat | None = None
    finish_high_min: FiniteFloat | None = None
    finish_note: str = ""
    lethality_min: FiniteFloat = Field(
        default=0.0, description="equivalent minutes at the reference, see docs/food.md"
    )
    held_min: FiniteFloat = Field(default=0.0, description="minutes for which the rule's core has been held")
    done: bool = Field(default=False, description="the done rule was measured to be met")
    reason: str = Field(default="", description="why it is done, or not")
    clocks: tuple[Clock, ...] = ()
    reminders: tuple[Reminder, ...] = ()
    next_step: NextStep | None = None
    next_due_s: FiniteFloat | None = Field(
        default=None, description="when `next_step` is due, daemon's clock"
    )
    before_out: bool = Field(default=False, description="food of before was not reported chilled")
