"""The oracle: reaches places, improves cooks, keeps answers, refuses stale ones."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from coalminder.bench import campaign, oracle, search
from coalminder.bench.controllers import CONTROLLERS
from coalminder.bench.metrics import Score
from coalminder.bench.oracle import Answer, Finger, beaten_by, levels_of, places_of
from coalminder.bench.plant import foresee
from coalminder.bench.runner import Keep, Run, tend
from coalminder.bench.scenarios import SCENARIOS, Cook, cook
from coalminder.errors import UserError
from coalminder.grill.actuators import servo_move

SCORE = Score(
    in_band_frac=1.0, mae_c=1.0, peak_c=100.0, lowest_c=90.0, alive=True, died=False,
    travel=1.0, travel_all=2.0, fuel_kg=0.5, settled_s=600.0,
)  # fmt: skip

REACHES = [
    (0.0, 0.05, 0.0, 0.0),
    (1.0, 0.04, 0.03, 0.006),
    (0.05, 0.052, 0.03, 0.006),  # less than it sticks
    (0.05, 0.048, 0.0, 0.006),
    (0.10, 0.012, 0.03, 0.004),  # behind the play, near the stop
    (0.02, 0.9, 0.01, 0.003),
]


@pytest.mark.parametrize(("start", "wanted", "play", "stiction"), REACHES)
def test_finger_reaches_its_place_in_six_seconds_and_stays(
    start: float, wanted: float, play: float, stiction: float
) -> None:
    finger, plate = Finger(play, stiction), start
    course = []
    for _ in range(12):
        plate = servo_move(plate, finger.command(plate, wanted), 1.0, 0.4, play, stiction)
        course.append(plate)
    assert course[6:] == pytest.approx([wanted] * 6, abs=1e-6)


def test_levels_keep_places_to_a_ten_thousandth_of_themselves() -> None:
    z = np.linspace(np.log(search.SOFT), np.log(1.0 + search.SOFT), 1001)
    places = np.exp(z) - search.SOFT
    assert np.max(np.abs(places_of(levels_of(z)) - places) / (places + search.SOFT)) < 1e-4


def small_cook() -> Cook:
    """A cook of an hour and three quarters with one lid lift, for a quick search."""
    whole = cook("lid", 0)
    return replace(whole, scenario=replace(whole.scenario, hours=1.75))


def test_search_improves_a_cook_and_beats_the_best_fixed_vent() -> None:
    the_cook = small_cook()
    known = foresee(the_cook.scenario, the_cook.seed)
    problem = search.pose(the_cook.scenario, the_cook.seed, known)
    start = tend(the_cook, CONTROLLERS["simc"](the_cook), known)
    found = search.improve(problem, oracle.start_z(problem, start), passes=15)
    reached = search.objective(problem, found.pit_c, 0.1)
    assert reached < 0.8 * search.objective(problem, start.pit_c, 0.1)

    # independent: scipy's bounded search over one opening held from the end of lighting on
    z = oracle.start_z(problem, start)

    def fixed(log_place: float) -> float:
        held = z.copy()
        held[30:, 0] = log_place
        return search.objective(problem, search.improve(problem, held, passes=0).pit_c, 0.1)

    best = minimize_scalar(fixed, bounds=(-5.0, -1.0), method="bounded", options={"maxiter": 25})
    assert reached < best.fun

    # what real servos make of it, led back block by block, is nearly as good
    carried = oracle.follow(the_cook, found, problem, known)
    assert carried.score.mae_c < start.score.mae_c


def test_search_and_plant_run_the_same_cook() -> None:
    the_cook = cook("wood", 0)
    plain = replace(the_cook.scenario.fittings, backlash_frac=0.0, stiction_frac=0.0, servo_strokes_per_s=5.0)
    the_cook = replace(the_cook, scenario=replace(the_cook.scenario, hours=1.75, fittings=plain))
    known = foresee(the_cook.scenario, the_cook.seed)
    problem = search.pose(the_cook.scenario, the_cook.seed, known)
    places = np.full((problem.blocks, 2), 0.25)
    places[40:] = (0.05, 0.2)
    levels = levels_of(np.log(places + search.SOFT))
    z = np.log(places_of(levels) + search.SOFT)
    found = search.improve(problem, z, passes=0)
    course = oracle.replay(the_cook, levels, known)
    # the search looks at the pit one second earlier
    assert found.pit_c[1:] == pytest.approx(course.pit_c[: problem.seconds - 1], abs=1e-3)


def answer(mae_c: float = 1.0) -> Answer:
    levels = np.random.default_rng(2).integers(0, 65536, (480, 2)).astype(np.uint16)
    return Answer(levels, replace(SCORE, mae_c=mae_c))


def test_kept_answers_come_back_whole(tmp_path: Path) -> None:
    one, two = answer(), answer(0.5)
    oracle.keep("calm", {3: one}, tmp_path)
    oracle.keep("calm", {1: two}, tmp_path)
    back = oracle.kept("calm", tmp_path)
    assert list(back) == [1, 3]
    assert (back[3].levels == one.levels).all()
    assert back[1].score == two.score


def test_stale_answers_are_refused_with_the_way_out(tmp_path: Path) -> None:
    oracle.keep("calm", {0: answer()}, tmp_path)
    path = tmp_path / "calm.json"
    raw = json.loads(path.read_text())
    path.write_text(json.dumps(raw | {"model_hash": "0123456789abcdef"}))
    with pytest.raises(UserError, match=r"another model.*coalminder bench oracle --scenarios calm"):
        oracle.kept("calm", tmp_path)


def test_answers_of_another_model_are_dropped_when_new_ones_come(tmp_path: Path) -> None:
    oracle.keep("calm", {0: answer()}, tmp_path)
    path = tmp_path / "calm.json"
    path.write_text(path.read_text().replace(json.loads(path.read_text())["model_hash"], "old"))
    oracle.keep("calm", {1: answer()}, tmp_path)
    assert list(oracle.kept("calm", tmp_path)) == [1]


def test_missing_answers_are_told_with_the_way_out(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="coalminder bench oracle --scenarios calm"):
        oracle.kept("calm", tmp_path)


def test_a_few_passes_already_beat_the_textbook_loops(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    tasks: list[campaign.Task] = [("rain", 0, ())]
    campaign.solve_all(tasks, 1, progress=lambda *at: told.append(at), folder=tmp_path, most=3)
    solved = oracle.kept("rain", tmp_path)[0]
    the_cook = cook("rain", 0)
    for peer in oracle.STARTS:
        assert beaten_by(tend(the_cook, CONTROLLERS[peer](the_cook)).score, solved.score)
    assert told == [(0, 1), (1, 1)]
    assert campaign.missing([*tasks, ("rain", 1, ())], tmp_path) == [("rain", 1, ())]


def test_a_worse_answer_does_not_replace_a_better_one(tmp_path: Path) -> None:
    oracle.keep("calm", {0: answer(0.5)}, tmp_path)
    campaign.keep_better(("calm", 0, ()), answer(0.7), tmp_path)
    assert oracle.kept("calm", tmp_path)[0].score.mae_c == 0.5
    campaign.keep_better(("calm", 0, ()), answer(0.4), tmp_path)
    assert oracle.kept("calm", tmp_path)[0].score.mae_c == 0.4


def test_where_the_oracle_is_beaten_it_starts_from_the_one_that_beat_it(tmp_path: Path) -> None:
    oracle.keep("calm", {0: answer(0.5), 1: answer(0.5)}, tmp_path)
    runs = tmp_path / "runs.jsonl"
    rows = [(0, "simc", 0.6), (0, "zn", 0.4), (0, "ours", 0.3), (1, "zn", 0.6)]
    keep = Keep(runs, {"simc": "s", "zn": "s", "ours": "s"})
    keep.add(Run("calm", seed, who, replace(SCORE, mae_c=mae), ((), (), ())) for seed, who, mae in rows)
    runs.write_text(runs.read_text() + '{"scenario": "calm", "se')  # broken off
    assert campaign.beaten(["calm"], range(2), runs, tmp_path) == [("calm", 0, ("ours",))]


BEATEN = [
    (1.0, 100.0, 0.9, 100.0, True),
    (1.0, 100.0, 1.0, 100.0, False),
    (1.0, 100.0, 0.9, 122.0, False),  # better, but over the ceiling
    (1.0, 123.0, 0.9, 122.0, True),  # both over, the other less
    (1.0, 123.0, 1.5, 122.0, True),  # the ceiling comes before the error
]


@pytest.mark.parametrize(("mae", "peak", "other_mae", "other_peak", "beaten"), BEATEN)
def test_an_oracle_is_beaten_only_under_its_own_rules(
    mae: float, peak: float, other_mae: float, other_peak: float, beaten: bool
) -> None:
    mine = replace(SCORE, mae_c=mae, peak_c=peak)
    assert beaten_by(mine, replace(SCORE, mae_c=other_mae, peak_c=other_peak)) is beaten


@pytest.mark.parametrize("name", SCENARIOS)
def test_shipped_answers_are_of_this_model_and_complete(name: str) -> None:
    assert list(oracle.kept(name)) == list(range(20))


@pytest.mark.parametrize(("name", "seed"), [("calm", 0), ("lid", 5), ("sticky", 2), ("hand_upper", 1)])
def test_a_shipped_answer_gives_the_cook_it_claims_and_no_peer_beats_it(name: str, seed: int) -> None:
    the_cook = cook(name, seed)
    known = foresee(the_cook.scenario, seed)
    kept = oracle.kept(name)[seed]
    again = oracle.replay(the_cook, kept.levels, known).score
    assert again.mae_c == pytest.approx(kept.score.mae_c, abs=0.02)
    assert again.in_band_frac == pytest.approx(kept.score.in_band_frac, abs=0.01)
    for peer in ("hands", "on_off", "zn", "simc"):
        assert not beaten_by(kept.score, tend(the_cook, CONTROLLERS[peer](the_cook), known).score), peer
