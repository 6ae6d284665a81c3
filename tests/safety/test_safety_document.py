"""docs/safety.md says what runs."""

from __future__ import annotations

from pathlib import Path

from coalminder.cli import main
from coalminder.probes.reader import ProbeReader
from coalminder.safety.document import markdown
from coalminder.safety.faults import FAULTS
from coalminder.safety.limits import Limits, describe
from coalminder.service.board import BoardHardware

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


def test_a_fault_that_the_board_cannot_see_is_said_to_be_none_of_its() -> None:
    """Who reads 'within 5 s' would trust that a servo without power is told."""
    board = BoardHardware(ProbeReader({}), {})
    not_covered = PAGE.read_text("utf-8").partition("## What is not covered")[2].partition("\n## ")[0]
    assert not board.supply_low
    assert "`servo_supply_low`" in not_covered


def test_drill_writes_the_same_page(tmp_path: Path) -> None:
    assert main(["drill", "--write-safety", str(tmp_path / "safety.md")]) == 0
    assert (tmp_path / "safety.md").read_text("utf-8") == markdown()


def test_promised_delays_are_those_of_the_table() -> None:
    limits = Limits()
    by_code = {fault.code: fault.detected_within_s(limits) for fault in FAULTS}
    assert by_code["pit_over_hard_limit"] == 20
    assert by_code["pit_probe_lost"] == 60
    assert by_code["unattended"] == 4 * 3600
