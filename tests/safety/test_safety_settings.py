"""Section [safety]: the file shows the defaults that run, mistakes are explained in one line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from coalminder.errors import SettingsError
from coalminder.safety.limits import Limits
from coalminder.settings import load_settings
from coalminder.settings.safety import SafetySettings

CONFIG = Path(__file__).parents[2] / "config" / "coalminder.toml"


def test_defaults_are_those_of_the_fault_table() -> None:
    assert SafetySettings().limits() == Limits()


def test_commented_defaults_of_the_configuration_are_those_that_run() -> None:
    block = CONFIG.read_text("utf-8").split("\n[safety]\n", 1)[1].split("\n[", 1)[0]
    shown = tomllib.loads("\n".join(re.sub(r"^#(?=[a-z_]+ = )", "", line) for line in block.splitlines()))
    assert set(shown) == set(SafetySettings.model_fields)
    assert SafetySettings(**shown) == SafetySettings()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("ceiling_c = nan", ("safety.ceiling_c", "finite")),
        ("ceiling_c = 400", ("safety.ceiling_c", "150")),
        ("ceiling_c = 130\nhard_limit_c = 120", ("ceiling_c", "hard_limit_c")),
        ("hard_limit_c = 145.9", ("hard_limit_c (145.9 °C)", "25 K or more over ceiling_c (121 °C)")),
        ("unattended_s = -1", ("safety.unattended_s", "3600")),
        ("unattended_s = 3599", ("safety.unattended_s", "3600 to 43200", "900 s before")),
        ("disagree_c = 14.9", ("safety.disagree_c", "15 to 100", "grate")),
        ("hard_limit = 150", ("hard_limit", "hard_limit_c")),
        ('out_of_service = ["no_such"]', ("no_such", "docs/safety.md")),
        ('out_of_service = ["pit_over_ceiling"]', ("pit_over_ceiling", "note or warn")),
        ('stale_s = "ten"', ("safety.stale_s", "number")),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_mistake_is_explained(tmp_path: Path, line: str, words: tuple[str, ...]) -> None:
    path = tmp_path / "coalminder.toml"
    path.write_text(f"[safety]\n{line}\n", "utf-8")
    with pytest.raises(SettingsError) as raised:
        load_settings(path)
    told = str(raised.value)
    assert "\n" not in told
    assert str(path) in told
    for word in words:
        assert word in told


def test_limits_at_the_edge_of_what_is_accepted_load(tmp_path: Path) -> None:
    path = tmp_path / "coalminder.toml"
    path.write_text(
        "[safety]\nceiling_c = 118\nhard_limit_c = 143\ndisagree_c = 15\nunattended_s = 3600\n"
        "[band]\nkeep_warm = 62\nleast_set_point = 62\n",
        "utf-8",
    )
    assert load_settings(path).core().keep_warm_c == 62.0


def test_what_the_person_sets_reaches_the_limits(tmp_path: Path) -> None:
    path = tmp_path / "coalminder.toml"
    path.write_text('[safety]\nunattended_s = 3600\nout_of_service = ["food_probe_lost"]\n', "utf-8")
    limits = load_settings(path).limits()
    assert limits.unattended_s == 3600.0
    assert limits.out_of_service == ("food_probe_lost",)
