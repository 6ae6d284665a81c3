"""config/coalminder.toml loads as it is, and every default it shows is the default."""

from __future__ import annotations

import subprocess
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from coalminder.errors import UserError
from coalminder.food.foodplan import FoodPlan
from coalminder.service.begin import plan_to_follow
from coalminder.settings import Settings, load_settings

FILE = Path(__file__).parents[2] / "config" / "coalminder.toml"
ELSEWHERE = ("probes", "vents", "calibration_file")  # tests/systemd/test_example_configuration.py, and below
SECTIONS = tuple(name for name in Settings.model_fields if name not in ELSEWHERE)


def shown(section: str) -> dict[str, object]:
    """The commented defaults of one section."""
    text = FILE.read_text("utf-8")
    assert text.count(f"\n[{section}]\n") == 1
    body = text.split(f"\n[{section}]\n", 1)[1].split("\n[", 1)[0]
    lines = [line[1:] for line in body.splitlines() if line.startswith("#") and line[1:2].isalpha()]
    return tomllib.loads("\n".join(line for line in lines if " = " in line))


def test_the_file_loads_as_it_is() -> None:
    settings = load_settings(FILE)
    assert settings.probes is not None
    assert settings.vents is not None
    assert settings.vents.upper is None  # left by hand
    defaults = load_settings().core()
    assert settings.core() == replace(defaults, split=replace(defaults.split, upper_fixed=0.5))


@pytest.mark.parametrize("section", SECTIONS)
def test_every_setting_is_shown_with_its_default(section: str) -> None:
    default = getattr(Settings(), section).model_dump(mode="json")
    text = FILE.read_text("utf-8").split(f"\n[{section}]\n", 1)[1].split("\n[", 1)[0]
    for key, value in default.items():
        assert f"#{key} = " in text, f"[{section}] {key} is not in the file"
        if value is not None:
            assert shown(section)[key] == value, key


def test_the_configuration_for_practice_that_the_page_s_guide_writes_is_accepted(tmp_path: Path) -> None:
    """docs/page.md, 'Try it'."""
    lines = (FILE.parents[1] / "docs" / "page.md").read_text("utf-8").splitlines()
    (line,) = [line for line in lines if line.endswith(">practice.toml")]
    subprocess.run(line, shell=True, cwd=tmp_path, check=True, timeout=10)
    settings = load_settings(tmp_path / "practice.toml")
    assert settings.journal.directory == tmp_path / "practice"
    assert settings.grill.name != load_settings().grill.name, "it would take the real grill's commands"


def test_the_place_of_the_calibration_is_shown_before_all_sections() -> None:
    top = FILE.read_text("utf-8").split("\n[", 1)[0].splitlines()
    (line,) = [line[1:] for line in top if line.startswith("#calibration_file = ")]
    assert tomllib.loads(line) == {"calibration_file": str(Settings().calibration_file)}


def test_the_defaults_uncommented_are_accepted(tmp_path: Path) -> None:
    lines = []
    for section in SECTIONS:
        lines.append(f"[{section}]")
        for key, value in shown(section).items():
            words = str(value).lower() if isinstance(value, bool) else repr(value).replace("'", '"')
            lines.append(f"{key} = {words}")
    path = tmp_path / "c.toml"
    path.write_text("\n".join(lines), "utf-8")
    assert load_settings(path).core() == load_settings().core()


@pytest.mark.parametrize(
    ("text", "fixed"),
    [
        ("", None),  # a simulated grill, both vents driven
        ("[vents.lower]\ndriver='simulated'\n[vents.upper]\ndriver='simulated'\n", None),
        ("[vents.lower]\ndriver='simulated'\n", 0.5),
        ("[air]\nupper_fixed=0.3\n[vents.lower]\ndriver='simulated'\n", 0.3),
    ],
)
def test_an_upper_vent_without_a_servo_is_left_by_hand(
    tmp_path: Path, text: str, fixed: float | None
) -> None:
    path = tmp_path / "c.toml"
    path.write_text(text, "utf-8")
    assert load_settings(path).core().split.upper_fixed == fixed


def test_a_burning_cook_goes_on_without_its_plans_file(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_text(f"[food]\nplan_file = '{tmp_path / 'gone.json'}'\n", "utf-8")
    settings = load_settings(path)
    assert plan_to_follow(settings, resumed=True) is None
    with pytest.raises(UserError, match=r"gone\.json"):
        plan_to_follow(settings, resumed=False)


@pytest.mark.parametrize(("made_for_c", "told"), [(85.0, True), (93.0, False)])
def test_a_plan_made_for_another_pit_is_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, made_for_c: float, told: bool
) -> None:
    plan = tmp_path / "plan.json"
    plan.write_text(FoodPlan(set_point_c=made_for_c).to_json(), "utf-8")
    path = tmp_path / "c.toml"
    path.write_text(f"[food]\nplan_file = '{plan}'\n", "utf-8")
    assert plan_to_follow(load_settings(path), resumed=False) is not None
    assert ("made for a pit of 85 °C" in caplog.text) is told


FILES = (
    ("mqtt", "ca_file", "tls = true"),
    ("mqtt", "certificate_file", "tls = true\nkey_file = '/k'"),
    ("mqtt", "key_file", "tls = true\ncertificate_file = '/c'"),
    ("mqtt", "password_file", ""),
    ("food", "plan_file", ""),
    ("page", "password_hash_file", ""),
    ("page", "certificate_file", "key_file = '/k'"),
    ("page", "key_file", "certificate_file = '/c'"),
    ("page", "mqtt_password_file", ""),
)


@pytest.mark.parametrize(("section", "name", "more"), FILES, ids=[name for _, name, _ in FILES])
def test_a_file_is_named_so_that_service_and_person_find_the_same(
    section: str, name: str, more: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The unit runs in a folder of its own: a relative name, right where it was tried, means another file."""
    monkeypatch.setenv("HOME", "/home/cook")
    path = tmp_path / "grill.toml"
    path.write_text(f"[{section}]\n{name} = 'a.file'\n{more}\n", "utf-8")
    with pytest.raises(UserError, match=f"{section}.{name}: is relative"):
        load_settings(path)
    path.write_text(f"[{section}]\n{name} = '~/a.file'\n{more}\n", "utf-8")
    assert str(getattr(getattr(load_settings(path), section), name)) == "/home/cook/a.file"


def test_every_file_of_the_settings_is_tried() -> None:
    named = {
        (s, n) for s in SECTIONS for n in type(getattr(Settings(), s)).model_fields if n.endswith("_file")
    }
    assert named == {(section, name) for section, name, _ in FILES}
