"""What a kettle is like: fits of its cooks pooled, and an ensemble of models that agree with them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from coalminder.core import State, pit, response, step
from coalminder.core.config import LoopConfig
from coalminder.core.loop import scaled
from coalminder.core.response import ResponseState
from coalminder.replay.fopdt import Floats, Fopdt
from coalminder.replay.identify import (
    LEAST_EVIDENCE,
    Fit,
    Mask,
    Prior,
    TooStillError,
    around,
    fit,
    still_message,
)
from coalminder.replay.robustness import core_controller, fopdt_ms
from coalminder.replay.series import resumptions, usable
from coalminder.replay.whatif import Cook, scored_rows
from coalminder.values import Phase

# In an ordinary cook the vents answer wind and fire, which are not the noise that the fit assumes. With a
# tenth of this, records that follow their vents exactly are held so near the usual dead time that their
# residual depends on the vents.
TRUST = 0.03
LEAST_P = 0.001  # of the test that the residual is independent of the vents
# Rows further apart are longer than most dead times, and say where the vents were, not when. No usual
# logger's period is near it: one of 10 s has 10.02 s for its rounding, or 11 s for what its probes take.
SLOWEST_S = 12.5
DEAD_S = 60.0  # no kettle's dead time is longer [estimate]
CALM_MS = 2.5  # a loop with more than this would be seen to swing
# A wave that is half like the last one has a damping ratio of 0.1 (exp(-2 pi 0.1)), so an Ms of 5. The gains
# as shipped had up to 0.2 on 12 simulated kettles, three times those 0.4 to 0.8 on 4.
LASTING, SHORT_WAVE_S = 0.5, 120

# What kettles are like before a record is seen, in K per unit of v and s; the middle and the spread of
# the simulated kettles around the loop's own crossover (docs/replay.md says how they were found), widened for
# kettles unlike them.
USUAL_KETTLE = Prior(slope=0.06, slope_sd=0.4, tau_s=1100.0, tau_sd=0.45, theta_s=5.0, theta_sd=0.6)

# The delay that the core heard holds lags of the fire, too: the dead time is 0.4 to 1 of it on 21 grills of
# other making (`PYTHONPATH=tests python tests/heard_delay.py`).
HEARD_FRAC, HEARD_SD = 0.75, 0.35


@dataclass(frozen=True)
class Learned:
    """What was learned of a kettle: the fit, and models that agree with the record. The first is the best.

    noise_c: of the pit probe, as white noise read every second; still: why the record alone says too little
    ("" when it says enough). gain: the factor by which the core slows its gains on this kettle
    (core/response.py). doubt: why the intervals may miss the kettle ("" when the vents were moved on purpose,
    or when the record moved nothing). own: all cooks were recorded by us; in another logger's the core heard
    no delay, and `gain` is as if there were none.
    """

    fit: Fit
    models: tuple[Fopdt, ...]
    noise_c: float
    still: str
    gain: float = 1.0
    doubt: str = ""
    own: bool = True


BETTER = "'coalminder step-test' makes a better record"
# Under feedback, with little wind to move the vents, the slope tends to come out too low
# (Ljung, System Identification, from memory).
UNDER_CONTROL = (
    "the vents were not moved on purpose, and a cook under control makes them look weaker than they are: "
    f"the intervals may miss; {BETTER}"
)


OTHERWISE = (
    "the vents moved enough, but the pit did not follow them as a lag with dead time does: the weather or a "
    "swinging loop moved both"
)

SLOW = (
    f"rows more than {SLOWEST_S:g} s apart do not show when the pit began to follow a vent; log a row every "
    "10 s or more often"
)


def learn(cooks: Sequence[Cook], seed: int = 0) -> Learned:
    """Fit one kettle to all its cooks (pooled by information) and draw models that agree with them."""
    fits: list[Fit] = []
    quick: list[Fit] = []  # of records with rows close enough to tell
    still = ""
    tested = any(cook.experiment_from_s is not None for cook in cooks)
    ends = [end_of(cook) for cook in cooks]
    config = cooks[0].state.config
    # As the core saw it, which filters by it: what a slow probe holds, or whole degrees, look noiseless.
    seen_c = (end.pit.noise_c if cook.own else cook.noise_c for cook, end in zip(cooks, ends, strict=True))
    noise = float(np.median(list(seen_c)))
    smooth_s = pit.smooth_s(config.pit, noise)
    prior = _heard_prior([end.response for end in ends], smooth_s)
    for cook in cooks:
        try:
            fits.append(fit_cook(cook, prior))
            quick += fits[-1:] if cook.read_s <= SLOWEST_S else []
        except TooStillError as error:
            still = still or str(error)
    if not fits:
        raise TooStillError(still)
    # A record whose own tests say that it does not show the vents' effect must not move the model.
    telling = [one for one in quick if one.evidence >= LEAST_EVIDENCE and not one.cross_p < LEAST_P]
    if not telling:
        drowned = all(one.evidence < LEAST_EVIDENCE for one in fits)
        better = "repeat the test on a calmer day" if tested else BETTER
        moved = max(one.moved for one in fits)
        why = f"{OTHERWISE}; {better}" if quick else SLOW
        still = still or (still_message(moved) if drowned else why)
    else:
        still = ""  # another cook tells
    best = pool(telling, prior) if telling else _only_prior(max(fits, key=lambda one: one.samples), prior)
    models = ensemble(best, seed)
    if not tested:
        # Cooks under control make the vents look weaker than they are: gains must suit the usual kettle too.
        models = (*models, Fopdt(prior.slope * prior.tau_s, prior.tau_s, prior.theta_s))
    by_delay = [response.gain(end.response, config.response, smooth_s) for end in ends]
    loops = [
        scaled(cook.state.config.loop, gain, end.oscillation.gain)
        for cook, gain, end in zip(cooks, by_delay, ends, strict=True)
    ]
    # A cook that did not show its delay says nothing of the next one's: there the gains may be whole.
    whole = response.gain(ResponseState(delay_s=0.0), config.response, smooth_s)
    next_gain = max(
        whole if end.response.delay_s is None else gain for gain, end in zip(by_delay, ends, strict=True)
    )
    doubt = "" if still or tested else UNDER_CONTROL
    own = all(cook.own for cook in cooks)
    return Learned(best, _seen_calm(models, cooks, loops, noise), noise, still, next_gain, doubt, own)


def fit_cook(cook: Cook, prior: Prior | None) -> Fit:
    """The kettle by one cook. Raises TooStillError when that shows nothing of it."""
    rows = usable(cook.series)
    if cook.experiment_from_s is not None:
        rows &= cook.series.time_s >= cook.experiment_from_s - 300.0
    if not rows.any():
        raise TooStillError("the loop never held the vents for long enough with the lid on")
    first, last = np.flatnonzero(rows)[[0, -1]]  # the fit averages over more rows the more there are
    after = resumptions(cook.series)
    after = after[(after > first) & (after <= last)] - first
    part = slice(first, last + 1)
    rows = rows[part]
    for row in after:  # the dead time holds what the vents did in the gap
        rows[row : row + round(DEAD_S / cook.series.step_s)] = False
    return fit(
        cook.series.step_s,
        cook.u[part],
        cook.series.pit_c[part],
        rows,
        prior,
        TRUST,
        after,
        min(cook.read_s, SLOWEST_S),
    )


def end_of(cook: Cook) -> State:
    """The core's state at the end of the cook, as far as it could hear the kettle.

    In another logger's record our core did not move the vents, so it heard nothing.
    """
    state = cook.state
    if cook.own:
        for seen, now_s in zip(cook.inputs, cook.now_s, strict=True):
            state, _ = step(state, seen, now_s)
    return state


def _heard_prior(heard: Sequence[ResponseState], smooth_s: float) -> Prior:
    """The usual kettle, with the dead time that the largest step of a cook showed: its delay less our
    smoothing.
    """
    delays = [one.delay_s for one in heard if one.delay_s is not None]
    theta_s = HEARD_FRAC * (float(np.median(delays)) - smooth_s) if delays else 0.0
    if theta_s <= USUAL_KETTLE.theta_s:
        return USUAL_KETTLE
    return replace(USUAL_KETTLE, theta_s=theta_s, theta_sd=HEARD_SD)


def _only_prior(one: Fit, prior: Prior) -> Fit:
    """The usual kettle with its spread, beside the record's tests."""
    return _believed(one, prior.logs, prior.information)


