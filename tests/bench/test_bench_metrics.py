"""The score: one window and one pit for every controller."""

from dataclasses import replace

import numpy as np
import pytest

from coalminder.bench.metrics import CHANGE_S, CHANGE_S_PER_K, SETTLED_S, Score, score, window
from coalminder.bench.plant import Exogenous

N = 7200


def known(set_point_c: np.ndarray | None = None) -> Exogenous:
    aim = np.full(N, 93.0) if set_point_c is None else set_point_c
    return Exogenous(N, np.zeros((N, 5)), np.zeros(N), np.zeros((N + 1, 4)), (), aim)


def judged(pit_c: np.ndarray, **changes: object) -> Score:
    still = np.full(N, 0.05)
    values = {"alive": True, "fuel_left_kg": 0.5, "burnt_kg": 0.4, "upper_moves": True} | changes
    return score(known(), pit_c, still, still, **values)  # type: ignore[arg-type]


def test_only_the_window_counts_for_error_and_band() -> None:
    pit = np.full(N, 93.0)
    pit[:SETTLED_S] = 20.0
    assert judged(pit).mae_c == 0.0
    assert judged(pit).in_band_frac == 1.0


def test_the_peak_counts_in_the_whole_cook() -> None:
    pit = np.full(N, 93.0)
    pit[100] = 130.0
    assert judged(pit).peak_c == 130.0


BAND = [(79.9, 0.0), (80.0, 1.0), (105.0, 1.0), (105.1, 0.0)]


@pytest.mark.parametrize(("pit_c", "share"), BAND)
def test_band_is_80_to_105_at_a_set_point_of_93(pit_c: float, share: float) -> None:
    assert judged(np.full(N, pit_c)).in_band_frac == share


def test_an_allowance_follows_each_change_of_the_set_point() -> None:
    aim = np.full(N, 93.0)
    aim[4000:] = 83.0
    counts = window(known(aim))
    allowed = CHANGE_S + 10 * CHANGE_S_PER_K
    assert counts[3999]
    assert not counts[4000 : 4000 + allowed].any()
    assert counts[4000 + allowed :].all()
    assert not counts[:SETTLED_S].any()


DEATHS = [(True, 0.5, False), (False, 0.5, True), (False, 0.05, False)]


@pytest.mark.parametrize(
    ("alive", "left", "died"), DEATHS, ids=["alive", "starved with fuel left", "burnt out"]
)
def test_a_fire_dies_only_while_fuel_remains(alive: bool, left: float, died: bool) -> None:
    assert judged(np.full(N, 93.0), alive=alive, fuel_left_kg=left).died is died


def test_travel_counts_both_servos_in_the_window_and_one_when_the_upper_is_fixed() -> None:
    lower, upper = np.full(N, 0.05), np.full(N, 0.5)
    lower[:100] = 1.0  # down from lighting: before the window
    lower[4000:] = 0.25
    upper[5000:] = 0.4
    given = {"alive": True, "fuel_left_kg": 0.5, "burnt_kg": 0.4}
    both = score(known(), np.full(N, 93.0), lower, upper, upper_moves=True, **given)  # type: ignore[arg-type]
    one = score(known(), np.full(N, 93.0), lower, upper, upper_moves=False, **given)  # type: ignore[arg-type]
    assert both.travel == pytest.approx(0.3)
    assert both.travel_all == pytest.approx(1.25)
    assert one.travel == pytest.approx(0.2)


def test_a_score_is_a_plain_value() -> None:
    one = judged(np.full(N, 93.0))
    assert replace(one, mae_c=0.0) == one
