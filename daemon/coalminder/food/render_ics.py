"""The plan as a calendar file: iCalendar, RFC 5545.

Owns: the text form with its escaping (3.3.11), folding at 75 octets (3.1) and CRLF. Must not know: how the
plan was made. Written here because it is one component with five properties; the tests read it back with a
library.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime

from coalminder.food.hours import earlier
from coalminder.food.kitchen import Kitchen
from coalminder.food.render_text import heading
from coalminder.food.timeline import Timeline

MOMENT_S = 300.0
"""Length of an event for a step that takes no time."""


def escape_text(text: str) -> str:
    """TEXT value: backslash, semicolon, comma and line break (RFC 5545, 3.3.11)."""
    for char, written in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\r\n", "\\n"), ("\n", "\\n")):
        text = text.replace(char, written)
    return text


def fold(line: str) -> str:
    """A content line broken after at most 75 octets, never inside a character (RFC 5545, 3.1)."""
    parts: list[str] = []
    part, size = "", 0
    for char in line:
        octets = len(char.encode("utf-8"))
        if size + octets > 75:
            parts.append(part)
            part, size = " ", 1
        part += char
        size += octets
    parts.append(part)
    return "\r\n".join(parts)


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def calendar(plan: Timeline, kitchen: Kitchen, made_at: datetime) -> str:
    """The calendar: one event per step, with an alarm at its start. made_at: when it was written (aware)."""
    title = heading(plan, kitchen)
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//Coalminder//food plan//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
    ]
    for i, row in enumerate(plan.rows):
        end = earlier(row.at, -max(MOMENT_S, row.lasts_s))
        key = hashlib.sha256(f"{title}|{i}|{row.step.code}|{row.at.isoformat()}".encode()).hexdigest()[:24]
        words = escape_text(kitchen.words(f"{row.step.title}: {row.step.text}"))
        lines += [
            "BEGIN:VEVENT",
            f"UID:{key}@coalminder",
            f"DTSTAMP:{_stamp(made_at)}",
            f"DTSTART:{_stamp(row.at)}",
            f"DTEND:{_stamp(end)}",
            f"SUMMARY:{escape_text(f'{row.step.title} ({plan.request.species.name})')}",
            f"DESCRIPTION:{words}",
            "TRANSP:TRANSPARENT",
            "BEGIN:VALARM",
            "ACTION:DISPLAY",
            f"DESCRIPTION:{words}",
            "TRIGGER:PT0S",
            "END:VALARM",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "\r\n".join(fold(line) for line in lines) + "\r\n"
