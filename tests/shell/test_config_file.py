"""config/coalminder.toml loads as it is, and every default it shows is the default."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from coalminder.settings import Settings, load_settings

FILE = Path(__file__).parents[2] / "config" / "coalminder.toml"
SECTIONS = ("grill", "band", "loop", "air", "lid", "safety", "mqtt", "journal", "food", "page")


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
    assert settings.core() == load_settings().core()


@pytest.mark.parametrize("section", SECTIONS)
def test_every_setting_is_shown_with_its_default(section: str) -> None:
    default = getattr(Settings(), section).model_dump(mode="json")
    text = FILE.read_text("utf-8").split(f"\n[{section}]\n", 1)[1].split("\n[", 1)[0]
    for key, value in default.items():
        assert f"#{key} = " in text, f"[{section}] {key} is not in the file"
        if value is not None:
            assert shown(section)[key] == value, key


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
