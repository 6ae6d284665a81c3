"""The units as systemd's own tools see them."""

from __future__ import annotations

import configparser
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from coalminder.cli import COMMANDS, EXTRAS

SYSTEMD = Path(__file__).parents[2] / "systemd"
UNITS = ("coalminder.service", "coalminder@.service")
FOR_PHONES = (
    "coalminder-page.service", "coalminder-page@.service",
    "coalminder-push.service", "coalminder-push@.service",
)  # fmt: skip
INSTALLED = "/opt/coalminder/bin/coalminder"

pytestmark = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian package systemd)"
)


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, check=False)


def settings(unit: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in (SYSTEMD / unit).read_text(encoding="utf-8").splitlines():
        if "=" in line and not line.startswith("#"):
            name, value = line.split("=", 1)
            found.setdefault(name, []).append(value)
    return found


@pytest.mark.parametrize("unit", UNITS + FOR_PHONES)
def test_systemd_finds_nothing_to_complain_of(unit: str, tmp_path: Path) -> None:
    """On a copy whose program is one that exists here; nothing else is changed."""
    text = (SYSTEMD / unit).read_text(encoding="utf-8")
    assert text.count(INSTALLED) == (3 if unit in UNITS else 1)
    copy = tmp_path / unit.replace("@.", "@kettle.")
    copy.write_text(text.replace(INSTALLED, sys.executable), encoding="utf-8")
    done = analyze("verify", str(copy))
    assert done.returncode == 0, done.stderr
    assert "coalminder" not in done.stderr


@pytest.mark.parametrize("unit", UNITS + FOR_PHONES)
def test_exposure_is_at_most_two(unit: str) -> None:
    done = analyze("security", "--offline=true", "--no-pager", "--threshold=20", str(SYSTEMD / unit))
    assert done.returncode == 0, done.stdout
    exposure = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert exposure is not None
    assert float(exposure.group(1)) <= 2.0


@pytest.mark.parametrize("unit", UNITS)
def test_unit_says_what_a_fire_needs(unit: str) -> None:
    found = settings(unit)
    assert found["Type"] == ["notify"]
    assert found["Restart"] == ["on-failure"]
    assert float(found["WatchdogSec"][0]) <= 10.0
    assert int(found["StartLimitBurst"][0]) <= 5
    assert found["User"] == ["coalminder"]
    assert "snuff" in found["ExecStopPost"][0]
    assert found["LoadCredential"][0].startswith("mqtt_password:/etc/coalminder/credentials/")
    assert not found["ExecStopPost"][0].startswith("-")  # a vent that did not shut must show as a failure


@pytest.mark.parametrize("unit", UNITS)
def test_a_start_on_a_card_that_stalls_is_not_cut_short(unit: str) -> None:
    """Five of them in ten minutes and systemd gives up on the cook. Three flushes of 30 s each took 91 s."""
    assert float(settings(unit)["TimeoutStartSec"][0]) >= 150.0


@pytest.mark.parametrize("unit", FOR_PHONES)
def test_units_for_phones_reach_neither_pins_nor_records_and_know_their_command(unit: str) -> None:
    found = settings(unit)
    assert found["User"] == found["Group"] == ["coalminder-phone"]
    assert found["PrivateDevices"] == ["yes"]
    assert found["InaccessiblePaths"] == ["-/var/lib/coalminder"]
    assert not {"SupplementaryGroups", "DeviceAllow", "StateDirectory", "ReadWritePaths"} & set(found)
    assert found["Restart"] == ["on-failure"]
    (command,) = found["ExecStart"]
    assert command.split()[1] == unit.removeprefix("coalminder-").removesuffix(".service").removesuffix("@")
    assert command.split()[1] in COMMANDS


@pytest.mark.parametrize(("unit", "own"), [("coalminder-push", ""), ("coalminder-push@", "%i_")])
def test_push_is_handed_its_urls_from_a_file_that_only_root_reads(unit: str, own: str) -> None:
    found = settings(f"{unit}.service")
    assert f"push_urls:/etc/coalminder/credentials/{own}push_urls" in found["LoadCredential"]
    assert r"push_urls:\n" in found["SetCredential"]


OF_A_DAEMON = {
    "ExecStartPre", "ExecStopPost", "StateDirectory", "RuntimeDirectory", "WorkingDirectory", "Environment"
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "more"), [("coalminder", OF_A_DAEMON), ("coalminder-page", set()), ("coalminder-push", set())]
)
def test_template_differs_from_the_unit_only_where_a_grill_has_its_own(name: str, more: set[str]) -> None:
    one, many = settings(f"{name}.service"), settings(f"{name}@.service")
    own = {"Description", "ExecStart", "LoadCredential"} | more
    assert {name for name in {*one, *many} if one.get(name) != many.get(name)} == own
    assert all("%i" in " ".join(many[name]) for name in own)


def test_udev_rules_name_only_groups_that_the_unit_is_in() -> None:
    rules = (SYSTEMD / "70-coalminder.rules").read_text(encoding="utf-8")
    groups = set(re.findall(r'GROUP="(\w+)"', rules)) | set(re.findall(r"chgrp -R (\w+)", rules))
    assert groups == set(settings("coalminder.service")["SupplementaryGroups"][0].split())


