"""Fixtures of the journal's tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from recorded_cook import UTC_S, CookState

from coalminder.journal import Journal, Start


@pytest.fixture
def start() -> Start:
    return Start("0.1.0", {"loop": {"kp": 0.02}, "band": {"set_point": 93.0}}, UTC_S, CookState())


@pytest.fixture
def open_journal(tmp_path: Path, start: Start) -> Iterator[Callable[..., Journal]]:
    """Journals that are closed after the test."""
    opened: list[Journal] = []

    def make(resume: object = None, **options: object) -> Journal:
        options.setdefault("commit_every_s", 0.05)
        options.setdefault("retry_s", 0.02)
        journal = Journal(tmp_path / "cooks", start, resume, **options)  # type: ignore[arg-type]
        opened.append(journal)
        return journal

    yield make
    for journal in opened:
        journal.close(2.0)
