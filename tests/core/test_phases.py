"""The phase table: whole, safe, and the same in docs."""

from __future__ import annotations

from pathlib import Path

import pytest

from coalminder.core.phases import (
    BACK,
    STAY,
    TRANSITIONS,
    VENTS,
    Move,
    PhaseError,
    Refused,
    Vents,
    follow,
)
from coalminder.values import Phase

DOC = Path(__file__).parents[2] / "docs" / "states.md"


@pytest.mark.parametrize("phase", Phase)
@pytest.mark.parametrize("move", Move)
def test_every_phase_has_a_row_for_every_move(phase: Phase, move: Move) -> None:
    target = follow(phase, move, Phase.TENDING)
    assert isinstance(target, Phase | Refused)


@pytest.mark.parametrize("phase", Phase)
def test_snuff_and_fault_shut_the_vents_from_every_phase(phase: Phase) -> None:
    for move in (Move.SNUFF, Move.FAULT):
        target = follow(phase, move, Phase.TENDING)
        assert isinstance(target, Phase)
        assert VENTS[target] is Vents.SHUT


def test_only_a_reset_leaves_a_cut_off_and_the_vents_stay_shut_then() -> None:
    leaving = {m: follow(Phase.CUT_OFF, m, Phase.TENDING) for m in Move}
    assert [m for m, to in leaving.items() if isinstance(to, Phase) and to is not Phase.CUT_OFF] == [
        Move.RESET
    ]
    after = leaving[Move.RESET]
    assert isinstance(after, Phase)
    assert VENTS[after] is Vents.SHUT


def test_a_move_without_a_row_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    row = dict(TRANSITIONS[Phase.TENDING])
    del row[Move.STEADY]
    monkeypatch.setitem(TRANSITIONS, Phase.TENDING, row)
    with pytest.raises(PhaseError, match=r"steady.*tending"):
        follow(Phase.TENDING, Move.STEADY, Phase.TENDING)


def test_lid_back_on_returns_to_the_phase_before() -> None:
    assert follow(Phase.LID_OFF, Move.LID_ON, Phase.EASING) is Phase.EASING
    assert follow(Phase.LID_OFF, Move.LID_ON, Phase.TENDING) is Phase.TENDING


def cell_text(phase: Phase, move: Move) -> str:
    cell = TRANSITIONS[phase][move]
    if cell is STAY:
        return "–"
    if cell is BACK:
        return "back"
    return "refused" if isinstance(cell, Refused) else str(cell)


def test_the_table_in_docs_is_the_table_in_code() -> None:
    lines = [line for line in DOC.read_text("utf-8").splitlines() if line.startswith("|")]
    header, _, *rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    shown = [dict(zip(header, row, strict=True)) for row in rows]
    expected = [
        {"phase": f"`{phase}`", "vents": str(VENTS[phase])}
        | {str(move): cell_text(phase, move) for move in Move}
        for phase in Phase
    ]
    assert shown == expected
