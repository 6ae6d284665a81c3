"""Does a board need a compiler? `python tests/arm64_wheels.py`; asks the package index.

Resolves the run-time dependencies and the extras `pi` and `calibrate` for 64-bit ARM, CPython 3.11 and
3.13, at the locked versions, from wheels alone.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

GLIBC = {"3.11": 36, "3.13": 41}  # Debian 12 has glibc 2.36, Debian 13 2.41
ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def platforms(python: str) -> list[str]:
    """The platform tags that the board's pip accepts, newest first."""
    return [
        *(f"manylinux_2_{minor}_aarch64" for minor in range(GLIBC[python], 16, -1)),
        "manylinux2014_aarch64",
    ]


def wanted(python: str) -> list[str]:
    """Requirements of the board; markers are judged here, as pip would judge them for this machine."""
    extras = PROJECT["optional-dependencies"]
    lines = [*PROJECT["dependencies"], *extras["pi"], *extras["calibrate"]]
    below_313 = python != "3.13"
    return [
        line.split(";")[0].strip() for line in lines if below_313 or "python_version < '3.13'" not in line
    ]


def resolve(python: str) -> bool:
    """Resolve for one Python; prints what would be installed."""
    words = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "--dry-run",
        "--quiet",
        "--report",
        "-",
        "--ignore-installed",
    ]
    words += [
        "--target",
        "unused",
        "--only-binary=:all:",
        "--python-version",
        python,
        "--implementation",
        "cp",
    ]
    words += ["--constraint", str(ROOT / "requirements.lock")]
    for tag in platforms(python):
        words += ["--platform", tag]
    done = subprocess.run([*words, *wanted(python)], capture_output=True, text=True, check=False)
    files = sorted(set(re.findall(r'"url": "[^"]*/([^"/#]+\.whl)', done.stdout)))
    print(
        f"CPython {python}, 64-bit ARM, glibc 2.{GLIBC[python]}: {'ok' if done.returncode == 0 else 'FAILED'}"
    )
    for file in files:
        print(f"  {file}")
    if done.returncode != 0:
        print(done.stderr[-800:])
    return done.returncode == 0


if __name__ == "__main__":
    outcomes = [resolve(python) for python in GLIBC]
    sys.exit(0 if all(outcomes) else 1)
