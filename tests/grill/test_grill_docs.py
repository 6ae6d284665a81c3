"""docs/grill.md tells the truth: its tables come from the code and its example grill can be tended."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from coalminder.grill.practice import CHECKS
from coalminder.grill.tables import main, tables
from coalminder.seams import Grill

DOC = (Path(__file__).parents[2] / "docs" / "grill.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", DOC, flags=re.DOTALL)


def test_tables_are_those_of_the_code(capsys: Any) -> None:
    assert main() == 0
    assert capsys.readouterr().out == tables()
    assert tables().strip() in DOC


def test_every_practice_figure_is_in_the_table_with_its_range() -> None:
    for check in CHECKS:
        for figure in check():
            row = next(line for line in DOC.splitlines() if line.startswith(f"| {figure.name} |"))
            assert f"| {figure.low:g} to {figure.high:g} |" in row
            shown = float(row.split("|")[2].split()[0])
            assert abs(shown - figure.value) <= 0.02 * abs(figure.value) + 0.01, row


def test_example_grill_follows_the_protocol_and_can_be_held() -> None:
    scope: dict[str, Any] = {}
    exec(next(block for block in blocks("python") if "class Bucket" in block), scope)
    grill = scope["Bucket"](loss_w_per_k=11)
    assert isinstance(grill, Grill)
    for _ in range(3600):
        grill.advance(1.0, 0.1 if grill.pit_c() < 93.0 else 0.0, 0.5)
    assert 80.0 < grill.pit_c() < 105.0
    assert grill.core_c() > 30.0


def test_example_session_runs() -> None:
    exec(next(block for block in blocks("python") if "import demo, draw, kettle" in block), {})
