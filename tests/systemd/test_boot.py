"""The unit under a real systemd: this machine's own tree, booted in a container on a throw-away overlay.

Needs root, overlayfs and systemd-nspawn (Debian package systemd-container); skipped, saying so, without. The
container has no network and no device of the host. What runs is the unit as committed; a drop-in only
points it to this checkout's program instead of /opt/coalminder.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path
from typing import Any

import overlay
import pytest

HERE = Path(__file__).parent
SYSTEMD = HERE.parents[1] / "systemd"
DAEMON = HERE.parents[1] / "daemon"
PYTHON = "/usr/bin/python3"  # the container's homes are hidden by ProtectHome: no interpreter from there

CONFIG = """
[mqtt]
enabled = false
[probes.pit]
kind = "simulated"
temp_c = 20
[vents.lower]
driver = "simulated"
"""

DROP_IN = """
[Service]
SupplementaryGroups=
ExecStartPre=
ExecStartPre=-{python} -m coalminder.cli snuff --config /etc/coalminder/coalminder.toml
ExecStart=
ExecStart={python} -m coalminder.cli tend --config /etc/coalminder/coalminder.toml
ExecStopPost=
ExecStopPost={python} -m coalminder.cli snuff --config /etc/coalminder/coalminder.toml
# The machine has no PWM: a folder of /sys that is a link, as the PWM's is, stands for it.
ReadWritePaths=-/sys/class/net/lo
Environment=PYTHONPATH={path} PYTHONDONTWRITEBYTECODE=1
"""

TARGET = "[Unit]\nRequires=basic.target\nWants=provoke.service\nAfter=basic.target\n"
PROVOKE = """
[Unit]
After=basic.target dbus.service
[Service]
Type=exec
ExecStart=/usr/bin/python3 /results/inside.py
"""

BOOT = """
cp -a {files}/. $root/
rm -rf $root/var/log/journal
export SYSTEMD_NSPAWN_API_VFS_WRITABLE=yes
exec timeout --signal=KILL 110 systemd-nspawn --quiet --directory=$root --register=no --keep-unit \\
    --private-network --bind={results}:/results {binds} --boot systemd.unit=coalminder-test.target \\
    systemd.log_target=journal quiet
"""


def trouble() -> str:
    """Why the machine cannot boot a container, "" when it can."""
    if missing := overlay.trouble("systemd-nspawn", PYTHON, "/lib/systemd/systemd"):
        return missing
    asked = [PYTHON, "-c", "import sysconfig; print(sysconfig.get_python_version())"]
    version = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip()
    if version != sysconfig.get_python_version():
        return f"{PYTHON} is {version}, the packages are for {sysconfig.get_python_version()}"
    return ""


pytestmark = [
    pytest.mark.root,
    pytest.mark.timeout(180),
    pytest.mark.skipif(bool(trouble()), reason=trouble() or "-"),
]


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What inside.py noted."""
    base = tmp_path_factory.mktemp("boot")
    files, results = base / "files", base / "results"
    results.mkdir()
    shutil.copy(HERE / "inside.py", results)
    subprocess.run(
        ["sh", str(SYSTEMD / "install.sh"), "--files-only", str(files)], check=True, capture_output=True
    )
    units = files / "etc/systemd/system"
    packages = Path(sysconfig.get_paths()["purelib"])
    drop_in = units / "coalminder.service.d"
    drop_in.mkdir()
    (drop_in / "test.conf").write_text(
        DROP_IN.format(python=PYTHON, path="/srv/daemon:/srv/packages"), encoding="utf-8"
    )
    (units / "coalminder-test.target").write_text(TARGET, encoding="utf-8")
    (units / "provoke.service").write_text(PROVOKE, encoding="utf-8")
    (files / "etc/coalminder/coalminder.toml").write_text(CONFIG, encoding="utf-8")
    password = files / "etc/coalminder/credentials/mqtt_password"
    password.write_text("alder\n", encoding="utf-8")
    password.chmod(0o600)
    sysusers = files / "etc/sysusers.d"
    sysusers.mkdir(parents=True)
    (sysusers / "coalminder.conf").write_text("u coalminder - - /var/lib/coalminder\n", encoding="utf-8")
    # Wherever the checkout is, the service sees it outside the homes and /tmp, which its sandbox hides.
    binds = f"--bind-ro={DAEMON}:/srv/daemon --bind-ro={packages}:/srv/packages"
    done = overlay.run(base / "tree", BOOT.format(files=files, results=results, binds=binds))
    report = results / "found.json"
    assert report.is_file(), f"{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
    noted: dict[str, Any] = json.loads(report.read_text(encoding="utf-8"))
    sys.stdout.write("\n".join(f"{entry['at_us']} {entry['text']}" for entry in noted["journal"]))
    return noted


