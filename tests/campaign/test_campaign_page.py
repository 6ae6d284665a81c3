"""docs/fault-campaign.md belongs to the table that runs."""

from __future__ import annotations

import re
from pathlib import Path

from campaign_report import _time

from coalminder.drill.table import drills
from coalminder.safety.faults import BY_CODE
from coalminder.safety.limits import Limits

PAGE = (Path(__file__).parents[2] / "docs" / "fault-campaign.md").read_text("utf-8")
ADVICE = "run tests/campaign_report.py again"


def test_every_drill_is_on_the_page_with_the_rows_own_delay() -> None:
    for drill in drills():
        allowed = _time(BY_CODE[drill.code].detected_within_s(Limits()))
        row = re.escape(f"| `{drill.code}` | {drill.what} |") + r"[^|]*" + re.escape(f"| {allowed} |")
        assert re.search(row, PAGE), f"{drill.code}: {drill.what}: {ADVICE}"


def test_every_row_is_on_the_page() -> None:
    assert set(re.findall(r"^\| `([a-z_0-9]+)` \|", PAGE, re.MULTILINE)) >= set(BY_CODE), ADVICE


def test_the_page_hides_no_failure() -> None:
    assert "**Failed:**" not in PAGE
    counted = re.search(r"false cut-offs in (\d+) h of simulated normal cooks \| (\d+) \|", PAGE)
    assert counted is not None
    assert int(counted[1]) >= 1000
    assert int(counted[2]) == 0
