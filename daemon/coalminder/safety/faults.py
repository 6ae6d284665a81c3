"""The fault table: what can go wrong, how it is told, what is done and what a person is to do.

A table and nothing else; docs/safety.md is written from it. The order counts twice: of faults that
come in the same step the earlier row is the first-out, and causes stand before their effects.
"""

from __future__ import annotations

from coalminder.safety import rows_fire, rows_machine, rows_people, rows_pit
from coalminder.safety.fault import Fault

FAULTS: tuple[Fault, ...] = (*rows_machine.ROWS, *rows_pit.ROWS, *rows_fire.ROWS, *rows_people.ROWS)
BY_CODE: dict[str, Fault] = {fault.code: fault for fault in FAULTS}
KEEP_LID_ON = frozenset(fault.code for fault in FAULTS if "leave the lid on" in fault.remedy.lower())
"""While one of these stands nothing else may ask to open the lid."""


def cuts_off(code: str) -> bool:
    """Whether `code`, perhaps of another version's table, is a fault of this one that puts the fire out."""
    return code in BY_CODE and BY_CODE[code].cuts_off