def seconds_between(journal: list[dict[str, str]], first: str, then: str) -> float:
    """Time from a line with `first` to the next with `then`, s: the least of all times that it happened.

    The least, because what else the test machine does at the moment is not the unit's doing.
    """
    took_s = []
    for index, entry in enumerate(journal):
        if first in entry["text"]:
            later = next((other for other in journal[index:] if then in other["text"]), None)
            if later is not None:
                took_s.append((int(later["at_us"]) - int(entry["at_us"])) / 1e6)
    return min(took_s)


def test_service_reports_ready_as_its_own_user_without_capabilities(found: dict[str, Any]) -> None:
    assert found["start"]["returncode"] == 0
    assert found["start"]["ActiveState"] == "active"
    assert found["user"].startswith("coalmin")
    assert set(found["capabilities"]) == {"0000000000000000"}


def test_vents_are_known_within_a_second_of_the_start(found: dict[str, Any]) -> None:
    assert (
        seconds_between(found["journal"], "Starting coalminder.service", "lower vent: shut, power off") < 1.0
    )


def test_sys_is_read_only_but_for_the_pwm(found: dict[str, Any]) -> None:
    """The folder that stands for the PWM is a link; what it points to is writable in the service's view."""
    flags = {where: options.split(",")[0] for where, options in found["mounts"]}
    assert flags["/sys"] == "ro"
    assert flags["/sys/devices/virtual/net/lo"] == "rw"
    assert flags["/"] == "ro"
    assert flags["/var/lib/coalminder"] == "rw"
    assert flags["/home"] == "ro"


def test_password_of_the_broker_arrives_as_a_credential(found: dict[str, Any]) -> None:
    assert found["credential"] == "alder\n"


def test_vents_are_commanded_shut_within_a_second_of_kill_9_and_the_service_comes_back(
    found: dict[str, Any],
) -> None:
    took_s = seconds_between(found["journal"], "code=killed, status=9/KILL", "lower vent: shut commanded")
    assert 0.0 <= took_s < 1.0
    assert found["after_kill"]["ActiveState"] == "active"
    assert found["after_kill"]["NRestarts"] == "1"


def test_hung_service_is_killed_by_the_watchdog_and_its_vents_are_shut(found: dict[str, Any]) -> None:
    took_s = seconds_between(found["journal"], "Watchdog timeout", "lower vent: shut commanded")
    assert 0.0 <= took_s < 1.0
    assert found["hang_took_s"] < 10.0 + 2.0 + 5.0
    assert found["after_hang"]["ActiveState"] == "active"


def test_ordinary_stop_shuts_the_vents_too(found: dict[str, Any]) -> None:
    assert found["after_stop"]["ActiveState"] == "inactive"
    assert found["after_stop"]["Result"] == "success"
    assert (
        seconds_between(found["journal"], "Stopping coalminder.service", "lower vent: shut commanded") < 5.0
    )


def test_unusable_configuration_is_not_tried_again_and_the_vents_are_shut(found: dict[str, Any]) -> None:
    assert found["after_bad_configuration"]["ActiveState"] == "failed"
    assert found["after_bad_configuration"]["NRestarts"] == "0"
    assert seconds_between(found["journal"], "band.low", "lower vent: shut commanded") < 2.0


def test_crash_loop_ends_with_the_vents_shut(found: dict[str, Any]) -> None:
    assert found["after_crash_loop"]["ActiveState"] == "failed"
    assert int(found["after_crash_loop"]["NRestarts"]) <= 5
    shut = [
        index for index, entry in enumerate(found["journal"]) if "lower vent: shut commanded" in entry["text"]
    ]
    ended = [index for index, entry in enumerate(found["journal"]) if "Main process exited" in entry["text"]]
    assert shut[-1] > ended[-1]
