"""The record of a cook: one SQLite file with every input and decision, alarms, commands and the outbox."""

from coalminder.journal.reader import AlarmChange, Record, Step, read, resume
from coalminder.journal.values import Header, Health, Refusal, Resume, Start
from coalminder.journal.writer import Journal

__all__ = [
    "AlarmChange",
    "Header",
    "Health",
    "Journal",
    "Record",
    "Refusal",
    "Resume",
    "Start",
    "Step",
    "read",
    "resume",
]