def _believed(one: Fit, logs: Floats, information: Floats) -> Fit:
    """`one`, whose tests stay, with another belief of (ln slope, ln tau, ln theta) and its intervals."""
    covariance = np.linalg.inv(information)
    slope, tau_s, theta_s = (float(x) for x in np.exp(logs))
    sds = np.sqrt(np.diag(covariance))
    k_sd = math.sqrt(max(covariance[0, 0] + covariance[1, 1] + 2.0 * covariance[0, 1], 0.0))
    return replace(
        one,
        model=Fopdt(slope * tau_s, tau_s, theta_s),
        k=around(slope * tau_s, k_sd),
        tau_s=around(tau_s, sds[1]),
        theta_s=around(theta_s, sds[2]),
        slope=around(slope, sds[0]),
        covariance=tuple(tuple(float(x) for x in row) for row in covariance),
    )


def pool(fits: list[Fit], prior: Prior) -> Fit:
    """One fit out of several of one kettle: means weighted by information, the prior counted once."""
    if len(fits) == 1:
        return fits[0]
    before = prior.information
    total, push = before.copy(), before @ prior.logs
    for one in fits:
        said = np.linalg.inv(np.array(one.covariance))
        total += said - before
        push += said @ _logs(one.model)
        push -= before @ prior.logs
    logs = np.asarray(np.linalg.solve(total, push), dtype=np.float64)
    return _believed(max(fits, key=lambda one: one.samples), logs, total)


