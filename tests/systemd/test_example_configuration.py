"""config/coalminder.toml: every field of probes and vents is there, with its true default, and loads."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel, TypeAdapter

from coalminder.settings import probes, vents

FILE = Path(__file__).parents[2] / "config" / "coalminder.toml"
TEXT = FILE.read_text(encoding="utf-8")
LINE = re.compile(r"^#{0,2}(\w+) = (.+?)(?:\s+#.*)?$")


def by_word(union: Any, word: str) -> dict[str, Any]:
    """Every block of a section by the first of its kinds (or drivers)."""
    return {get_args(block.model_fields[word].annotation)[0]: block for block in get_args(get_args(union)[0])}


KINDS: dict[str, type[probes.ProbeBlock]] = by_word(probes.ProbeSettings, "kind")
DRIVERS: dict[str, type[vents.Servo]] = by_word(vents.VentSettings, "driver")


def blocks() -> list[tuple[str, dict[str, tuple[Any, bool]]]]:
    """(section, key -> (value, shown as a default)) for each block, commented out or not."""
    found: list[tuple[str, dict[str, tuple[Any, bool]]]] = []
    for line in TEXT.splitlines():
        section = re.match(r"^#?\[([\w.]+)\]", line)
        if section:
            commented_block = line.startswith("#")
            found.append((section.group(1), {}))
        elif (entry := LINE.match(line)) and found:
            value = tomllib.loads(f"x = {entry.group(2)}")["x"]
            found[-1][1][entry.group(1)] = (value, line.startswith("#") and not commented_block)
    return found


def own_fields(model: type[BaseModel], base: type[BaseModel]) -> set[str]:
    return set(model.model_fields) - set(base.model_fields) - {"thermistor", "kind", "driver"}


def block_of(word: str, value: str) -> dict[str, tuple[Any, bool]]:
    section = "probes" if word == "kind" else "vents"
    found = [
        keys for name, keys in blocks() if name.startswith(section) and keys.get(word, ("",))[0] == value
    ]
    assert found, f"{word} = {value!r} has no block in {FILE.name}"
    return found[0]


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_of_a_probe_is_shown(kind: str) -> None:
    assert own_fields(KINDS[kind], probes.ProbeBlock) <= set(block_of("kind", kind))


@pytest.mark.parametrize("block", KINDS.values(), ids=KINDS)
def test_every_kind_of_a_probe_is_named(block: type[probes.ProbeBlock]) -> None:
    for kind in get_args(block.model_fields["kind"].annotation):
        assert re.search(rf"\b{kind}\b", TEXT), kind


@pytest.mark.parametrize("driver", DRIVERS)
def test_every_field_of_a_vent_is_shown(driver: str) -> None:
    assert own_fields(DRIVERS[driver], vents.Servo) <= set(block_of("driver", driver))


def test_common_fields_are_shown_with_their_defaults() -> None:
    for keys, model in (
        (block_of("kind", "max31855"), probes.ProbeBlock),
        (block_of("driver", "kernel_pwm"), vents.Servo),
    ):
        shown = {name: value for name, (value, _) in keys.items() if name in model.model_fields}
        assert set(shown) == set(model.model_fields)
        for name, value in shown.items():
            if name != "curve":  # its default is a plate over round holes, in code
                assert value == model.model_fields[name].default, name


def test_thermistor_fields_are_shown_with_their_defaults() -> None:
    keys = next(keys for name, keys in blocks() if name == "probes.char.thermistor")
    assert set(keys) == set(probes.Thermistor.model_fields)
    for name in ("r25_ohm", "series_ohm", "side"):
        assert keys[name][0] == probes.Thermistor.model_fields[name].default


@pytest.mark.parametrize(("word", "models"), [("kind", KINDS), ("driver", DRIVERS)])
def test_defaults_shown_are_the_true_ones(word: str, models: dict[str, type[BaseModel]]) -> None:
    for value, model in models.items():
        for name, (shown, is_default) in block_of(word, value).items():
            default = model.model_fields[name].default if name in model.model_fields else None
            if is_default and default is not None:
                assert shown == default, f"{value}: {name}"


def test_file_as_it_is_describes_a_grill() -> None:
    data = tomllib.loads(TEXT)
    assert set(TypeAdapter(probes.ProbesSettings).validate_python(data["probes"])) == {"pit", "char"}
    assert vents.VentsSettings.model_validate(data["vents"]).upper is None


@pytest.mark.parametrize("driver", [driver for driver in DRIVERS if driver != "kernel_pwm"])
def test_file_with_every_example_switched_on_loads(driver: str) -> None:
    text = re.sub(r"(?m)^#(?=[\w\[])", "", TEXT)
    parts = re.split(r"(?m)^(?=\[vents\.upper\])", text)
    chosen = next(part for part in parts[1:] if f'driver = "{driver}"' in part)
    data = tomllib.loads(parts[0] + chosen)
    assert len(TypeAdapter(probes.ProbesSettings).validate_python(data["probes"])) == len(KINDS)
    assert vents.VentsSettings.model_validate(data["vents"]).upper is not None
