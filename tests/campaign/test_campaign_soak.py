"""Memory and journal of a long cook, in one process without sockets."""

from __future__ import annotations

from pathlib import Path

import pytest
from campaign_soak import WARM_UP_H, soak


def test_memory_stays_flat_over_a_short_soak(tmp_path: Path) -> None:
    """The short form, after the warm-up; docs/fault-campaign.md has 72 h."""
    result = soak(tmp_path, WARM_UP_H + 4)
    assert result.growth_mb < 2.0
    assert result.journal_mb_per_day > 0.1


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_memory_stays_flat_over_72_h(tmp_path: Path) -> None:
    result = soak(tmp_path, 72)
    assert result.growth_mb < 2.0
