"""Process and machine faults against the real service with a real mosquitto, several at a time."""

from __future__ import annotations

import os
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest
from campaign_finding import Finding
from campaign_kills import Kills, kill_many
from campaign_processes import NEEDS_ROOT, SCENARIOS, run_all

pytestmark = pytest.mark.broker
AS_ROOT = os.geteuid() == 0


Found = tuple[dict[str, list[Finding]], Future[Kills]]


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Found:
    """All scenarios and the short form of the kills, run once, side by side: they wait far more than work."""
    with ThreadPoolExecutor(1) as beside:
        kills = beside.submit(kill_many, tmp_path_factory.mktemp("kills"), 6, seed=4)
        return run_all(tmp_path_factory.mktemp("campaign"), at_once=10), kills


@pytest.mark.timeout(400)
@pytest.mark.parametrize("name", SCENARIOS)
def test_service_survives_and_tells(name: str, found: Found) -> None:
    if name in NEEDS_ROOT and not AS_ROOT:
        pytest.skip("needs root to mount a small disk")
    findings, _ = found
    assert findings[name], "nothing was looked at"
    for one in findings[name]:
        assert one.faults == [], f"{one.row or one.what}: {one.seen}"


@pytest.mark.timeout(400)
def test_kills_at_random_moments_lose_no_alarm(found: Found) -> None:
    """The short form; docs/fault-campaign.md has 200."""
    result = found[1].result()
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
