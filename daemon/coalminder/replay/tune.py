"""Better gains from a record: least error over models that fit it, bounded by robustness and servo travel.

The candidates are judged twice: a linear estimate with the core's own frequency response sorts out those
that are not robust (Ms over the limit at the worst model) or restless, then the best of them run the
recorded cook again through the real core (`whatif`).
"""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import forkserver, get_context
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess

import numpy as np
from scipy.stats import qmc

from coalminder.core import Config
from coalminder.core.config import LoopConfig
from coalminder.core.loop import scaled, unscaled
from coalminder.replay.fopdt import Fopdt, response
from coalminder.replay.learned import Learned, learn
from coalminder.replay.robustness import core_controller
from coalminder.replay.rules import Gains, amigo_pi, simc_pi
from coalminder.replay.whatif import Cook, Score, check_not_cut_off, run_again, score, scored_rows

MS_LIMIT = 1.6
# Gains in force beyond it are given up, in cooks of our own. At the worst of the models the defaults have 2.4
# to 2.5 (docs/replay.md); 5 is a gain margin of 1.25 and a phase margin of 11 degrees there.
UNSAFE_MS = 5.0
MS_UNHEARD = (
    "in another logger's cook the core does not hear the kettle's delay, by which it slows its gains: "
    "Ms is shown for gains that nothing slows, and decides nothing about those in force"
)
NO_WORSE_FRAC = 0.05
MOST_TRAVEL_TIMES = 2.5
LEAST_GAIN_FRAC = 0.2  # less is within what the replay itself may be wrong by (docs/replay.md)
MOST_KP, MOST_KI, MOST_KD = 4.0, 0.1, 100.0  # what the settings take (tests hold them together)
STOPPING = "stopping ..."
SHIPPED = "as shipped"
WORTH_A_COOK = (
    "they held on many kettles, if not at each model that this record allows; a cook with them, watched, is "
    "worth it"
)
EVERY = 5  # rows; the linear estimate needs no more of them
LIVELIER = (1.4, 2.0)  # tried whatever their robustness, to say what there is to win at all

Job = tuple[list[Cook], Config, tuple[Fopdt, ...]]
"""What gains are tried on: cooks, the other settings, models."""


@dataclass(frozen=True)
class Candidate:
    """Gains and how they did: worst Ms over the models, mean scores over the models that ran.

    by_model: mean absolute error by model that ran (over all cooks), °C.
    """

    name: str
    loop: LoopConfig
    ms: float
    score: Score
    by_model: tuple[float, ...] = ()


@dataclass(frozen=True)
class Tuning:
    """The answer. before, after: over the same cooks and models; others, to compare: as shipped, SIMC, AMIGO.

    changed: False when the gains in force are kept, with the reason in `why`. no_limits_frac: by how much the
    best of all that ran, robust or not, would cut the error in these cooks: what there is to win at all.
    """

    kettle: Learned
    before: Candidate
    after: Candidate
    others: tuple[Candidate, ...]
    changed: bool
    why: str
    tried: int
    no_limits_frac: float = 0.0


