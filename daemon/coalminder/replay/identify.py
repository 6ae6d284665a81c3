"""Fit a FOPDT model to a record of an input and an output, with honest intervals.

The output is taken as y = k x(tau, theta) + offset + start-up transient + n, where x is the unit response
to the input and n is autoregressive noise fitted along with the model (generalised least squares after
Cochrane and Orcutt; a prediction-error method in Ljung's sense). That matters for records made under
control: wind and fire push the pit, the loop answers, and plain least squares would mistake the answer
for the cause.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.signal import lfilter
from scipy.stats import chi2, norm

from coalminder.replay.fopdt import Floats, Fopdt, unit_response

Mask = NDArray[np.bool_]
MOST_SAMPLES = 4000  # unless they would be longer than this: no dead time under half of it can be told
LONGEST_SAMPLE_S = 6.0
NOISE_ORDER = 8
CONFIDENCE = 0.90
_Z = float(norm.ppf(0.5 + CONFIDENCE / 2))
LEAST_MOVE = 0.1  # range of the input under which nothing can be learned, in units of the input
# Chi-squared with 3 degrees of freedom passes 16 once in a thousand times; the search over dead times has
# some tens of independent tries.
LEAST_EVIDENCE = 25.0
IMPOSSIBLE = 1e9  # the cost of a kettle that no prior allows
WIDEST_FACTOR = 2.5  # an interval wider than best x or / this tells nothing


class TooStillError(ValueError):
    """The record does not contain enough movement of the vent to learn from."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A 90 % interval."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted model and what speaks for and against it.

    k, tau_s, theta_s, slope: 90 % intervals (slope is k / tau). noise_c: standard deviation of the
    one-step prediction error. explained_frac: share of the output's variance that the model explains by
    simulation. white_p, cross_p: p-values of the residual tests; below 0.01 the test is failed: of
    whiteness (Ljung-Box) and of independence from past input (the model misses some of the input's effect).
    moved: range of the input. evidence: twice the gain in log likelihood that the input brings; under
    LEAST_EVIDENCE the movement drowns in the noise. covariance: of (ln slope, ln tau, ln theta).
    """

    model: Fopdt
    k: Interval
    tau_s: Interval
    theta_s: Interval
    slope: Interval
    noise_c: float
    explained_frac: float
    white_p: float
    cross_p: float
    moved: float
    evidence: float
    samples: int
    step_s: float
    covariance: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class Prior:
    """What is believed before: ln-normal with these medians and standard deviations of the logarithm."""

    slope: float
    slope_sd: float
    tau_s: float
    tau_sd: float
    theta_s: float
    theta_sd: float

    @property
    def logs(self) -> Floats:
        """(ln slope, ln tau, ln theta)."""
        return np.log([self.slope, self.tau_s, self.theta_s])

    @property
    def sds(self) -> tuple[float, float, float]:
        """Their standard deviations."""
        return self.slope_sd, self.tau_sd, self.theta_sd

    @property
    def information(self) -> Floats:
        """The inverse of their covariance."""
        return np.diag([sd**-2 for sd in self.sds])

    def penalty(self, logs: Floats) -> Floats:
        """Standardised deviations of (ln slope, ln tau, ln theta)."""
        return np.asarray((logs - self.logs) / np.array(self.sds))


class _Problem:
    """The record, decimated, and its noise model. after: rows with which it goes on after a gap."""

    def __init__(
        self, step_s: float, u: Floats, y: Floats, use: Mask, after: NDArray[np.intp], read_s: float
    ) -> None:
        usual = min(math.ceil(len(u) / MOST_SAMPLES), int(LONGEST_SAMPLE_S / step_s))
        block = max(1, usual, round(read_s / step_s))
        n = len(u) // block * block
        self.step_s = step_s * block
        # The mean over a block of outputs lies this much after the start of the block.
        self.lead_s = 0.5 * (block - 1) * step_s
        self.u = u[:n].reshape(-1, block).mean(axis=1)
        self.y = y[:n].reshape(-1, block).mean(axis=1)
        self.use: Mask = np.asarray(use[:n].reshape(-1, block).all(axis=1), dtype=np.bool_)
        self.t = np.arange(len(self.u)) * self.step_s
        self.begins_s = np.concatenate([[0.0], np.unique(after[after < n] // block) * self.step_s])
        self.trust = 1.0
        self.whiten([1.0, -1.0])

    def whiten(self, noise: list[float] | Floats) -> None:
        """Set the noise model: A(q) n = e, A given by its coefficients, the first of which is 1."""
        self.noise = np.asarray(noise, dtype=float)
        order = len(self.noise) - 1
        self.rows = _with_predecessors(self.use, order)
        self.y_white = self.filter(self.y)
        self.one = self.filter(np.ones(len(self.y)))

    def filter(self, column: Floats) -> Floats:
        return np.asarray(lfilter(self.noise, [1.0], column)[self.rows], dtype=float)

    def columns(self, tau_s: float, theta_s: float) -> Floats:
        x = unit_response(self.u, self.step_s, tau_s, theta_s)
        return np.column_stack([self.filter(x), self.one, *map(self.filter, self.transients(tau_s))])

    def transients(self, tau_s: float) -> list[Floats]:
        """What was before the record, and in each of its gaps, as it dies away."""
        since_s = (self.t - begin_s for begin_s in self.begins_s)
        return [np.where(s >= 0.0, np.exp(-np.maximum(s, 0.0) / tau_s), 0.0) for s in since_s]

    def solve(self, tau_s: float, theta_s: float) -> tuple[Floats, Floats]:
        """Coefficients (k, offset, transients) and the whitened residual."""
        a = self.columns(tau_s, theta_s)
        # A tiny ridge keeps the offset and the transient apart where the lag is longer than the record.
        scale = np.sqrt(np.sum(a * a, axis=0)) + 1e-300
        b = a / scale
        gram = b.T @ b + 1e-9 * np.eye(b.shape[1])
        solution = np.linalg.solve(gram, b.T @ self.y_white) / scale
        return solution, self.y_white - a @ solution

    def residual(self, solution: Floats, tau_s: float, theta_s: float) -> Floats:
        """The residual before whitening, all rows."""
        x = unit_response(self.u, self.step_s, tau_s, theta_s)
        died = np.column_stack(self.transients(tau_s)) @ solution[2:]
        return np.asarray(self.y - solution[0] * x - solution[1] - died)


def _with_predecessors(use: Mask, order: int) -> Mask:
    """Rows that count and whose `order` predecessors do."""
    good = np.array(use, dtype=np.bool_)
    for lag in range(1, order + 1):
        good[lag:] &= use[:-lag]
    good[:order] = False
    return good


def fit(
    step_s: float,
    u: Floats,
    y: Floats,
    use: Mask | None = None,
    prior: Prior | None = None,
    trust: float = 1.0,
    after: NDArray[np.intp] | None = None,
    read_s: float = 0.0,
) -> Fit:
    """Fit k, tau and theta to input `u` and output `y` (n,), sampled every `step_s`.

    use: rows that count (False: lid off, no reading); the input must be good in all rows. prior: pulls the
    fit where the record says little; without one, a record that says too little raises TooStillError.
    trust: weight of the record against the prior, 1 if its noise were really what the model says. after: rows
    with which it goes on after a gap, of which it is not known what went before. read_s: time between the
    readings where `y` has more rows than there were readings; what lies between them is no evidence.
    """
    keep = np.isfinite(y) if use is None else use & np.isfinite(y)
    moved = float(np.ptp(u[keep])) if keep.any() else 0.0
    if moved < LEAST_MOVE or int(keep.sum()) < 60:
        raise TooStillError(still_message(moved))
    filled = np.where(np.isfinite(y), y, np.nanmean(y))
    gaps = np.array([], dtype=np.intp) if after is None else after
    problem = _Problem(step_s, u.astype(float), filled.astype(float), keep, gaps, read_s)
    problem.trust = trust
    starts = ([1.0, -1.0], [1.0, -0.9])
    best = min((_iterate(problem, start, prior) for start in starts), key=lambda result: result[0])
    _, tau_s, theta_s, noise = best
    problem.whiten(noise)
    return _judge(problem, tau_s, theta_s, moved, prior)


def still_message(moved: float) -> str:
    """What to do for a better record."""
    return (
        "the vents moved less than needed to be told from wind and fire (draught by a factor "
        f"of {math.exp(moved):.2f} in all, and in answer to the pit); "
        "next time open the lower vent by half as much again (say from 0.06 to 0.09) for 10 min, "
        "then back for 10 min, or run 'coalminder step-test'"
    )


def _iterate(
    problem: _Problem, start: list[float], prior: Prior | None
) -> tuple[float, float, float, Floats]:
    """Alternate between the model and its noise until both stand."""
    problem.whiten(start)
    span_s = problem.t[-1]
    least_s = problem.step_s
    taus = np.geomspace(4 * least_s, max(span_s, 20 * least_s), 12)
    thetas = np.concatenate([[0.0], np.geomspace(0.5 * least_s, max(0.15 * span_s, 4 * least_s), 11)])
    point = None
    cost = math.inf
    for _ in range(4):
        if point is None or _cost(problem, *point, prior) >= IMPOSSIBLE:  # from there no way leads on
            grid = [(_cost(problem, t, d, prior), t, d) for t in taus for d in thetas]
            _, tau_s, theta_s = min(grid)
        else:
            tau_s, theta_s = point

        def of(logs: Floats) -> float:
            return _cost(problem, math.exp(logs[0]), math.exp(logs[1]) - least_s, prior)

        first = np.array([math.log(tau_s), math.log(theta_s + least_s)])
        found = minimize(
            of, first, method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-7, "maxiter": 120}
        )
        tau_s, theta_s = math.exp(found.x[0]), max(math.exp(found.x[1]) - least_s, 0.0)
        point = (tau_s, theta_s)
        solution, white = problem.solve(tau_s, theta_s)
        against = prior is not None and solution[0] <= 0.0
        cost = math.inf if against else float(np.log(np.mean(white**2) + 1e-300))
        noise = _noise_model(problem, problem.residual(solution, tau_s, theta_s))
        last = problem.noise
        problem.whiten(noise)
    return cost, tau_s, theta_s, last


def _cost(problem: _Problem, tau_s: float, theta_s: float, prior: Prior | None) -> float:
    span_s = float(problem.t[-1])
    if not (0.5 * problem.step_s < tau_s < 20.0 * span_s) or not 0.0 <= theta_s < 0.2 * span_s:
        return IMPOSSIBLE
    solution, white = problem.solve(tau_s, theta_s)
    value = 0.5 * problem.trust * len(white) * math.log(float(np.mean(white**2)) + 1e-300)
    if prior is not None:
        if solution[0] <= 0.0:
            return IMPOSSIBLE
        logs = np.log([solution[0] / tau_s, tau_s, max(theta_s + problem.lead_s, 1.0)])
        value += 0.5 * float(np.sum(prior.penalty(logs) ** 2))
    return value


def _noise_model(problem: _Problem, residual: Floats) -> Floats:
    """Autoregressive coefficients of the residual, by least squares over unbroken rows."""
    order = NOISE_ORDER
    rows = np.flatnonzero(_with_predecessors(problem.use, order))
    if len(rows) < 5 * order:
        return problem.noise
    past = np.column_stack([residual[rows - lag] for lag in range(1, order + 1)])
    gram = past.T @ past
    gram += 1e-10 * np.trace(gram) * np.eye(order)
    return np.concatenate([[1.0], -np.linalg.solve(gram, past.T @ residual[rows])])


def _judge(problem: _Problem, tau_s: float, theta_s: float, moved: float, prior: Prior | None) -> Fit:
    solution, white = problem.solve(tau_s, theta_s)
    model = Fopdt(float(solution[0]), tau_s, theta_s)
    sigma2 = float(np.mean(white**2)) + 1e-18
    information = _information(problem, model) / sigma2
    if prior is not None:
        information *= problem.trust
        information += prior.information
    covariance = np.linalg.pinv(information + 1e-9 * np.eye(3), hermitian=True)
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    evidence = _evidence(problem, white)
    too_wide = _Z * sd[0] > math.log(WIDEST_FACTOR)
    if prior is None and (too_wide or evidence < LEAST_EVIDENCE):
        raise TooStillError(still_message(moved))
    if model.k <= 0.0 and prior is not None:
        raise TooStillError(still_message(moved))
    k_sd = math.sqrt(max(covariance[0, 0] + covariance[1, 1] + 2 * covariance[0, 1], 0.0))
    simulated = problem.y - problem.residual(solution, tau_s, theta_s)
    y, s = problem.y[problem.use], simulated[problem.use]
    explained = 1.0 - float(np.var(y - s) / max(np.var(y), 1e-300))
    dead_s = theta_s + problem.lead_s
    return Fit(
        model=Fopdt(model.k, tau_s, dead_s),
        k=around(model.k, k_sd),
        tau_s=around(tau_s, sd[1]),
        theta_s=around(dead_s, sd[2]),
        slope=around(model.slope_per_s, sd[0]),
        noise_c=math.sqrt(sigma2),
        explained_frac=explained,
        white_p=_ljung_box(white),
        cross_p=_cross(problem, white),
        moved=moved,
        evidence=evidence,
        samples=len(white),
        step_s=problem.step_s,
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
    )


def _evidence(problem: _Problem, white: Floats) -> float:
    """2 ln(likelihood ratio) of the model against one without input, under the same noise."""
    offsets = problem.columns(problem.t[-1], 0.0)[:, 1:]
    without = problem.y_white - offsets @ np.linalg.lstsq(offsets, problem.y_white, rcond=None)[0]
    return len(white) * math.log(float(np.mean(without**2)) / (float(np.mean(white**2)) + 1e-300))


def around(value: float, log_sd: float) -> Interval:
    """The 90 % interval of a ln-normal value."""
    factor = math.exp(min(_Z * log_sd, 20.0))
    ends = (value / factor, value * factor)
    return Interval(min(ends), max(ends))


def _information(problem: _Problem, model: Fopdt) -> Floats:
    """J'J over (ln slope, ln tau, ln theta) with offset and transient projected out."""
    base = problem.columns(model.tau_s, model.theta_s)
    shift = 1e-3
    theta = max(model.theta_s, 0.5)
    d_tau = (
        problem.columns(model.tau_s * (1 + shift), model.theta_s)[:, 0]
        - problem.columns(model.tau_s * (1 - shift), model.theta_s)[:, 0]
    ) * (model.k / (2 * shift)) + model.k * base[:, 0]  # k = slope tau
    step = max(shift * theta, 0.02 * problem.step_s)
    d_theta = (
        problem.columns(model.tau_s, theta + step)[:, 0]
        - problem.columns(model.tau_s, max(theta - step, 0.0))[:, 0]
    ) * (model.k * (theta + problem.lead_s) / (step + min(step, theta)))
    jacobian = np.column_stack([model.k * base[:, 0], d_tau, d_theta])
    nuisance, _ = np.linalg.qr(base[:, 1:])
    jacobian -= nuisance @ (nuisance.T @ jacobian)
    return np.asarray(jacobian.T @ jacobian)


def _ljung_box(white: Floats) -> float:
    """p-value of Ljung and Box's portmanteau test (Biometrika 65 (1978) 297), less the noise order."""
    n, lags = len(white), 20
    e = white - white.mean()
    power = float(e @ e) + 1e-300
    r = np.array([float(e[lag:] @ e[:-lag]) / power for lag in range(1, lags + 1)])
    q = n * (n + 2) * float(np.sum(r**2 / (n - np.arange(1, lags + 1))))
    return float(chi2.sf(q, max(lags - NOISE_ORDER, 1)))


def _cross(problem: _Problem, white: Floats) -> float:
    """p-value that the residual does not depend on past input (both whitened)."""
    du = problem.u - problem.u.mean()
    order, lags = 4, 25
    past = np.column_stack([du[order - lag : len(du) - lag] for lag in range(1, order + 1)])
    gram = past.T @ past + 1e-9 * (np.sum(past**2) + 1.0) * np.eye(order)
    a = np.linalg.solve(gram, past.T @ du[order:])
    w = np.zeros(len(du))
    w[order:] = du[order:] - past @ a
    rows = np.flatnonzero(problem.rows)
    ok = rows >= lags
    rows, e = rows[ok], white[ok]
    if len(rows) < 4 * lags:
        return math.nan
    e = e - e.mean()
    total = 0.0
    for lag in range(1, lags + 1):
        x = w[rows - lag]
        total += float(e @ x) ** 2 / (float(e @ e) * float(x @ x) + 1e-300)
    return float(chi2.sf(len(rows) * total, lags))
