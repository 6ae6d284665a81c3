"""Step test and relay test: worth a fit, bounded, ended at once by trouble."""

from __future__ import annotations

import asyncio
import copy
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from foreign_grill import ForeignGrill
from ultimate_point import ultimate

from coalminder.cli import main
from coalminder.core import Config, air
from coalminder.grill import Kettle, Weather
from coalminder.grill.scenario import LidLift
from coalminder.journal import read
from coalminder.rehearse.hardware import SimulatedHardware
from coalminder.replay.experiment import (
    MOST_EARLY_DEG,
    Ended,
    Experiment,
    RelayTest,
    StepTest,
    conduct,
)
from coalminder.replay.fopdt import Fopdt, response
from coalminder.replay.learned import fit_cook, learn
from coalminder.replay.whatif import from_record
from coalminder.seams import Grill
from coalminder.service.clock import PacedClock
from coalminder.values import Decision, Phase
from coalminder.vents.curve import DEFAULT_CURVE


def perform(
    grill: Grill, experiment: Experiment, folder: Path, script: tuple[LidLift, ...] = ()
) -> tuple[Ended, list[tuple[float, float]]]:
    seen: list[tuple[float, float]] = []
    hardware = SimulatedHardware(grill, script)

    def say(_now_s: float, decision: Decision, text: str) -> None:
        if text != "waiting for a steady pit":
            seen.append((decision.pit_c or 0.0, decision.lower))

    ended = asyncio.run(
        conduct(
            hardware,
            Config(),
            experiment,
            folder,
            clock=PacedClock(math.inf, 1.775e9),
            say=say,
        )
    )
    return ended, seen


def test_step_test_teaches_more_than_the_cook_around_it(tmp_path: Path) -> None:
    ended, seen = perform(ForeignGrill(seed=3), StepTest(), tmp_path)
    assert ended.why == ""
    assert ended.took_s <= 1801
    assert max(pit for pit, _ in seen) < 93.0 + 16.0
    assert ended.record is not None
    with read(ended.record) as record:
        cook = from_record(record, "test")
    assert cook.experiment_from_s is not None
    kettle = learn([cook])
    assert not kettle.doubt
    assert "under control" in learn([replace(cook, experiment_from_s=None)]).doubt
    alone = fit_cook(cook, prior=None)  # without help from what kettles are usually like
    assert alone.slope.high / alone.slope.low < 3.0
    # The same grill without noise and gusts, its vent moved up and down from where it held the pit.
    quiet = ForeignGrill(seed=3, noise_c=0.0, gust=0.0)
    held = float(np.mean(cook.u[int(cook.experiment_from_s) :]))
    split = Config().split
    for _ in range(4000):
        quiet.advance(1.0, *(DEFAULT_CURVE.position(x) for x in air.share(held, split)))
    pits = []
    for change in (0.35, -0.35):
        moved = copy.deepcopy(quiet)
        moved.advance(300.0, *(DEFAULT_CURVE.position(x) for x in air.share(held + change, split)))
        pits.append(moved.pit_c())
    truth = (pits[0] - pits[1]) / 0.7
    said = [response(model, np.r_[0.0, np.ones(301)], 1.0)[300] for model in kettle.models]
    assert min(said) < truth < max(said)


def test_test_ends_when_the_lid_comes_off_and_the_core_has_the_vents(tmp_path: Path) -> None:
    ended, _ = perform(
        Kettle(weather=Weather(seed=2), seed=2), StepTest(), tmp_path, (LidLift(2400.0, 120.0),)
    )
    assert ended.why == "the lid came off" or ended.why.endswith("from the set point")
    assert ended.record is not None
    with read(ended.record) as record:
        last = list(record.steps())[-1]
        assert record.notes()[-1][1].endswith(ended.why)
    assert 2400.0 <= last.now_s < 2460.0
    assert last.decision.phase in (Phase.LID_OFF, Phase.TENDING)


def test_step_turns_back_when_the_pit_has_gone_far_enough() -> None:
    test = StepTest(size_v=0.3, legs_s=(480.0, 480.0))
    assert test.change(0.0, 0.0) == 0.3
    assert test.change(100.0, 9.5) == -0.3
    assert test.change(579.0, -1.0) == -0.3
    assert test.change(580.0, -1.0) is None


def swung(model: Fopdt, test: RelayTest) -> RelayTest:
    """The test on a plant of that model, without noise, to its end."""
    y, pipe = 0.0, [0.0] * (1 + round(model.theta_s))
    for second in range(20_000):
        change = test.change(float(second), y)
        if change is None:
            break
        pipe.append(change)
        keep = math.exp(-1.0 / model.tau_s)
        y = keep * y + (1 - keep) * model.k * pipe.pop(0)
    return test


@pytest.mark.parametrize("cycles", [2, 6])
def test_relay_finds_the_ultimate_point_of_a_known_plant(cycles: int) -> None:
    """Åström and Hägglund 1984: the describing function is good to some 10 % for a plant like this."""
    model = Fopdt(60.0, 900.0, 60.0)
    ku, pu_s = ultimate(model)
    found = swung(model, RelayTest(size_v=0.3, hysteresis_c=0.02, cycles=cycles)).ultimate()
    assert found is not None
    assert found[0] == pytest.approx(ku, rel=0.25)  # an integrating plant swings in triangles: pi²/8
    assert found[1] == pytest.approx(pu_s, rel=0.1)


@pytest.mark.parametrize("dead_s", [20, 60, 120])
@pytest.mark.parametrize("hysteresis_c", [0.1, 0.3, 1.0, 2.0])
def test_a_swing_that_the_hysteresis_made_is_told_from_the_ultimate_one(
    dead_s: int, hysteresis_c: float
) -> None:
    """Where nothing is told, the period is that of the plant; the gain is low by pi²/8 for the triangles and
    a fifth for the period, and never high.
    """
    model = Fopdt(60.0, 900.0, float(dead_s))
    test = swung(model, RelayTest(size_v=0.3, hysteresis_c=hysteresis_c))
    found, (ku, pu_s) = test.ultimate(), ultimate(model)
    assert found is not None
    if test.early_deg <= MOST_EARLY_DEG:
        assert found[1] == pytest.approx(pu_s, rel=0.25)
        assert 0.6 * ku < found[0] <= ku
    else:
        assert found[1] > 1.15 * pu_s
        assert found[0] < ku


def test_a_relay_test_says_that_the_hysteresis_made_the_swing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["relay-test", "--cycles", "2", "--folder", str(tmp_path)]
    assert main([*words, "--hysteresis", "3"]) == 0
    assert "short of the ultimate point" in capsys.readouterr().out


def test_relay_test_on_the_simulated_kettle_swings_and_stays_small(tmp_path: Path) -> None:
    test = RelayTest(cycles=2)
    ended, seen = perform(Kettle(weather=Weather(seed=5), seed=5), test, tmp_path)
    assert ended.why == ""
    assert 4 <= len(test.switches_s) <= 5
    assert np.ptp([pit for pit, _ in seen]) < 20.0


def test_a_vent_that_does_not_obey_ends_the_test(tmp_path: Path) -> None:
    hardware = SimulatedHardware(ForeignGrill(seed=3))
    hardware.vents_failed = True
    ended = asyncio.run(
        conduct(
            hardware, Config(), StepTest(), tmp_path, clock=PacedClock(math.inf, 1.775e9), say=lambda *_: None
        )
    )
    assert "vent_driver_failed" in ended.why
    assert ended.took_s < 60.0