def _logs(model: Fopdt) -> Floats:
    return np.log([model.slope_per_s, model.tau_s, max(model.theta_s, 1.0)])


def ensemble(best: Fit, seed: int = 0) -> tuple[Fopdt, ...]:
    """The best and 20 models 1.645 standard deviations from it in every direction (90 % each way)."""
    rng = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh(np.array(best.covariance))
    root = vectors @ np.diag(np.sqrt(np.maximum(values, 0.0)))
    reach = 1.645
    directions = [*np.eye(3), *-np.eye(3), *rng.normal(size=(14, 3))]
    found = [best.model]
    for d in directions:
        slope, tau, theta = np.exp(_logs(best.model) + reach * root @ (d / np.linalg.norm(d)))
        found.append(Fopdt(float(slope * tau), float(tau), float(theta)))
    return tuple(found)


def _seen_calm(
    models: tuple[Fopdt, ...], cooks: Sequence[Cook], loops: Sequence[LoopConfig], noise_c: float
) -> tuple[Fopdt, ...]:
    """Models drawn in to what the record shows of stability.

    A loop close to its limit swings at every push of the wind. Where the recorded loop did not, a model that
    gives it an Ms over CALM_MS is wrong: its effect is lowered until it does not.
    """
    laws = [
        core_controller(slowed, cook.state.config.pit, noise_c)
        for cook, slowed in zip(cooks, loops, strict=True)
        if _calm(cook)
    ]
    drawn = []
    for model in models:
        for _ in range(40):
            if all(fopdt_ms(model, law) <= CALM_MS for law in laws):
                break
            model = replace(model, k=0.95 * model.k, theta_s=0.97 * model.theta_s)
        drawn.append(model)
    return tuple(drawn)


def _calm(cook: Cook) -> bool:
    """No swinging in the rows that the loop worked in: of the pit at periods from some 2 to 10 min, nor of
    the vents at shorter ones, which the pit hardly follows.

    Never in another logger's record: the loop there was not ours.
    """
    if not cook.own or cook.experiment_from_s is not None:
        return False
    if not (cook.series.phase == Phase.TENDING.value).any():
        return False
    rows = scored_rows(cook) & (usable(cook.series, 0.0))
    error = cook.series.pit_c - cook.series.set_point_c
    swing = (_smooth(error, rows, 30) - _smooth(error, rows, 600))[rows]
    # The median deviation (1.4826 of it is the standard deviation of normal noise): a lid lift or a piece of
    # wood is no swinging.
    spread = 1.4826 * float(np.median(np.abs(swing - np.median(swing)))) if len(swing) else math.inf
    calm = len(swing) > 1800 and spread < max(0.8, 3.0 * cook.noise_c)
    return calm and _next_wave(cook.u, rows) < LASTING


def _next_wave(v: Floats, rows: Mask) -> float:
    """How much a wave of the vents is like the one before it: the autocorrelation after its first trough, at
    lags up to SHORT_WAVE_S.
    """
    wave = np.where(rows, _smooth(v, rows, 5) - _smooth(v, rows, 300), 0.0)
    after = np.array([wave[lag:] @ wave[:-lag] for lag in range(1, SHORT_WAVE_S)]) / max(wave @ wave, 1e-12)
    return float(np.max(after[np.argmax(after < 0.0) :])) if np.any(after < 0.0) else 0.0


def _smooth(column: Floats, rows: Mask, width: int) -> Floats:
    """Mean over `width` rows, of those that count."""
    window, good = np.ones(width), np.where(rows, column, 0.0)
    share = np.maximum(np.convolve(rows.astype(float), window, "same"), 1.0)
    return np.asarray(np.convolve(good, window, "same") / share)
