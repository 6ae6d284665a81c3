"""A throw-away overlay of this machine's own tree, to install or boot in. Nothing outside it is changed.

Needs root, overlayfs and mount namespaces; `trouble` says what is missing.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

_MOUNT = """
set -e
mount --make-rprivate /
mkdir -p {work}/low {work}/up {work}/root
mount --bind / {work}/low
mount -t tmpfs tmpfs {work}/up
mkdir {work}/up/upper {work}/up/work
mount -t overlay overlay -o lowerdir={work}/low,upperdir={work}/up/upper,workdir={work}/up/work {work}/root
root={work}/root
"""


def trouble(*programs: str) -> str:
    """Why the machine cannot do it, or lacks one of `programs`; "" when it can."""
    if os.geteuid() != 0:
        return "needs root"
    for program in ("unshare", *programs):
        if shutil.which(program, path="/usr/sbin:/usr/bin:/sbin:/bin") is None:
            return f"needs {program}"
    tried = subprocess.run(["unshare", "--mount", "true"], capture_output=True, check=False)
    return "" if tried.returncode == 0 else "may not make a mount namespace"


def run(work: Path, script: str) -> subprocess.CompletedProcess[str]:
    """The shell script's end; it finds the overlay at $root, which is gone with it. work: a new folder."""
    return subprocess.run(
        ["unshare", "--mount", "--propagation", "private", "sh", "-c", _MOUNT.format(work=work) + script],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
