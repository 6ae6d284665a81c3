"""Tuning keeps its limits, gives the same answer for the same seed, and helps on another day."""

from __future__ import annotations

import contextlib
import math
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from brokers import wait_for
from scipy.signal import lfilter
from scipy.stats import spearmanr

from coalminder.core import Config, initial, step
from coalminder.core.air import level
from coalminder.core.config import LoopConfig, PitConfig
from coalminder.core.loop import scaled
from coalminder.events import Acknowledge, Light
from coalminder.grill import Kettle, Weather, draw
from coalminder.grill.scenario import LidLift
from coalminder.journal import Step, read
from coalminder.rehearse.fast import run_fast
from coalminder.replay import tune as tune_module
from coalminder.replay.fopdt import Fopdt, response
from coalminder.replay.identify import fit
from coalminder.replay.learned import OTHERWISE, USUAL_KETTLE, ensemble, fit_cook, learn, pool
from coalminder.replay.report import tuning_rows
from coalminder.replay.robustness import core_controller, fopdt_ms
from coalminder.replay.series import Series, from_steps, log_draught, usable
from coalminder.replay.tune import (
    LEAST_GAIN_FRAC,
    MS_LIMIT,
    STOPPING,
    Candidate,
    Tuning,
    toml_fragment,
    tune,
)
from coalminder.replay.whatif import Cook, Outcome, from_record, from_series, run_again
from coalminder.values import Inputs, Reading

SLUGGISH = LoopConfig(kp=0.03, ki=3e-5, kd=1.0)


@pytest.fixture(scope="module")
def slack_cook(tmp_path_factory: pytest.TempPathFactory) -> Cook:
    """A cook under gains that are far too low."""
    folder = tmp_path_factory.mktemp("slack")
    parameters, fittings = draw(11)
    grill = Kettle(parameters, fittings, Weather(seed=11), seed=11)
    run_fast(grill, replace(Config(), loop=SLUGGISH), (LidLift(2700.0, 60.0),), 4500, record=folder)
    with read(next(folder.glob("*.cook"))) as record:
        return from_record(record, "slack")


@pytest.fixture(scope="module")
def ran_once() -> Callable[..., Outcome]:
    """`run_again`, which takes seconds and gives the same for the same, with a memory."""
    known: dict[tuple[int, Fopdt, Config], tuple[Cook, Outcome]] = {}

    def run(cook: Cook, model: Fopdt, config: Config) -> Outcome:
        key = (id(cook), model, config)
        if key not in known:
            known[key] = (cook, run_again(cook, model, config))  # the cook too: its id stays its own
        return known[key][1]

    return run


@pytest.fixture(scope="module")
def tuned(slack_cook: Cook, ran_once: Callable[..., Outcome]) -> Tuning:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tune_module, "run_again", ran_once)
        return tune([slack_cook], slack_cook.state.config, seed=3, effort=6, workers=1)


def test_tuned_gains_cut_the_error_and_keep_every_limit(tuned: Tuning) -> None:
    assert tuned.changed
    assert tuned.after.score.mean_abs_c < 0.7 * tuned.before.score.mean_abs_c
    assert tuned.after.ms <= MS_LIMIT
    assert tuned.after.score.peak_c <= max(121.0, tuned.before.score.peak_c)
    assert {c.name for c in tuned.others} == {"as shipped", "SIMC PI", "AMIGO PI"}
    shipped = next(c.loop for c in tuned.others if c.name == "as shipped")
    assert (shipped.kp, shipped.ki, shipped.kd) == (LoopConfig().kp, LoopConfig().ki, LoopConfig().kd)


def test_ms_of_the_tuned_gains_is_that_of_the_worst_model(tuned: Tuning) -> None:
    slowed = scaled(tuned.after.loop, tuned.kettle.gain)  # as the core does on this kettle
    control = core_controller(slowed, PitConfig(), tuned.kettle.noise_c)
    worst = max(fopdt_ms(model, control) for model in tuned.kettle.models)
    assert tuned.after.ms == pytest.approx(worst, rel=0.02)


