"""Which program made a record: the version, and a digest of what decides.

Two programs of one version may decide otherwise, while a version is not released or where somebody changed
the rules; a record that replays otherwise is a defect only where the digests are the same.
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from coalminder import __version__

DECIDES = ("core", "safety", "food")
"""The packages that a decision comes from."""


@cache
def build() -> str:
    """The version with the digest as a local label (PEP 440): 0.1.0+1a2b3c4d."""
    return f"{__version__}+{digest(Path(__file__).parent)}"


def digest(package: Path) -> str:
    """Eight hex digits of the sources below `package` that decide; line ends do not count."""
    found = hashlib.sha256()
    for path in sorted(path for name in DECIDES for path in (package / name).glob("*.py")):
        found.update(f"{path.parent.name}/{path.name}\n".encode())
        found.update(b"\n".join(path.read_bytes().splitlines()))
    return found.hexdigest()[:8]
