"""The installer run whole, on a throw-away overlay of this machine's own tree; nothing outside it is changed.

Needs root and overlayfs; skipped, saying so, without. Packages and pip are played: there is no network.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import overlay
import pytest

HERE = Path(__file__).parent
PROJECT = HERE.parents[1]

#: `python3 -m venv DIR` makes a pip that notes its words and makes a program, both as root's umask has it.
#: Before that the true one is asked for its help: it would run what is called venv in the folder of the call.
PYTHON = """#!/bin/sh
/usr/bin/python3 "$@" --help >/dev/null || exit
for folder; do :; done
mkdir -p "$folder/bin"
cp /played/pip "$folder/bin/pip"
"""
PIP = """#!/bin/sh
printf '%s\\n' "$@" >/asked
printf '#!/bin/sh\\necho it runs\\n' >/opt/coalminder/bin/coalminder
chmod +x /opt/coalminder/bin/coalminder
"""

TRY = """
export PATH=/played:/usr/sbin:/usr/bin:/sbin:/bin
umask {umask}
cd /downloads || exit
sh "/home/a cook/coal minder/systemd/install.sh" {words} || exit
sed -n '$p' /asked
setpriv --reuid=coalminder --regid=coalminder --clear-groups /usr/local/bin/coalminder
"""

INSTALL = """
mount --rbind /dev $root/dev
rm -rf $root/opt/coalminder $root/etc/coalminder
cp -R {files}/. $root/
exec chroot $root /bin/sh /try.sh
"""

TROUBLE = overlay.trouble("useradd", "setpriv")

pytestmark = [pytest.mark.root, pytest.mark.skipif(bool(TROUBLE), reason=TROUBLE or "-")]


def installed(tmp_path: Path, umask: str, words: str) -> subprocess.CompletedProcess[str]:
    files, played = tmp_path / "files", tmp_path / "files/played"
    home = files / "home/a cook/coal minder"
    played.mkdir(parents=True)
    for name in ("systemd", "config", "docs"):
        shutil.copytree(PROJECT / name, home / name)
    (home / "daemon").mkdir()
    for name in ("pyproject.toml", "README.md", "LICENSE", "requirements.lock"):
        shutil.copy(PROJECT / name, home)
    for name, text in (("python3", PYTHON), ("pip", PIP), ("apt-get", "#!/bin/sh\n")):
        (played / name).write_text(text, encoding="utf-8")
        (played / name).chmod(0o755)
    (files / "downloads").mkdir()
    (files / "downloads/venv.py").write_text("raise SystemExit('a stranger was run as root')\n", "utf-8")
    (files / "try.sh").write_text(TRY.format(umask=umask, words=words), encoding="utf-8")
    return overlay.run(tmp_path / "tree", INSTALL.format(files=files))


@pytest.mark.parametrize("umask", ["022", "077"])
def test_the_services_user_can_run_the_program_whatever_roots_umask(umask: str, tmp_path: Path) -> None:
    done = installed(tmp_path, umask, "")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.splitlines()[-1] == "it runs"


@pytest.mark.parametrize("words", ["--with page,push", "--with page, push", "--with page push"])
def test_every_extra_that_was_named_is_asked_for(words: str, tmp_path: Path) -> None:
    done = installed(tmp_path, "022", words)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.splitlines()[-2].endswith("[pi,page,push]")