@pytest.mark.parametrize(("promised_frac", "changed"), [(0.15, False), (0.25, True)])
def test_what_the_replay_may_be_wrong_by_is_no_ground_for_a_change(
    slack_cook: Cook,
    ran_once: Callable[..., Outcome],
    monkeypatch: pytest.MonkeyPatch,
    promised_frac: float,
    changed: bool,
) -> None:
    """15 % promised was 4 % worse on another day (docs/replay.md)."""
    monkeypatch.setattr(tune_module, "run_again", ran_once)

    def ratio(one: Candidate, before: Candidate) -> float:
        return 1.0 if one is before else 1.0 - promised_frac

    monkeypatch.setattr("coalminder.replay.tune._ratio", ratio)
    said = tune([slack_cook], slack_cook.state.config, seed=3, effort=1, workers=1)
    assert said.changed is changed
    assert (said.after.loop == said.before.loop) is not changed


@pytest.mark.slow
def test_same_seed_gives_the_same_answer(slack_cook: Cook, tuned: Tuning) -> None:
    again = tune([slack_cook], slack_cook.state.config, seed=3, effort=6, workers=1)
    assert again.after.loop == tuned.after.loop


def test_ctrl_c_gives_the_best_so_far_at_once(slack_cook: Cook) -> None:
    pressed_s: list[float] = []
    said: list[str] = []

    def press(_frac: float, text: str) -> None:
        said.append(text)
        if text == "1 gains tried":
            pressed_s.append(time.monotonic())
            os.kill(os.getpid(), signal.SIGINT)

    found = tune([slack_cook], slack_cook.state.config, seed=3, effort=20, workers=2, progress=press)
    assert time.monotonic() - pressed_s[0] < 2.0, "no waiting for what nobody wants any more"
    assert said[said.index("1 gains tried") + 1] == STOPPING
    assert found.tried == 1
    assert "interrupted" in found.why
    assert multiprocessing.active_children() == []


