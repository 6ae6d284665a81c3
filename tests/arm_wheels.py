"""Does a board need a compiler? `python tests/arm_wheels.py`; asks the package index.

Resolves what the service, page, push and `calibrate` need, at the locked versions and from wheels alone, for
CPython 3.11 and 3.13: all of it on 64-bit ARM, and each by itself on 32-bit ARM. The index of its own that a
32-bit Raspberry Pi OS asks as well is not asked here.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

GLIBC = {"3.11": 36, "3.13": 41}  # Debian 12 has glibc 2.36, Debian 13 2.41
EXTRAS = ("pi", "page", "push", "calibrate")
ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def platforms(python: str, machine: str) -> list[str]:
    """The platform tags that the board's pip accepts, newest first."""
    return [
        *(f"manylinux_2_{minor}_{machine}" for minor in range(GLIBC[python], 16, -1)),
        f"manylinux2014_{machine}",
    ]


def wanted(python: str, machine: str, extras: tuple[str, ...]) -> list[str]:
    """Requirements of the board; pip judges markers for the machine it runs on, so they are judged here."""
    known = PROJECT["optional-dependencies"]
    lines = [*PROJECT["dependencies"], *(line for extra in extras for line in known[extra])]
    has_lgpio = machine == "aarch64" and python != "3.13"
    return [line.split(";")[0].strip() for line in lines if has_lgpio or not line.startswith("lgpio")]


def resolve(python: str, machine: str, extras: tuple[str, ...]) -> bool:
    """Resolve for one board; prints what would be installed, or what has no wheel."""
    words = [sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--ignore-installed"]
    words += ["--report", "-", "--target", "unused", "--only-binary=:all:"]
    words += ["--python-version", python, "--implementation", "cp"]
    words += ["--constraint", str(ROOT / "requirements.lock")]
    for tag in platforms(python, machine):
        words += ["--platform", tag]
    done = subprocess.run(
        [*words, *wanted(python, machine, extras)], capture_output=True, text=True, check=False
    )
    files = sorted(set(re.findall(r'"url": "[^"]*/([^"/#]+\.whl)', done.stdout)))
    outcome = f"{len(files)} wheels" if done.returncode == 0 else "NOT from wheels alone"
    print(f"CPython {python}, {machine}, glibc 2.{GLIBC[python]}, {' '.join(extras)}: {outcome}")
    for file in files:
        print(f"  {file}")
    if done.returncode != 0:
        print(*re.findall(r"ERROR: .+", done.stderr)[:1])
    return done.returncode == 0


if __name__ == "__main__":
    whole = [resolve(python, "aarch64", EXTRAS) for python in GLIBC]
    service = [resolve(python, "armv7l", ("pi",)) for python in GLIBC]
    for extra in EXTRAS[1:]:
        resolve("3.11", "armv7l", (extra,))
    sys.exit(0 if all(whole + service) else 1)
