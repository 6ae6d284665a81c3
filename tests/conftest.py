"""Fixtures that every test package may use."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import Mosquitto


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running mosquitto without passwords, on loopback."""
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.kill()
