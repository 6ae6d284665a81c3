"""Process and machine faults against the real service with a real mosquitto, several at a time."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from campaign_finding import Finding
from campaign_kills import kill_many
from campaign_processes import NEEDS_ROOT, SCENARIOS, run_all
from campaign_soak import WARM_UP_H, soak

pytestmark = pytest.mark.broker
AS_ROOT = os.geteuid() == 0


@pytest.fixture(scope="module")
def findings(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Finding]]:
    """All scenarios, run once, side by side: they wait far more than they work."""
    return run_all(tmp_path_factory.mktemp("campaign"), at_once=10)


@pytest.mark.timeout(400)
@pytest.mark.parametrize("name", SCENARIOS)
def test_service_survives_and_tells(name: str, findings: dict[str, list[Finding]]) -> None:
    if name in NEEDS_ROOT and not AS_ROOT:
        pytest.skip("needs root to mount a small disk")
    assert findings[name], "nothing was looked at"
    for found in findings[name]:
        assert found.faults == [], f"{found.row or found.what}: {found.seen}"


@pytest.mark.timeout(200)
def test_kills_at_random_moments_lose_no_alarm(tmp_path: Path) -> None:
    """The short form; docs/fault-campaign.md has 200."""
    result = kill_many(tmp_path, 6, seed=4)
    assert result.faults == []
    assert result.kills == 6


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_200_kills_at_random_moments_lose_no_alarm(tmp_path: Path) -> None:
    result = kill_many(tmp_path, 200)
    assert result.faults == []
    assert result.alarms_before > 100
    assert (
        result.while_latched > 5
    )  # delays stand still while nobody looks: fewer latch than kills would allow


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
