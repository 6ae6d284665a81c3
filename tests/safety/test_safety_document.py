"""docs/safety.md says what runs."""

from __future__ import annotations

from pathlib import Path

from coalminder.cli import main
from coalminder.safety.document import markdown
from coalminder.safety.faults import FAULTS
from coalminder.safety.limits import Limits, describe

PAGE = Path(__file__).parents[2] / "docs" / "safety.md"


def test_page_is_the_fault_table_that_runs() -> None:
    assert PAGE.read_text("utf-8") == markdown(), "run: coalminder drill --write-safety docs/safety.md"


def test_page_has_every_row_with_its_message_and_every_limit_with_its_source() -> None:
    page = PAGE.read_text("utf-8")
    for fault in FAULTS:
        assert f"| `{fault.code}` |" in page
        assert fault.message in page
        assert fault.remedy in page
    for name, _, meaning, source in describe():
        assert f"| `{name}` |" in page
        assert meaning
        assert source


def test_drill_writes_the_same_page(tmp_path: Path) -> None:
    assert main(["drill", "--write-safety", str(tmp_path / "safety.md")]) == 0
    assert (tmp_path / "safety.md").read_text("utf-8") == markdown()


def test_promised_delays_are_those_of_the_table() -> None:
    limits = Limits()
    by_code = {fault.code: fault.detected_within_s(limits) for fault in FAULTS}
    assert by_code["pit_over_hard_limit"] == 20
    assert by_code["pit_probe_lost"] == 60
    assert by_code["unattended"] == 4 * 3600
