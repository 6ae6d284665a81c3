"""A recorded cook on the simulated kettle, made once."""

from __future__ import annotations

from pathlib import Path

import pytest

from coalminder.core import Config
from coalminder.grill import Kettle, Weather
from coalminder.grill.scenario import LidLift, Wood
from coalminder.journal import read
from coalminder.rehearse.fast import run_fast
from coalminder.replay.load import Loaded, load
from coalminder.replay.whatif import Cook, from_record

SECONDS = 5400


@pytest.fixture(scope="session")
def cook_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of an hour and a half with a lid lift and wood."""
    folder = tmp_path_factory.mktemp("cooks")
    grill = Kettle(weather=Weather(seed=4), seed=4)
    run_fast(grill, Config(), (LidLift(3600.0, 60.0), Wood(3630.0, 0.08)), SECONDS, record=folder)
    return next(folder.glob("*.cook"))


@pytest.fixture(scope="session")
def cook(cook_file: Path) -> Cook:
    """The same, ready to be run again."""
    with read(cook_file) as record:
        return from_record(record, "a")


@pytest.fixture(scope="session")
def item(cook_file: Path) -> Loaded:
    """The same, read and decided again, as a report is made of it."""
    return load(cook_file)