def test_overlay_file_is_read_as_config_txt() -> None:
    """config.txt is INI: `key=value` under optional filters (Raspberry Pi documentation, from memory)."""
    text = (SYSTEMD / "config.txt.coalminder").read_text(encoding="utf-8")
    parser = configparser.ConfigParser(strict=False)
    parser.read_string("[all]\n" + text)
    assert set(parser["all"]) == {"dtoverlay", "dtparam"}
    assert "dtparam=spi=on" in text
    assert "dtoverlay=pwm-2chan" in text


def test_installer_puts_the_files_where_the_unit_looks_and_keeps_a_configuration(tmp_path: Path) -> None:
    install = SYSTEMD / "install.sh"
    for _ in range(2):
        done = subprocess.run(
            ["sh", str(install), "--files-only", str(tmp_path)], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        own = tmp_path / "etc/coalminder/coalminder.toml"
        own.write_text("# mine\n", encoding="utf-8")
    assert own.read_text(encoding="utf-8") == "# mine\n"
    for unit in UNITS + FOR_PHONES:
        assert (tmp_path / "etc/systemd/system" / unit).is_file()
        (page,) = re.findall(r"/opt/coalminder/docs/\w+\.md", settings(unit)["Documentation"][0])
        assert (tmp_path / page.lstrip("/")).is_file()
    assert not list(tmp_path.rglob("*.wants"))  # nothing runs unasked
    assert (tmp_path / "etc/udev/rules.d/70-coalminder.rules").is_file()
    assert (tmp_path / "etc/coalminder/credentials").stat().st_mode & 0o777 == 0o700


def test_the_password_of_the_broker_is_in_place_before_it_is_tried(tmp_path: Path) -> None:
    page = (SYSTEMD.parent / "docs/hardware.md").read_text("utf-8")
    for told in (installer("--files-only", str(tmp_path)).stdout, page.partition("## Try it")[0]):
        credential = "/dev/stdin /etc/coalminder/credentials/mqtt_password"
        tried = "sudo env CREDENTIALS_DIRECTORY=/etc/coalminder/credentials coalminder check"
        steps = (credential, "-u coalminder coalminder check", tried, "enable --now coalminder")
        places = [told.index(words) for words in steps]
        assert places == sorted(places), told


def test_installer_explains_a_wrong_word() -> None:
    done = subprocess.run(
        ["sh", str(SYSTEMD / "install.sh"), "please"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "please" in done.stderr


def installer(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", str(SYSTEMD / "install.sh"), *words], capture_output=True, text=True, check=False
    )


def test_uninstaller_takes_what_was_installed_and_keeps_what_is_the_persons(tmp_path: Path) -> None:
    assert installer("--files-only", str(tmp_path)).returncode == 0
    records = tmp_path / "var/lib/coalminder"
    records.mkdir(parents=True)
    (records / "a.cook").touch()
    program = tmp_path / "usr/local/bin/coalminder"
    program.parent.mkdir(parents=True)
    program.symlink_to("/opt/coalminder/bin/coalminder")
    done = installer("--uninstall", str(tmp_path))
    assert done.returncode == 0, done.stderr
    left = {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if not path.is_dir()}
    assert left == {"etc/coalminder/coalminder.toml", "var/lib/coalminder/a.cook"}
    assert "/var/lib/coalminder" in done.stdout
    assert installer("--uninstall", str(tmp_path)).returncode == 0  # once more does no harm


@pytest.mark.parametrize(
    ("words", "told"), [(["--with", "page,steam"], "steam"), (["--with"], "--with page,push")]
)
def test_installer_explains_a_wrong_extra(words: list[str], told: str) -> None:
    done = installer(*words)
    assert done.returncode == 2
    assert told in done.stderr


def test_installer_takes_no_word_that_it_would_not_heed(tmp_path: Path) -> None:
    nobody = tmp_path / "id"  # should it go on after all, it must not install: it takes the user for nobody
    nobody.write_text("#!/bin/sh\necho 65534\n")
    nobody.chmod(0o755)
    done = subprocess.run(
        ["sh", str(SYSTEMD / "install.sh"), "--files-only", str(tmp_path / "my"), "files"],
        env={"PATH": f"{tmp_path}:/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "'files' is a word too many" in done.stderr
    assert not (tmp_path / "my").exists()


def test_pages_that_the_program_and_its_configuration_name_are_installed(tmp_path: Path) -> None:
    assert installer("--files-only", str(tmp_path)).returncode == 0
    root = SYSTEMD.parent
    texts = [root / "config/coalminder.toml", *(root / "daemon").rglob("*.py")]
    named = {page for text in texts for page in re.findall(r"docs/(\w+\.md)", text.read_text("utf-8"))}
    assert "safety.md" in named
    assert named <= {page.name for page in (tmp_path / "opt/coalminder/docs").iterdir()}


def test_installer_knows_the_extras_that_the_program_names() -> None:
    text = (SYSTEMD / "install.sh").read_text(encoding="utf-8")
    known = re.search(r"^ +((?:\w+ \| )+\w+)\) extras=", text, re.MULTILINE)
    assert known is not None
    assert set(EXTRAS.values()) <= set(known.group(1).split(" | "))


def test_installer_asks_for_fresh_lists_and_builds_outside_the_clone() -> None:
    text = (SYSTEMD / "install.sh").read_text(encoding="utf-8")
    assert text.index("apt-get update") < text.index("apt-get install")
    (build,) = re.findall(r"^ *\S+/pip install .*$", text, re.MULTILINE)
    assert '"${copy}[$extras]"' in build
