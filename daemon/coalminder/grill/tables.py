"""The tables of docs/grill.md, made from the code: `python -m coalminder.grill.tables` prints them."""

from __future__ import annotations

import inspect
import re
import sys
from dataclasses import MISSING, fields

from coalminder.grill.factory import OPTIONS, SKIES
from coalminder.grill.parameters import Fittings, KettleParameters
from coalminder.grill.ranges import USUAL

_FIELD = re.compile(r"^    (?P<name>\w+): float[^#]*?(?:#\s*(?P<comment>.*))?$")


def parameter_rows(owner: type[KettleParameters] | type[Fittings]) -> list[str]:
    """One Markdown row per field: name with unit, default, where it comes from, usual range."""
    comments = {}
    for line in inspect.getsource(owner).splitlines():
        found = _FIELD.match(line)
        if found:
            comments[found["name"]] = found["comment"] or ""
    rows = []
    for field in fields(owner):
        span = USUAL.get(field.name)
        usual = ""
        if span is not None:
            usual = f"x {span.low:g} to {span.high:g}" if span.relative else f"{span.low:g} to {span.high:g}"
        default = "" if field.default in (None, MISSING) else f"{field.default:g}"
        rows.append(f"| `{field.name}` | {default} | {comments[field.name]} | {usual} |")
    return rows


def tables() -> str:
    """All tables as Markdown."""
    head = "| name | default | source, meaning | usual range |\n|---|---:|---|---|\n"
    options = "\n".join(
        f"| `{k}` | {low:g} to {high:.6g} | {what} |" for k, (low, high, what) in OPTIONS.items()
    )
    return (
        f"### Kettle and fuel\n\n{head}" + "\n".join(parameter_rows(KettleParameters)) + "\n\n"
        f"### Vents, servos and probes\n\n{head}" + "\n".join(parameter_rows(Fittings)) + "\n\n"
        f"### Arguments of the factory\n\n| key | range | what |\n|---|---|---|\n"
        "| `start` | cold, burning | cold steel and a few lit coals, or the middle of a cook |\n"
        f"| `sky` | {', '.join(SKIES)} | weather by name; single figures go over it |\n{options}\n"
    )


def main() -> int:
    """Print the tables."""
    sys.stdout.write(tables())
    return 0


if __name__ == "__main__":
    sys.exit(main())
