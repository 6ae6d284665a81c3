"""What is told of food that an earlier run followed and this one does not: it says when, and what to check.

Must not know: why nobody follows it any more, nor how a time is written.
"""

from __future__ import annotations

from collections.abc import Callable

from coalminder.food.agenda import TO_EAT, spoilt_steps
from coalminder.food.exposure import COOL_2_S
from coalminder.food.foodstate import FoodState
from coalminder.food.reminders import UNMEASURED

CAME_OFF = (
    "Food that came off the grill {} was not reported 'chilled', and has not been watched since the last "
    "start. Measure it: if it was above 21 °C two hours after it came off, or is above 5 °C after six, throw "
    "it away [fc-cooling]. If it was eaten or chilled, report 'chilled'."
)
NEVER_OFF = (
    "Food that went on the grill {} was not reported 'off', and has not been watched since the last start. "
    "If it is still there without a fire, finish it in an oven now; if it was between 10 and 57 °C for over "
    "2 h in all, throw it away [a2-raw]. If it was eaten or chilled, report 'chilled'."
)
OVER = "A limit was over: throw away what is left of it."


def left_over(food: FoodState, last_s: float, when: Callable[[float], str]) -> str:
    """The words for `food` as it was at `last_s`; "" when none of it needs to be minded any more.

    when: a time of its clock in words. What came off, and was over its cooling rule by then, was told before.
    """
    told = [food.left] if food.left and last_s <= COOL_2_S else []
    off_s = food.off_s if food.before_off_s is None else food.before_off_s
    if food.chilled_s is None and off_s is not None and last_s - off_s <= COOL_2_S:
        told.append(CAME_OFF.format(when(off_s)))
    if food.loaded_s is not None and food.off_s is None:
        told.append(NEVER_OFF.format(when(food.loaded_s)))
    if told and food.loaded_s is not None:
        if spoilt_steps(food.view.clocks) >= TO_EAT:
            told.append(OVER)
        elif not food.done:
            told.append(UNMEASURED)
    return " ".join(told)