class _Linear:
    """The linear estimate: worst Ms and the error that the recorded disturbance would leave."""

    def __init__(self, kettle: Learned, cooks: Sequence[Cook], config: Config) -> None:
        self.config = config
        self.noise_c, self.gain, self.best = kettle.noise_c, kettle.gain, kettle.models[0]
        self.omega = np.asarray(np.geomspace(2e-5, 0.9, 500), dtype=np.float64)
        self.plants = np.array([model.at(self.omega) for model in kettle.models])
        self.loads = []
        for cook in cooks:
            scored = scored_rows(cook)
            rows = np.flatnonzero(scored)
            if len(rows) < 600:
                continue
            part = slice(rows[0], rows[-1] + 1)
            y = cook.series.pit_c[part]
            y = np.where(np.isfinite(y), y, np.nanmean(y))
            rest = y - response(kettle.models[0], cook.u[part], cook.series.step_s)
            dt_s = EVERY * cook.series.step_s
            push = np.diff(rest[::EVERY]) / dt_s
            most = 2 * len(push)  # a loop's answer to the last push must not come back at the first
            freq = np.asarray(2 * math.pi * np.fft.rfftfreq(most, dt_s)[1:], dtype=np.float64)
            pushes = np.fft.rfft(push, most)
            # their sum: so a lasting load counts, which only the integral takes away
            summed = pushes[1:] * dt_s / (1.0 - np.exp(-1j * freq * dt_s))
            plant = kettle.models[0].at(freq)
            self.loads.append((freq, plant, pushes, summed, scored[part][::EVERY][1:]))

    def judge(self, loop: LoopConfig) -> tuple[float, float, float]:
        """(worst Ms, mean absolute error left in °C, rms speed of v in 1/s)."""
        slowed = scaled(loop, self.gain)
        law = core_controller(slowed, self.config.pit, self.noise_c)
        control = law(self.omega)
        returned = 1.0 + self.plants * control
        turn = np.unwrap(np.angle(returned), axis=1)
        if np.any(turn[:, -1] - turn[:, 0] < -math.pi / 2 - 1e-6):
            return math.inf, math.inf, math.inf
        ms = float(np.max(1.0 / np.abs(returned)))
        errors, moves = [], []
        for freq, plant, pushes, summed, scored in self.loads:
            c = law(freq)
            s = 1.0 / (1.0 + plant * c)
            slowest = pushes[0] / (self.best.k * slowed.ki) if slowed.ki > 0.0 else 0.0
            left = np.concatenate([[slowest], s * summed])
            moved = np.concatenate([[pushes[0] / self.best.k], c * s * pushes[1:]])
            errors.append(np.fft.irfft(left)[: len(scored)][scored])
            moves.append(np.fft.irfft(moved)[: len(scored)])
        if not errors:
            return ms, 0.0, 0.0
        error, move = np.concatenate(errors), np.concatenate(moves)
        left_c = float(np.mean(np.abs(error))) if slowed.ki > 0.0 else math.inf
        return ms, left_c, float(np.sqrt(np.mean(move**2)))


