"""Results that are kept as they come, one JSON object a line, so that long work can be gone on with."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any


def append(path: Path, rows: Iterable[Mapping[str, Any]]) -> None:
    """Add `rows` to the file, on lines of their own even where the last one was cut short."""
    with path.open("a+b") as file:
        file.seek(max(file.tell() - 1, 0))
        begin = b"" if file.read() in (b"", b"\n") else b"\n"
        file.write(begin + b"".join(json.dumps(row).encode() + b"\n" for row in rows))
