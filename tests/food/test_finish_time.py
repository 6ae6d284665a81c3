"""The finish time on the simulated kettle, at half of the cook: thickness 30 %, moisture 20 % wrong."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def _campaign() -> ModuleType:
    path = Path(__file__).with_name("finish_campaign.py")
    spec = importlib.util.spec_from_file_location("finish_campaign", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["finish_campaign"] = module
    spec.loader.exec_module(module)
    return module


def test_a_few_cooks_are_foretold_within_twelve_minutes() -> None:
    summary = _campaign().campaign(range(9))
    assert summary.cooks == 9
    assert summary.p90_error_min <= 12.0
    assert summary.coverage_frac >= 0.75  # 7 of 9 or more, for a true 90 %


def test_without_a_probe_the_interval_is_honestly_wide() -> None:
    summary = _campaign().campaign(range(100, 107), probe=False)
    assert summary.coverage_frac >= 0.7
    assert summary.mean_width_min > 100.0


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_two_hundred_cooks_with_a_probe() -> None:
    summary = _campaign().campaign(range(200))
    assert summary.cooks >= 190
    assert summary.p90_error_min <= 12.0
    assert 0.85 <= summary.coverage_frac <= 0.95


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_two_hundred_cooks_without_a_probe() -> None:
    summary = _campaign().campaign(range(200), probe=False)
    assert summary.cooks >= 190
    assert summary.coverage_frac >= 0.85