def tune(
    cooks: Sequence[Cook],
    config: Config,
    *,
    seed: int = 0,
    effort: int = 8,
    workers: int | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> Tuning:
    """Search gains for the kettle of `cooks`, starting from `config`. Same seed, same answer.

    effort: candidates that run through the core. Raises TooStillError when nothing can be learned.
    """
    say = progress or (lambda frac, text: None)
    say(0.02, "fitting the kettle")
    kettle = learn(cooks, seed=seed)
    for cook in (cook for cook in cooks if not cook.own):
        for model in _models_to_run(kettle):
            check_not_cut_off(cook, run_again(cook, model, _own(cook, config)))
    linear = _Linear(kettle, cooks, config)
    say(0.10, "sorting out gains that are not robust")
    jobs = _jobs(kettle, linear, config.loop, seed, effort)
    best_of = partial(_best, ceiling_c=config.limits.ceiling_c, own=kettle.own)
    job = (list(cooks), config, _models_to_run(kettle))
    done, interrupted = _try(jobs, best_of, linear, job, workers, say)
    before, best = done[0], best_of(done)
    say(1.0, "done")
    changed, why = _verdict(before, best, own=kettle.own)
    after = replace(best, name="tuned", loop=_rounded(best.loop)) if changed else replace(before, name="kept")
    most = max(1.0 - min(_ratio(c, before) for c in done), 0.0)
    why += f"; the best of all, robust or not, would take off {most * 100:.0f} % in this very cook"
    why += " (interrupted: fewer gains were tried)" if interrupted else ""
    why += _worth_a_cook(done, before, best, config.limits.ceiling_c)
    others = tuple(c for c in done if c.name.startswith((SHIPPED, "SIMC", "AMIGO")))
    return Tuning(kettle, before, after, others, changed, why, len(done), most)


def _jobs(
    kettle: Learned, linear: _Linear, base: LoopConfig, seed: int, effort: int
) -> list[tuple[str, LoopConfig]]:
    """What runs through the core, the gains in force first."""
    shortlist = _shortlist(linear, base, seed, effort)
    return [
        ("in force", base),
        *_shipped(base),
        *by_rules(kettle, base),
        *((f"livelier x {factor:g}", _allowed(_times(base, factor))) for factor in LIVELIER),
        *((f"candidate {i + 1}", loop) for i, loop in enumerate(shortlist)),
    ]


def _try(
    jobs: list[tuple[str, LoopConfig]],
    best_of: Callable[[list[Candidate]], Candidate],
    linear: _Linear,
    job: Job,
    workers: int | None,
    say: Callable[[float, str], None],
) -> tuple[list[Candidate], bool]:
    """How `jobs` did, and what lies near the best of them; whether it was interrupted."""
    context = _context()
    count = workers if workers is not None else min(2, os.cpu_count() or 1)
    pool = (
        ProcessPoolExecutor(count, mp_context=context, initializer=_set, initargs=job) if count > 1 else None
    )
    done: list[Candidate] = []
    try:
        if pool is None:
            _set(*job)
        _run(jobs, linear, pool, done, say, 0.15, 0.75)
        near = [(f"near {i + 1}", loop) for i, loop in enumerate(_near(best_of(done).loop, 1.25))]
        near = [(name, loop) for name, loop in near if linear.judge(loop)[0] <= MS_LIMIT]
        _run(near, linear, pool, done, say, 0.75, 1.0)
    except KeyboardInterrupt:
        say(1.0, STOPPING)
        if pool is not None:
            _end_workers()
        if not done:
            raise
        return done, True
    finally:
        if pool is not None:
            pool.shutdown(cancel_futures=True)
    return done, False


def _verdict(before: Candidate, best: Candidate, *, own: bool) -> tuple[bool, str]:
    """Whether `best` takes the place of the gains in force, and why. own: as in `_best`."""
    gained = 1.0 - _ratio(best, before)
    if own and _hunts(before):
        swings = f"the gains in force are not robust (Ms {before.ms:.3g}): the loop may swing by itself; "
        times = best.score.mean_abs_c / before.score.mean_abs_c
        if best is not before and times < 1.0 + NO_WORSE_FRAC:
            than = "less" if times <= 1.0 else "more"
            return True, f"{swings}these are, and the mean error is {abs(1.0 - times) * 100:.0f} % {than}"
        return False, (
            f"{swings}they are kept all the same, for of the gains tried none is robust and as good in this "
            "cook run again; lower gains swing less, and 'coalminder step-test' tells more of the kettle"
        )
    if gained < LEAST_GAIN_FRAC:
        why = f"the gains in force are within {max(gained, 0.0) * 100:.0f} % of the best found; they are kept"
        return False, why
    return True, f"mean error at least {gained * 100:.0f} % less, whichever of the models is true"


def _worth_a_cook(done: list[Candidate], before: Candidate, best: Candidate, ceiling_c: float) -> str:
    """Words for shipped gains that would have done much better, though this record does not prove them."""
    for c in done:
        much = _ratio(c, before) <= min(1.0 - LEAST_GAIN_FRAC, _ratio(best, before))
        if c.name == SHIPPED and much and c.score.peak_c <= max(ceiling_c, before.score.peak_c):
            won = (1.0 - _ratio(c, before)) * 100.0
            return f"; the gains that the program comes with would take off {won:.0f} %: {WORTH_A_COOK}"
    return ""


def _shortlist(linear: _Linear, base: LoopConfig, seed: int, effort: int) -> list[LoopConfig]:
    """Robust candidates of least estimated error, not all alike."""
    points = qmc.Sobol(3, seed=seed).random(1024)
    kp = base.kp * np.exp(np.interp(points[:, 0], [0, 1], np.log([0.15, 8.0])))
    ti = np.exp(np.interp(points[:, 1], [0, 1], np.log([80.0, 3000.0])))
    td = np.where(
        points[:, 2] < 0.15, 0.0, 4.0 * np.exp(np.interp(points[:, 2], [0.15, 1], np.log([1.0, 40.0])))
    )
    _, _, moved_now = linear.judge(base)
    judged = []
    for a, b, c in zip(kp, ti, td, strict=True):
        loop = _allowed(replace(base, kp=float(a), ki=float(a / b), kd=float(a * c)))
        ms, left, moved = linear.judge(loop)
        if ms <= MS_LIMIT and moved <= 3.0 * MOST_TRAVEL_TIMES * moved_now:
            judged.append((left, loop))
    judged.sort(key=lambda item: item[0])
    chosen: list[LoopConfig] = []
    for _, loop in judged:
        if all(_apart(loop, other) > 0.35 for other in chosen):
            chosen.append(loop)
        if len(chosen) == effort:
            break
    return chosen


def _apart(a: LoopConfig, b: LoopConfig) -> float:
    return (
        abs(math.log(a.kp / b.kp)) + 0.5 * abs(math.log(a.ki / b.ki)) + 0.02 * abs(a.kd / a.kp - b.kd / b.kp)
    )


def _times(loop: LoopConfig, factor: float) -> LoopConfig:
    """All gains alike, unlike `scaled`, which makes the loop quicker."""
    return replace(loop, kp=loop.kp * factor, ki=loop.ki * factor, kd=loop.kd * factor)


def _allowed(loop: LoopConfig) -> LoopConfig:
    """The gains, all lowered alike, as far as the settings take them."""
    factors = (MOST_KP / max(loop.kp, 1e-9), MOST_KI / max(loop.ki, 1e-9), MOST_KD / max(loop.kd, 1e-9))
    return _times(loop, min(1.0, *factors))


def _near(loop: LoopConfig, factor: float) -> list[LoopConfig]:
    near = [
        _times(loop, factor),
        _times(loop, 1.0 / factor),
        replace(loop, ki=loop.ki * factor),
        replace(loop, ki=loop.ki / factor),
        replace(loop, kd=loop.kd * factor),
        replace(loop, kd=loop.kd / factor),
    ]
    return [_allowed(loop) for loop in near]


def _shipped(base: LoopConfig) -> list[tuple[str, LoopConfig]]:
    """The gains that the program comes with, to compare, unless they are in force."""
    usual = LoopConfig()
    gains = replace(base, kp=usual.kp, ki=usual.ki, kd=usual.kd)
    return [] if gains == base else [(SHIPPED, gains)]


def by_rules(kettle: Learned, base: LoopConfig) -> list[tuple[str, LoopConfig]]:
    """SIMC and AMIGO for the best model, as settings: they hold after the core has slowed its gains."""
    m = kettle.models[0]
    local = Fopdt(m.k, m.tau_s, max(m.theta_s, 5.0))
    found = (("SIMC PI", simc_pi(local)), ("AMIGO PI", amigo_pi(local)))
    return [(name, _allowed(unscaled(_as_loop(gains, base), kettle.gain))) for name, gains in found]


def _as_loop(gains: Gains, base: LoopConfig) -> LoopConfig:
    kp, ki, kd = gains.parallel
    return replace(base, kp=kp, ki=ki, kd=kd)


def _models_to_run(kettle: Learned) -> tuple[Fopdt, ...]:
    """The models with the most and the least effect. Gains must help under both: with too weak a model the
    recorded moves of the vents seem to have done little, and lazy gains look good; with too strong a one,
    lively gains do.
    """
    by_slope = sorted(kettle.models, key=lambda m: m.slope_per_s)
    return by_slope[0], by_slope[-1]


_job: Job | None = None


def _context() -> BaseContext:
    """Workers that hear no Ctrl-C, not even while they load: the parent ends them."""
    if os.name != "posix" or threading.current_thread() is not threading.main_thread():
        return get_context("spawn")
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        forkserver.ensure_running()
    finally:
        signal.signal(signal.SIGINT, before)
    return get_context("forkserver")


def _end_workers() -> None:
    """At once: each may be at work for half a minute, and what it would find is not wanted."""
    for worker in multiprocessing.active_children():
        worker.terminate()


def _end_with(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def _set(cooks: list[Cook], config: Config, models: tuple[Fopdt, ...]) -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent stops the work
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    global _job  # noqa: PLW0603 - what a worker process works on, sent once
    _job = (cooks, config, models)


def _score_of(loop: LoopConfig) -> tuple[Score, tuple[float, ...]]:
    assert _job is not None
    cooks, config, models = _job
    ran = replace(config, loop=loop)
    by_model = [
        [score(cook, run_again(cook, model, _own(cook, ran)), ran) for cook in cooks] for model in models
    ]
    scores = [one for row in by_model for one in row]
    return Score(
        float(np.mean([s.mean_abs_c for s in scores])),
        max(s.peak_c for s in scores),
        float(np.mean([s.in_band_frac for s in scores])),
        float(np.mean([s.travel_per_h for s in scores])),
    ), tuple(float(np.mean([one.mean_abs_c for one in row])) for row in by_model)


def _own(cook: Cook, config: Config) -> Config:
    """`config` with the set point of the cook's own day."""
    return replace(config, set_point_c=cook.state.config.set_point_c)


def _run(
    jobs: list[tuple[str, LoopConfig]],
    linear: _Linear,
    pool: ProcessPoolExecutor | None,
    done: list[Candidate],
    say: Callable[[float, str], None],
    low: float,
    high: float,
) -> None:
    loops = [loop for _, loop in jobs]
    results = map(_score_of, loops) if pool is None else pool.map(_score_of, loops)
    for i, ((name, loop), (scored, errors)) in enumerate(zip(jobs, results, strict=True)):
        done.append(Candidate(name, loop, linear.judge(loop)[0], scored, errors))
        say(low + (high - low) * (i + 1) / len(jobs), f"{len(done)} gains tried")


def _best(done: list[Candidate], *, ceiling_c: float, own: bool) -> Candidate:
    """Least error, at the model where it helps least, among those that keep every limit; the first is that
    in force.

    own: from cooks of our own, so that the Ms of the gains in force is that of the loop that ran there.
    """
    before = done[0]
    most_c = max(ceiling_c, before.score.peak_c)
    allowed = [
        c
        for c in done
        if c.ms <= MS_LIMIT
        and c.score.peak_c <= most_c
        and c.score.travel_per_h <= max(MOST_TRAVEL_TIMES * before.score.travel_per_h, 3.0)
    ]
    if own and _hunts(before):
        # an unstable loop's error differs from model to model: the whole cook's counts
        safer = allowed or [c for c in done if c.ms <= UNSAFE_MS and c.score.peak_c <= most_c]
        return min(safer or [before], key=lambda c: c.score.mean_abs_c)
    return min([before, *allowed], key=lambda c: _ratio(c, before))


def _hunts(c: Candidate) -> bool:
    """Whether the loop may swing by itself; an Ms that is infinite or NaN says that it does."""
    return not c.ms <= UNSAFE_MS


def _ratio(c: Candidate, before: Candidate) -> float:
    """Error against the gains in force, at the model where it compares worst."""
    return max(a / b for a, b in zip(c.by_model, before.by_model, strict=True))


def _round(value: float) -> float:
    return float(f"{value:.3g}")


def _rounded(loop: LoopConfig) -> LoopConfig:
    return replace(loop, kp=_round(loop.kp), ki=_round(loop.ki), kd=_round(loop.kd))


def toml_fragment(tuning: Tuning, source: str) -> str:
    """Lines for the configuration, with where they come from."""
    loop, b, a = tuning.after.loop, tuning.before.score, tuning.after.score
    return (
        f"# Made by 'coalminder replay --tune' from {source}. Copy into your configuration; nothing "
        "reads this file.\n"
        f"# Mean error {b.mean_abs_c:.2f} -> {a.mean_abs_c:.2f} °C in the replayed cook, "
        f"Ms {tuning.before.ms:.2f} -> {tuning.after.ms:.2f} at the worst model.\n"
        + (f"# {MS_UNHEARD}.\n" if not tuning.kettle.own else "")
        + "[loop]\n"
        f"kp = {loop.kp:.6g}\nki = {loop.ki:.6g}\nkd = {loop.kd:.6g}\n"
    )
