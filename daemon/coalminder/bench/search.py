"""Best vents for a cook that is known in full: iterated linearisation about a whole cook, compiled.

The control is a place of each plate on a grid of blocks, as z = ln(position + SOFT). One pass:
1. every block is run once with each state and control moved a little (derivatives by difference);
2. a Riccati recursion backwards gives for each block a change of z and a feedback on the state (iterated
   LQR: Li and Todorov 2004, from memory), for the smoothed absolute error sqrt(e^2 + eps^2) by its
   reweighted quadratic, with a quadratic wall under the ceiling;
3. forward runs with ever smaller parts of the change, until the true objective falls.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar, cast

import numpy as np
from numba import njit as _njit
from numba.np.unsafe.ndarray import to_fixed_tuple

from coalminder.bench.metrics import CEILING_C, window
from coalminder.bench.plant import Exogenous, Floats, area, flat_fittings, rhs
from coalminder.grill import KettleParameters, Scenario, equations
from coalminder.grill.kettle import STEP_LID_OFF_S, ZERO_C
from coalminder.grill.scenario import apply

F = TypeVar("F", bound=Callable[..., None])


def compiled(function: F) -> F:
    """By numba; for the type checker still the function it was."""
    return cast(F, _njit(function))


def compiled_fast(function: F) -> F:
    """The same, free to reorder sums."""
    return cast(F, _njit(fastmath=True)(function))


SOFT = 0.004  # softens ln(position) near shut
BLOCK_S = 30
_SAMPLES = 3  # pits looked at in a block
_SIZE = equations.SIZE
_PHYSICAL = equations.STATES.index("released_j")  # the books, from there on, move nothing
_PARAMETERS = len(KettleParameters().flat())
_PIT = equations.STATES.index("pit_probe_k")
_LAG = list(KettleParameters.__dataclass_fields__).index("pit_probe_s")
_LID_OFF_PARTS = round(1.0 / STEP_LID_OFF_S)
_fixed_tuple: Any = to_fixed_tuple

# The states that matter to the pit's future, and a size of each: kg, J, K.
_SCALES: dict[str, float] = {
    "lit_kg": 0.1, "unlit_kg": 0.5, "coal_water_kg": 0.05, "ash_kg": 0.05, "wood_kg": 0.05,
    "wood_water_kg": 0.02, "lit_j": 5e4, "unlit_j": 1e5, "gas_k": 10.0, "lid_k": 10.0, "bowl_k": 10.0,
    "grate_k": 10.0, "food_0_k": 10.0, "food_1_k": 10.0, "food_2_k": 10.0, "food_3_k": 10.0,
    "food_lost_kg": 0.05, "o2_kg": 0.005, "co2_kg": 0.005, "h2o_kg": 0.005,
}  # fmt: skip
_LIVE = np.array([equations.STATES.index(name) for name in _SCALES])
_SCALE = np.array(list(_SCALES.values()))
_N = len(_LIVE)
_NUDGE = 1e-4
_SECANT = 0.2
# The search ends when this many passes have brought less than this part.
_PATIENCE, _WORTHWHILE = 6, 0.02
# Leading back: no further than this in z, as for errors of this size in K, and with this cost of a change.
_FAR, _CALM_C, _GENTLE = 0.3, 0.5, 100.0


@dataclass(frozen=True)
class Problem:
    """One cook as arrays. weight: per second, 1 where the window counts, little before it.

    event_of: per second, row of `times` and `plus` (y <- y x times + plus), or -1.
    """

    y0: Floats
    p: Floats
    fit: Floats
    sky: Floats
    lid: Floats
    event_of: np.ndarray
    times: Floats
    plus: Floats
    set_point_c: Floats
    weight: Floats
    upper_moves: bool
    low_z: Floats
    high_z: Floats

    @property
    def blocks(self) -> int:
        """How many blocks of the grid."""
        return len(self.lid) // BLOCK_S

    @property
    def seconds(self) -> int:
        """How many seconds they are."""
        return self.blocks * BLOCK_S


def pose(scenario: Scenario, seed: int, known: Exogenous) -> Problem:
    """The cook of `scenario` and `seed` as a problem."""
    event_of = np.full(known.seconds, -1)
    times, plus = np.zeros((len(known.events), _SIZE)), np.zeros((len(known.events), _SIZE))
    kettle = scenario.kettle(seed)
    first = kettle.state
    for row, second in enumerate(known.events):
        # what people do is linear in the state: two tries show all of it
        event_of[second] = row
        tried = []
        for value in (0.0, 1.0):
            kettle.restore(replace(first, y=(value,) * _SIZE, time_s=float(second)))
            apply(kettle, scenario.disturbances, float(second), second + 1.0)
            tried.append(np.array(kettle.state.y))
        plus[row], times[row] = tried[0], tried[1] - tried[0]
    fit = flat_fittings(scenario)
    weight = np.where(window(known), 1.0, 0.002)
    fixed = scenario.fittings.upper_fixed
    low = np.log(SOFT + np.array([fit[1], fit[5]]))  # where the slots begin to open
    high = np.log(SOFT + np.ones(2))
    if fixed is not None:
        low[1] = high[1] = math.log(SOFT + fixed)
    return Problem(
        np.array(first.y), np.array(scenario.parameters.flat()), fit, known.sky, known.lid, event_of,
        times, plus, known.set_point_c, weight, fixed is None, low, high,
    )  # fmt: skip


@compiled_fast
def _block(
    y: Floats, half: Floats, lower: float, upper: float, p: Floats, fit: Floats, sky: Floats, lid: Floats,
    event_of: np.ndarray, times: Floats, plus: Floats, first: int, seconds: int, stride: int, pit: Floats,
) -> None:  # fmt: skip
    """Run `seconds` from `first` in place in steps of `stride`; pit[i] is the pit in K at first + i."""
    fixed = _fixed_tuple(p, _PARAMETERS)
    low_m2 = fit[0] * area(lower, fit[1], fit[2], fit[3])
    up_m2 = fit[4] * area(upper, fit[5], fit[6], fit[7])
    at = first
    while at < first + seconds:
        for s in range(at, at + stride):
            row = event_of[s]
            if row >= 0:
                for i in range(_SIZE):
                    y[i] = y[i] * times[row, i] + plus[row, i]
        u = (low_m2, up_m2, lid[at], sky[at, 0], sky[at, 1], sky[at, 2], sky[at, 3], sky[at, 4])
        parts = _LID_OFF_PARTS if lid[at] > 0.0 else 1
        step_s = stride / parts
        for part in range(parts):
            slope = rhs(y, fixed, u)
            if part == 0:
                value = y[_PIT] + p[_LAG] * slope[_PIT]
                for s in range(at, at + stride):
                    pit[s - first] = value
            for i in range(_PHYSICAL):
                half[i] = y[i] + 0.5 * step_s * slope[i]
            slope = rhs(half, fixed, u)
            for i in range(_PHYSICAL):
                y[i] += step_s * slope[i]
        at += stride


@compiled_fast
def _forward(
    y0: Floats, z: Floats, states: Floats, k: Floats, gain: Floats, part: float, low: Floats, high: Floats,
    p: Floats, fit: Floats, sky: Floats, lid: Floats, event_of: np.ndarray, times: Floats, plus: Floats,
    block_s: int, new_z: Floats, new_states: Floats, pit: Floats,
) -> None:  # fmt: skip
    """A whole cook with z + part k + K (x - states), clipped; fills new_z, new_states, pit."""
    n = z.shape[0]
    y = y0.copy()
    half = np.zeros(_SIZE)
    for b in range(n):
        for i in range(_SIZE):
            new_states[b, i] = y[i]
        for c in range(2):
            value = z[b, c] + part * k[b, c]
            for i in range(_N):
                value += gain[b, c, i] * (y[_LIVE[i]] - states[b, _LIVE[i]]) / _SCALE[i]
            value = min(max(value, low[c]), high[c])
            if math.isnan(value):
                value = z[b, c]
            new_z[b, c] = value
        _block(
            y, half, math.exp(new_z[b, 0]) - SOFT, math.exp(new_z[b, 1]) - SOFT, p, fit, sky, lid,
            event_of, times, plus, b * block_s, block_s, 1, pit[b * block_s : (b + 1) * block_s],
        )  # fmt: skip


@compiled_fast
def _linearise(
    z: Floats, states: Floats, p: Floats, fit: Floats, sky: Floats, lid: Floats, event_of: np.ndarray,
    times: Floats, plus: Floats, block_s: int, stride: int, moves: int, low: Floats, high: Floats,
    a: Floats, b_: Floats, c_: Floats, d: Floats,
) -> None:  # fmt: skip
    """Fill A, B (state to state, control to state; scaled) and C, D (to the sampled pits) of every block."""
    n = z.shape[0]
    half = np.zeros(_SIZE)
    y = np.zeros(_SIZE)
    base = np.zeros(_SIZE)
    pit = np.zeros(block_s)
    base_pit = np.zeros(block_s)
    each = block_s // _SAMPLES
    for b in range(n):
        first = b * block_s
        x0, x1 = math.exp(z[b, 0]) - SOFT, math.exp(z[b, 1]) - SOFT
        base[:] = states[b]
        _block(base, half, x0, x1, p, fit, sky, lid, event_of, times, plus, first, block_s, stride, base_pit)
        for j in range(_N + moves):
            y[:] = states[b]
            l0, l1 = x0, x1
            if j < _N:
                nudge = _NUDGE
                y[_LIVE[j]] += nudge * _SCALE[j]
            else:
                # at a stop the slope says nothing of the way back: there a secant inwards
                c = j - _N
                nudge = 1e-3
                if z[b, c] < low[c] + _SECANT:
                    nudge = _SECANT
                elif z[b, c] > high[c] - _SECANT:
                    nudge = -_SECANT
                if j == _N:
                    l0 = math.exp(z[b, 0] + nudge) - SOFT
                else:
                    l1 = math.exp(z[b, 1] + nudge) - SOFT
            _block(y, half, l0, l1, p, fit, sky, lid, event_of, times, plus, first, block_s, stride, pit)
            for i in range(_N):
                slope = (y[_LIVE[i]] - base[_LIVE[i]]) / (_SCALE[i] * nudge)
                if j < _N:
                    a[b, i, j] = slope
                else:
                    b_[b, i, j - _N] = slope
            for m in range(_SAMPLES):
                at = (m + 1) * each - 1
                slope = (pit[at] - base_pit[at]) / nudge
                if j < _N:
                    c_[b, m, j] = slope
                else:
                    d[b, m, j - _N] = slope


@compiled
def _backward(
    a: Floats, b_: Floats, c_: Floats, d: Floats, g: Floats, h: Floats, z: Floats, low: Floats, high: Floats,
    damping: float, moves: int, k: Floats, gain: Floats,
) -> None:  # fmt: skip
    """Riccati recursion; fills the change k and the feedback of every block."""
    n = z.shape[0]
    vx = np.zeros(_N)
    vxx = np.zeros((_N, _N))
    for b in range(n - 1, -1, -1):
        at, ct = a[b], c_[b]
        weighted = np.zeros((_SAMPLES, _N))
        for m in range(_SAMPLES):
            for i in range(_N):
                weighted[m, i] = h[b, m] * ct[m, i]
        qx = np.dot(ct.T.copy(), g[b]) + np.dot(at.T.copy(), vx)
        vxx_a = np.dot(vxx, at)
        qxx = np.dot(ct.T.copy(), weighted) + np.dot(at.T.copy(), vxx_a)
        bt, dt = b_[b], d[b]
        qz = np.dot(dt.T.copy(), g[b]) + np.dot(bt.T.copy(), vx)
        qzx = np.dot(dt.T.copy(), weighted) + np.dot(bt.T.copy(), vxx_a)
        qzz = np.dot(bt.T.copy(), np.dot(vxx, bt))
        for r in range(2):
            for s in range(2):
                for m in range(_SAMPLES):
                    qzz[r, s] += dt[m, r] * h[b, m] * dt[m, s]
            qzz[r, r] += damping
        free0 = not ((z[b, 0] <= low[0] + 1e-9 and qz[0] > 0) or (z[b, 0] >= high[0] - 1e-9 and qz[0] < 0))
        free1 = moves > 1 and not (
            (z[b, 1] <= low[1] + 1e-9 and qz[1] > 0) or (z[b, 1] >= high[1] - 1e-9 and qz[1] < 0)
        )
        i00 = 0.0
        i01 = 0.0
        i11 = 0.0
        if free0 and free1:
            det = qzz[0, 0] * qzz[1, 1] - qzz[0, 1] * qzz[1, 0]
            if det > 1e-12 * qzz[0, 0] * qzz[1, 1]:
                i00, i01, i11 = qzz[1, 1] / det, -0.5 * (qzz[0, 1] + qzz[1, 0]) / det, qzz[0, 0] / det
            else:
                i00 = 1.0 / qzz[0, 0]
        elif free0:
            i00 = 1.0 / qzz[0, 0]
        elif free1:
            i11 = 1.0 / qzz[1, 1]
        k[b, 0] = -(i00 * qz[0] + i01 * qz[1])
        k[b, 1] = -(i01 * qz[0] + i11 * qz[1])
        for i in range(_N):
            gain[b, 0, i] = -(i00 * qzx[0, i] + i01 * qzx[1, i])
            gain[b, 1, i] = -(i01 * qzx[0, i] + i11 * qzx[1, i])
        kt = gain[b].T.copy()
        vx = qx + np.dot(kt, qz) + np.dot(kt, np.dot(qzz, k[b])) + np.dot(qzx.T.copy(), k[b])
        vxx = qxx + np.dot(kt, np.dot(qzz, gain[b])) + np.dot(kt, qzx) + np.dot(qzx.T.copy(), gain[b])
        vxx = 0.5 * (vxx + vxx.T)


# From here down the ceiling pushes back.
_WALL_C = CEILING_C - 1.0
_WALL_WEIGHT = 100.0


def objective(problem: Problem, pit_c: Floats, eps_c: float) -> float:
    """What is made small: smoothed mean |error| of the window in K, plus the wall under the ceiling."""
    n = len(pit_c)
    error = pit_c - problem.set_point_c[:n]
    over = np.maximum(pit_c - _WALL_C, 0.0)
    total = np.sum(problem.weight[:n] * np.sqrt(error * error + eps_c * eps_c)) + _WALL_WEIGHT * np.sum(
        over * over
    )
    return float(total / np.sum(problem.weight[:n] >= 1.0))


@dataclass(frozen=True)
class Found:
    """The best z on the grid and the true pit it gives, °C per second.

    states: at the start of each block; gain: (blocks, 2, n), what to add to z per scaled deviation from
    them, so that a real servo's course can be led back to this one.
    """

    z: Floats
    pit_c: Floats
    states: Floats
    gain: Floats

    def led_back(self, block: int, y: Floats) -> Floats:
        """The z for `block` when the state there is `y`."""
        return np.asarray(
            self.z[block] + self.gain[block] @ ((y[_LIVE] - self.states[block, _LIVE]) / _SCALE)
        )


def improve(problem: Problem, z: Floats, *, passes: int, eps_c: tuple[float, ...] = (1.0, 0.3, 0.1)) -> Found:
    """From z, at most `passes` passes; eps_c: smoothing, from coarse to fine."""
    n = problem.blocks
    common = (
        problem.p, problem.fit, problem.sky, problem.lid, problem.event_of, problem.times, problem.plus,
    )  # fmt: skip
    moves = 2 if problem.upper_moves else 1
    states, new_states = np.zeros((n, _SIZE)), np.zeros((n, _SIZE))
    new_z = np.zeros((n, 2))
    pit, new_pit = np.zeros(n * BLOCK_S), np.zeros(n * BLOCK_S)
    k, gain = np.zeros((n, 2)), np.zeros((n, 2, _N))
    a, b = np.zeros((n, _N, _N)), np.zeros((n, _N, 2))
    c, d = np.zeros((n, _SAMPLES, _N)), np.zeros((n, _SAMPLES, 2))
    low, high = problem.low_z, problem.high_z
    z = np.minimum(np.maximum(z, low), high)
    _forward(problem.y0, z, states, k, gain, 0.0, low, high, *common, BLOCK_S, new_z, states, pit)
    z = new_z.copy()
    damping, level = 1e-2, 0
    fresh = False
    history: list[float] = []
    for _ in range(passes):
        eps = eps_c[level]
        before = objective(problem, pit - ZERO_C, eps)
        if not fresh:
            _linearise(z, states, *common, BLOCK_S, 2, moves, low, high, a, b, c, d)
            fresh = True
        g, h = _weights(problem, pit - ZERO_C, eps)
        _backward(a, b, c, d, g, h, z, low, high, damping, moves, k, gain)
        better = False
        for part in (1.0, 0.5, 0.2, 0.05):
            _forward(
                problem.y0, z, states, k, gain, part, low, high, *common, BLOCK_S, new_z, new_states, new_pit
            )
            after = objective(problem, new_pit - ZERO_C, eps)
            if math.isfinite(after) and after < before:
                better = True
                break
        if better:
            z = new_z.copy()
            states, new_states = new_states, states
            pit, new_pit = new_pit, pit
            fresh = False
            damping = max(damping * (0.3 if part >= 0.5 else 1.0), 1e-4)
        else:
            damping *= 10.0
        if (not better or before - after < 0.03 * before) and level < len(eps_c) - 1:
            level += 1
            history.clear()
        elif not better and damping > 1e3:
            break
        history.append(min(before, after))
        gained = history[-1 - _PATIENCE] - history[-1] if len(history) > _PATIENCE else math.inf
        if level == len(eps_c) - 1 and gained < _WORTHWHILE * history[-1]:
            break
    _linearise(z, states, *common, BLOCK_S, 2, moves, low, high, a, b, c, d)
    g, h = _weights(problem, pit - ZERO_C, _CALM_C)
    _backward(a, b, c, d, g, h, z, low, high, _GENTLE, moves, k, gain)
    return Found(z, pit - ZERO_C, states, gain)


def _weights(problem: Problem, pit_c: Floats, eps_c: float) -> tuple[Floats, Floats]:
    """First and second derivative of the objective by each sampled pit."""
    each = BLOCK_S // _SAMPLES
    at = np.arange(each - 1, len(pit_c), each)
    error = pit_c[at] - problem.set_point_c[at]
    root = np.sqrt(error * error + eps_c * eps_c)
    w = problem.weight[at]
    over = np.maximum(pit_c[at] - _WALL_C, 0.0)
    g = w * error / root + 2.0 * _WALL_WEIGHT * over
    h = w / root + 2.0 * _WALL_WEIGHT * (over > 0.0)
    shape = (problem.blocks, _SAMPLES)
    return g.reshape(shape), h.reshape(shape)
