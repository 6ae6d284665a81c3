"""Fixtures that every test package may use."""

from __future__ import annotations

import asyncio
import signal
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


@pytest.fixture(scope="session", autouse=True)
def signals_of_a_terminal() -> Iterator[None]:
    """A job in the background has these ignored (SIGHUP by nohup), and so would all that the tests start."""
    defaults = {
        signal.SIGINT: signal.default_int_handler,
        signal.SIGQUIT: signal.SIG_DFL,
        signal.SIGHUP: signal.SIG_DFL,
    }
    before = {number: signal.signal(number, handler) for number, handler in defaults.items()}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.fixture(scope="session", autouse=True)
def state_of_the_tests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What a daemon keeps for `snuff` goes there; as root it would go to the folder of the machine's own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STATE_DIRECTORY", str(tmp_path_factory.mktemp("state")))
        yield