def test_no_worker_outlives_the_program(cook_file: Path, tmp_path: Path) -> None:
    words = [sys.executable, "-m", "coalminder.cli", "replay", str(cook_file), "--tune", "--effort", "100"]
    program = subprocess.Popen(words, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        wait_for(lambda: len(_children(_children([program.pid]))) >= 2, 60.0)
        workers = _children(_children([program.pid]))
    finally:
        program.kill()
        program.wait()
    wait_for(lambda: not any(_runs(worker) for worker in workers), 30.0)


def _children(of: list[int]) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            if int(stat.read_text().rpartition(")")[2].split()[1]) in of:
                found.append(int(stat.parent.name))
    return found


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_tuned_gains_help_on_another_day(tuned: Tuning) -> None:
    """The kettle itself, other wind, other air: not the model that the gains were made with."""

    def error(loop: LoopConfig, folder: Path | None = None) -> float:
        parameters, fittings = draw(11)
        weather = Weather(wind_m_per_s=5.0, ambient_c=3.0, seed=77)
        trace = run_fast(
            Kettle(parameters, fittings, weather, seed=77),
            replace(Config(), loop=loop),
            (LidLift(5000.0, 90.0),),
            7200,
        ).trace
        pit, aim = np.array(trace.pit_c), np.array(trace.set_point_c)
        return float(np.mean(np.abs(pit - aim)[2400:]))

    assert error(tuned.after.loop) < 0.7 * error(SLUGGISH)


@pytest.mark.slow
def test_gains_that_are_good_already_are_kept(cook: Cook, tuned: Tuning) -> None:
    """Tuning what was tuned: either it is kept, or it gains at least what is worth a change."""
    again = tune([cook], replace(cook.state.config, loop=tuned.after.loop), seed=3, effort=6, workers=1)
    if again.changed:
        assert again.after.score.mean_abs_c <= (1.0 - LEAST_GAIN_FRAC) * again.before.score.mean_abs_c
    else:
        assert again.after.loop.kp == tuned.after.loop.kp
        assert "kept" in again.why


def test_fragment_is_configuration_that_loads(tuned: Tuning) -> None:
    from coalminder.settings.tending import LoopSection

    text = toml_fragment(tuned, "slack.cook")
    section = LoopSection(**tomllib.loads(text)["loop"])
    assert (section.kp, section.ki, section.kd) == (
        tuned.after.loop.kp,
        tuned.after.loop.ki,
        tuned.after.loop.kd,
    )
    assert "slack.cook" in text


def test_ensemble_spans_the_interval_of_the_fit(slack_cook: Cook) -> None:
    kettle = learn([slack_cook])
    slopes = [m.slope_per_s for m in ensemble(kettle.fit, seed=1)]
    assert max(slopes) == pytest.approx(kettle.fit.slope.high, rel=0.05)
    assert min(slopes) == pytest.approx(kettle.fit.slope.low, rel=0.05)


@pytest.mark.parametrize(("swing", "noise_c", "told"), [(0.5, 0.1, OTHERWISE), (0.06, 3.0, "moved less")])
def test_why_a_record_taught_nothing_is_the_true_reason(
    cook: Cook, swing: float, noise_c: float, told: str
) -> None:
    """Vents that swing by 60 % and more did not 'move less than needed'."""
    series, rng = cook.series, np.random.default_rng(1)
    v = -2.0 + swing * np.sign(np.sin(series.time_s / 40.0))
    lower = np.exp(v) * 1.02 - 0.02
    answer = response(Fopdt(66.0, 300.0, 5.0), v, 1.0) - response(Fopdt(20.0, 40.0, 5.0), v, 1.0)
    pit_c = 93.0 + answer + rng.normal(0.0, noise_c, len(series))  # first the wrong way: not one lag's answer
    found = learn([replace(cook, series=replace(series, lower=lower, pit_c=pit_c))])
    assert told in found.still, found.fit


def test_two_cooks_of_one_kettle_say_more_than_one() -> None:
    """Pooled by information: two like records halve the variance that they bring; the prior counts once."""
    rng = np.random.default_rng(5)
    true = Fopdt(60.0, 1000.0, 30.0)
    u = 0.3 * (np.arange(6000) % 1200 > 600)
    y = 93.0 + response(true, u, 1.0) + 0.3 * rng.normal(size=6000)
    one = fit(1.0, u, y, prior=USUAL_KETTLE)
    two = pool([one, one], USUAL_KETTLE)
    before = np.diag(np.array([USUAL_KETTLE.slope_sd, USUAL_KETTLE.tau_sd, USUAL_KETTLE.theta_sd]) ** -2.0)
    brought = [np.linalg.inv(np.array(x.covariance)) - before for x in (one, two)]
    assert brought[1] == pytest.approx(2.0 * brought[0], rel=1e-6, abs=1e-6)
    assert two.model.slope_per_s == pytest.approx(true.slope_per_s, rel=0.1)
    assert pool([one], USUAL_KETTLE) == one


@pytest.mark.parametrize("way", ["rows_missing", "table_with_a_gap", "probe_silent"])
def test_what_the_vents_did_in_a_gap_does_not_matter(way: str) -> None:
    """A kettle known exactly (the FOPDT response, against python-control in test_fopdt.py), its draught moved
    up and down all the time; 20 min of the record are gone.
    """
    truth, n = Fopdt(66.0, 1100.0, 20.0), 14400
    time_s = np.arange(n, dtype=float)
    lower = np.where(time_s // 700 % 2, 0.15, 0.1)
    pit_c = 90.0 + response(truth, log_draught(lower, Config().split.leak_opening), 1.0)
    pit_c += np.random.default_rng(2).normal(0.0, 0.15, n)
    none = np.full(n, np.nan)
    words, lid = np.full(n, ""), np.zeros(n, dtype=bool)
    series = Series(time_s, pit_c, lower, np.ones(n), none, words, lid, none, none, none)
    gone = (time_s >= 5000.0) & (time_s < 6200.0)
    if way == "probe_silent":
        series = replace(series, pit_c=np.where(gone, np.nan, pit_c))
    else:
        series = series.part(~gone)
    state = initial(Config())
    cook = (
        from_series(series, "a", Config())
        if way == "table_with_a_gap"
        else Cook("a", series, (), (), state, own=False)
    )
    fitted = fit_cook(cook, prior=None)
    assert fitted.model.k == pytest.approx(truth.k, rel=0.02)
    assert fitted.model.tau_s == pytest.approx(truth.tau_s, rel=0.02)
    assert fitted.model.theta_s == pytest.approx(truth.theta_s, abs=1.0)


def test_prior_holds_the_kettles_that_the_bench_draws() -> None:
    """Initial response of five kettles at the holding draught, against the 90 % range of the prior."""
    from coalminder.core import air, initial, step
    from coalminder.rehearse.fast import attended, sample_of
    from coalminder.values import Inputs
    from coalminder.vents.curve import DEFAULT_CURVE

    low, high = (USUAL_KETTLE.slope * np.exp(s * 1.645 * USUAL_KETTLE.slope_sd) for s in (-1, 1))
    config = Config()
    for k in range(3):
        parameters, fittings = draw(k)
        quiet = replace(fittings, pit_noise_c=0.0)
        grill = Kettle(parameters, quiet, Weather(gust_frac=0.0), seed=k)
        state, events, held = initial(config), attended(4200), []
        for s in range(4200):
            state, d = step(state, Inputs(pit=sample_of(grill.pit_c()), events=events.get(s, ())), float(s))
            grill.advance(1.0, DEFAULT_CURVE.position(d.lower), DEFAULT_CURVE.position(d.upper))
            held.append(state.air.applied_v)
        start, v, ends = grill.state, float(np.mean(held[-600:])), []
        for change in (0.3, -0.3):
            grill.restore(start)
            lower, upper = (DEFAULT_CURVE.position(x) for x in air.share(v + change, config.split))
            grill.advance(300.0, lower, upper)
            ends.append(grill.pit_c())
        slope = (ends[0] - ends[1]) / 0.6 / 300.0
        assert low < slope < high, (k, slope)


def test_a_model_of_a_kettle_with_more_effect_has_less_margin() -> None:
    control = core_controller(LoopConfig(kp=0.2, ki=5e-4, kd=5.0), PitConfig(), 0.15)
    ms = [fopdt_ms(Fopdt(k, 1100.0, 20.0), control) for k in (20.0, 50.0, 120.0)]
    assert ms == sorted(ms)


def test_the_estimate_that_sorts_gains_ranks_them_as_the_core_does(
    slack_cook: Cook, ran_once: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A load that stays is taken away by the integral alone: without it the weakest integral came first."""
    monkeypatch.setattr(tune_module, "run_again", ran_once)
    kettle = learn([slack_cook], seed=3)
    linear = tune_module._Linear(kettle, [slack_cook], slack_cook.state.config)
    tune_module._set([slack_cook], slack_cook.state.config, (kettle.models[0],))
    estimated, ran = [], []
    for kp, integral_s in ((0.5, 200.0), (0.15, 300.0), (0.05, 300.0), (0.15, 3000.0), (0.05, 1000.0)):
        loop = replace(SLUGGISH, kp=kp, ki=kp / integral_s, kd=4.0 * kp)
        estimated.append(linear.judge(loop)[1])
        ran.append(tune_module._score_of(loop)[0].mean_abs_c)
    assert spearmanr(estimated, ran).statistic > 0.85
    assert all(0.5 * b < a < 2.0 * b for a, b in zip(estimated, ran, strict=True))


def test_shipped_gains_that_did_much_better_are_named_where_no_robust_ones_did(tuned: Tuning) -> None:
    before = tuned.before
    shipped = replace(before, name="as shipped", ms=3.0, by_model=tuple(0.7 * e for e in before.by_model))
    too_hot = replace(shipped, score=replace(shipped.score, peak_c=130.0))
    best = tune_module._best([before, shipped], ceiling_c=121.0, own=True)
    assert best is before, "robust at the worst model is the limit for what is proposed"
    assert "would take off 30 %" in tune_module._worth_a_cook([before, shipped], before, best, 121.0)
    assert tune_module._worth_a_cook([before, too_hot], before, best, 121.0) == ""
    better = replace(before, by_model=tuple(0.5 * e for e in before.by_model))
    assert tune_module._worth_a_cook([before, shipped], before, better, 121.0) == ""


def test_the_search_stays_within_what_the_settings_take() -> None:
    from coalminder.replay.tune import MOST_KD, MOST_KI, MOST_KP
    from coalminder.settings.tending import LoopSection

    LoopSection(kp=MOST_KP, ki=MOST_KI, kd=MOST_KD)
    for over in ({"kp": MOST_KP * 1.01}, {"ki": MOST_KI * 1.01}, {"kd": MOST_KD * 1.01}):
        with pytest.raises(ValueError, match="less than or equal"):
            LoopSection(**over)


def test_another_loggers_record_is_not_listened_to(cook: Cook) -> None:
    """Our core did not throttle that pit, so what its slope does is no answer."""
    time_s = cook.series.time_s
    slow_c = np.where(time_s < 2400.0, 93.0 - 78.0 * np.exp(-time_s / 300.0), cook.series.pit_c)
    table = from_series(replace(cook.series, pit_c=slow_c), "table", Config())
    assert learn([table]).gain == 1.0
    assert learn([replace(table, own=True)]).gain < 0.5


def test_another_loggers_calm_says_nothing_of_our_loop(cook: Cook) -> None:
    """What was calm there was calm under gains that nobody knows, also where a column names our phases."""
    n = len(cook.series)
    calm = replace(
        cook.series,
        pit_c=93.0 + np.random.default_rng(1).normal(0.0, 0.1, n),
        set_point_c=np.full(n, 93.0),
        phase=np.full(n, "tending"),
        lid_off=np.zeros(n, dtype=bool),
    )
    lively = replace(Config(), loop=LoopConfig(kp=3.0, ki=0.01, kd=60.0))
    found = learn([from_series(calm, "table", lively)])
    drawn = ensemble(found.fit)
    assert found.models[: len(drawn)] == drawn


@pytest.mark.parametrize(
    ("ms", "kept"), [(1.5, True), (2.5, True), (6.0, False), (math.inf, False), (math.nan, False)]
)
def test_gains_that_are_not_robust_are_given_up_for_as_good_ones(
    tuned: Tuning, ms: float, kept: bool
) -> None:
    """A loop that hunts by itself looks like weather: no gains seem to help it."""
    before = replace(tuned.before, ms=ms)
    calm = replace(tuned.before, name="calm", ms=1.5, by_model=tuple(1.02 * e for e in before.by_model))
    assert (tune_module._best([before, calm], ceiling_c=121.0, own=True) is before) is kept
    assert tune_module._best([before, calm], ceiling_c=121.0, own=False) is before


@pytest.mark.parametrize("ms", [6.0, math.inf])
def test_gains_that_may_swing_are_never_kept_in_silence(tuned: Tuning, ms: float) -> None:
    """Also where nothing robust did as well: 'within 0 % of the best found' would pass for praise."""
    before = replace(tuned.before, ms=ms)
    worse = replace(before.score, mean_abs_c=1.2 * before.score.mean_abs_c)
    calm = replace(before, ms=1.5, score=worse, by_model=tuple(1.2 * e for e in before.by_model))
    for best in (before, calm):
        changed, why = tune_module._verdict(before, best, own=True)
        assert not changed
        assert f"not robust (Ms {ms:g}): the loop may swing by itself; they are kept all the same" in why
    assert "not robust" not in tune_module._verdict(before, before, own=False)[1]
    hunting = replace(tuned, before=before, after=before)
    assert tuning_rows(hunting)[0][4] == f"{ms:.2f}"  # a dash would say that nothing is known


def test_ms_in_another_loggers_cook_gives_up_no_gains_and_says_why(
    slack_cook: Cook, ran_once: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tune_module, "run_again", ran_once)
    monkeypatch.setattr("coalminder.replay.tune.UNSAFE_MS", 1.0)  # as if the gains in force were not robust
    table = from_series(slack_cook.series, "table", slack_cook.state.config)
    for cook, own in ((slack_cook, True), (table, False)):
        said = tune([cook], slack_cook.state.config, seed=3, effort=1, workers=1)
        assert said.kettle.own is own
        assert ("gains in force are not robust" in said.why) is own
        assert (tune_module.MS_UNHEARD in toml_fragment(said, "a")) is not own


def test_a_loop_that_swings_in_a_minute_is_not_taken_for_calm(tmp_path: Path, cook: Cook) -> None:
    """Three times the shipped gains open and shut this kettle's vent every 50 s, by a factor of four or more,
    and its pit moves by half a degree. Models under which the gains in force are sound must not come of that.
    """
    parameters, fittings = draw(2)
    usual = LoopConfig()
    lively = replace(usual, kp=3.0 * usual.kp, ki=3.0 * usual.ki, kd=3.0 * usual.kd)
    grill = Kettle(parameters, fittings, Weather(seed=2), seed=2)
    run_fast(grill, replace(Config(), loop=lively), (), 6000, record=tmp_path)
    with read(next(tmp_path.glob("*.cook"))) as record:
        swinging = from_record(record, "lively")
    late = swinging.series.part(slice(3000, None))
    assert late.lower.max() > 4.0 * late.lower.min()
    assert np.std(late.pit_c) < 0.8
    for one, drawn_in in ((swinging, False), (cook, True)):
        found = learn([one])
        law = core_controller(scaled(one.state.config.loop, found.gain), PitConfig(), found.noise_c)
        worst = max(fopdt_ms(model, law) for model in found.models)
        assert (worst < 2.6) is drawn_in


@pytest.mark.parametrize(
    ("every_s", "jitter_s", "teaches"),
    [(10, 0.0, True), (10.02, 0.03, True), (11.0, 0.4, True), (15, 0.0, False), (60, 0.0, False)],
)
def test_a_slow_logger_teaches_what_it_can_and_is_not_blamed_on_the_weather(
    every_s: float, jitter_s: float, teaches: bool
) -> None:
    """The usual kettle (the FOPDT response, against python-control in test_fopdt.py), vents moved by hand."""
    rng, n = np.random.default_rng(3), 9000
    truth = Fopdt(66.0, 1100.0, 5.0)
    leak = Config().split.leak_opening
    lower = np.repeat(rng.choice([0.09, 0.12, 0.16], size=n // 300), 300)
    pit_c = 93.0 + response(truth, log_draught(lower, leak), 1.0) + rng.normal(0.0, 0.12, n)
    time_s, none = np.arange(n, dtype=float), np.full(n, np.nan)
    words, lid = np.full(n, ""), np.zeros(n, dtype=bool)
    whole = Series(time_s, pit_c, lower, np.ones(n), none, words, lid, none, none, none)
    read_s = np.arange(0.0, n - 1.0, every_s)
    read_s = np.round(read_s + rng.uniform(0.0, jitter_s, len(read_s)), 2)
    rows = replace(whole.part(read_s.astype(int)), time_s=read_s - read_s[0])
    found = learn([from_series(rows, "a", Config())])
    assert found.fit.slope.low <= truth.slope_per_s <= found.fit.slope.high
    assert found.fit.theta_s.low <= truth.theta_s <= found.fit.theta_s.high
    if teaches:
        assert found.still == ""
        assert found.fit.model.slope_per_s == pytest.approx(truth.slope_per_s, rel=0.1)
    else:
        assert "rows more than 12.5 s apart" in found.still


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("dead_s", "second_s"), [(9.0, 0.0), (15.0, 0.0), (5.0, 60.0)])
def test_a_kettle_that_follows_its_vents_is_believed_and_one_with_two_lags_is_not(
    dead_s: float, second_s: float, seed: int
) -> None:
    """A hand moves the vents, wind blows; the answer is scipy's and numpy's, not the fit's own."""
    rng, n = np.random.default_rng(seed), 9000
    lower = np.repeat(rng.choice([0.09, 0.12, 0.16], size=60), rng.integers(150, 600, size=60))[:n]
    n = len(lower)
    v = log_draught(lower, Config().split.leak_opening)

    def lagged(x: np.ndarray, tau_s: float) -> np.ndarray:
        keep = math.exp(-1.0 / tau_s)
        return np.asarray(lfilter([1.0 - keep], [1.0, -keep], x))

    moved = np.concatenate([np.zeros(1 + round(dead_s)), 60.0 * (v - v[0])])[:n]
    wind = 2.0 * lagged(rng.normal(size=n) * math.sqrt(2 * 150.0), 150.0)
    rise_c = lagged(moved + wind, 1000.0)
    pit_c = 93.0 + (lagged(rise_c, second_s) if second_s else rise_c) + 0.12 * rng.normal(size=n)
    none, words, lid = np.full(n, np.nan), np.full(n, ""), np.zeros(n, dtype=bool)
    whole = Series(np.arange(float(n)), pit_c, lower, np.ones(n), none, words, lid, none, none, none)
    found = learn([from_series(whole, "a", Config())])
    if second_s:
        assert OTHERWISE in found.still
    else:
        assert found.still == ""
        assert found.fit.slope.low <= 0.06 <= found.fit.slope.high
        assert found.fit.theta_s.low <= dead_s <= found.fit.theta_s.high


def gusty_cook(truth: Fopdt, seed: int, period_s: int = 1) -> Cook:
    """3 h of a loop with a quarter of the shipped gains on one lag with dead time, in wind that comes and
    goes; a lid lift after 100 min. The probe shows something new every `period_s`.
    """
    loop = LoopConfig()
    gains = replace(loop, kp=loop.kp / 4, ki=loop.ki / 8, kd=loop.kd / 4)
    state = begun = initial(replace(Config(), loop=gains))
    rng, rest = random.Random(seed), level(0.13, 0.03)
    pit_c, fire, wind, lid_c = 12.0, 0.0, 0.0, 0.0
    pipe = [rest] * (1 + int(truth.theta_s))
    steps = []
    for second in range(10_800):
        lit: tuple[object, ...] = (Light(),) if second == 0 else ()
        events = (*lit, Acknowledge()) if second % 3000 == 2999 else lit
        if second % period_s == 0:
            shown_c = pit_c + lid_c + 0.12 * rng.gauss(0.0, 1.0)
        seen = Inputs(Reading(shown_c), events=events)
        state, done = step(state, seen, float(second))
        steps.append(Step(second + 1, 1, float(second), 1.8e9 + second, seen, done))
        wind += 0.25 * math.sqrt(2 / 150) * rng.gauss(0.0, 1.0) - wind / 150
        pipe.append(level(done.lower, 0.03))
        push_c = truth.k * (pipe.pop(0) - rest) + 8.0 * wind
        fire += (1.0 - fire) / 400
        pit_c += (12.0 + fire * max(0.0, 81.0 + push_c) - pit_c) / truth.tau_s
        lid_c = 0.985 * lid_c - (0.5 if 6000 <= second < 6060 else 0.0)
    now_s = tuple(one.now_s for one in steps)
    return Cook("gusty", from_steps(steps), tuple(one.inputs for one in steps), now_s, begun)


def test_a_cook_whose_vents_moved_is_not_refused_for_a_search_that_went_astray() -> None:
    cook = gusty_cook(Fopdt(66.0, 1100.0, 5.0), 1)
    assert np.ptp(cook.u[usable(cook.series)]) > 0.2
    found = learn([cook])
    assert found.fit.slope.low <= 0.06 <= found.fit.slope.high
    assert found.still


def test_noise_that_a_slow_probe_holds_is_not_taken_for_none() -> None:
    """A reading that stands for 12 s has, at slow frequencies, 12 times the power of one for 1 s."""
    found = learn([gusty_cook(Fopdt(66.0, 1100.0, 5.0), 1, period_s=12)])
    assert found.noise_c == pytest.approx(0.12 * math.sqrt(12.0), rel=0.5)
