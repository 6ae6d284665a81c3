"""Fixtures that every test package may use."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import Mosquitto
from hypothesis import settings

# How long one example takes says more of what else the machine does than of the code.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")


def pytest_configure() -> None:
    """No event loop before the first async test.

    looptime asks for the loop even before a sync test; asyncio would then make one that nobody closes.
    """
    asyncio.set_event_loop(None)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running mosquitto without passwords, on loopback."""
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.kill()
