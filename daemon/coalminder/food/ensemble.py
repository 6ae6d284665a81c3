"""The food on the grill as a small family of slabs, kept in step with the core probe.

Owns: the on-line model. Each of `MEMBERS` slabs (four cells, surface to core) has its own thickness, heat
capacity, film, evaporation and air offset, spread as widely as a cook's guesses are wrong. A core reading
pulls all of them by a square-root Kalman filter for one scalar observation (Whitaker and Hamill 2002,
deterministic, so that the same inputs give the same estimate). Without readings the spread stays wide.
Must not know: plans, done rules, clocks. Pure floats; cheap enough for a small board.

A member is (ln half thickness m, ln heat capacity J/m3K, ln film W/m2K, ln share of the film that carries
vapour, ln water loss that dries the surface, air offset °C, water lost kg/m2, T0 surface cell .. T3 core).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

MEMBERS = 20
HORIZON_S = 8 * 3600.0
"""How far ahead heating is foretold."""
Z90 = 1.645

# Spread of what is not known when the food is laid on (standard deviations) [estimate, except where said].
THICKNESS_SD = 0.25  # of ln: 90 % within -34 .. +51 %; a tape and an eye are this wrong
CAPACITY_SD = 0.10  # of ln: 20 % wrong moisture moves density x cp by about 12 %
FILM_W_M2K = 14.0  # natural convection about 6, radiation from hot walls about 8 at 93 °C
FILM_SD = 0.22
VAPOUR_SHARE = 0.65  # convection over convection and radiation
VAPOUR_SD = 0.25
DRY_FRAC = 0.020  # water loss, share of the weight, at which the surface is half dry (pellicle)
DRY_SD = 0.7
AIR_SD_C = 3.0
START_SD_C = 1.5

HUMIDITY = 0.028  # kg/kg in the pit: fire, wood and food give it [estimate]
LATENT_J_KG = 2.4e6
_PARAMETERS = 6
_WIDEST = 1.5  # times the spread at the start: readings that teach nothing must not widen it for ever
_FARTHEST = 5.0  # standard deviations from where it started


@dataclass(frozen=True, slots=True)
class Food:
    """What a member starts from: nominal half thickness, flesh properties and starting temperature."""

    half_m: float
    capacity_j_m3k: float
    conductivity_w_mk: float
    density_kg_m3: float
    start_c: float


Member = tuple[float, ...]
Ensemble = tuple[Member, ...]


def _halton(index: int, base: int) -> float:
    result, fraction = 0.0, 1.0
    while index > 0:
        fraction /= base
        result += fraction * (index % base)
        index //= base
    return result


def _normals() -> list[list[float]]:
    """MEMBERS x 7 standard normal numbers: a Halton sequence, centred and scaled to mean 0, variance 1."""
    normal = NormalDist()
    columns = []
    for base in (2, 3, 5, 7, 11, 13, 17):
        column = [normal.inv_cdf(_halton(i + 1 + base, base)) for i in range(MEMBERS)]
        mean = sum(column) / MEMBERS
        scale = math.sqrt(sum((x - mean) ** 2 for x in column) / (MEMBERS - 1))
        columns.append([(x - mean) / scale for x in column])
    return [list(row) for row in zip(*columns, strict=True)]


_NORMALS = _normals()


def _prior(food: Food, thickness_sd: float = THICKNESS_SD) -> tuple[tuple[float, float], ...]:
    """(mean, standard deviation) of each parameter before anything was read."""
    return (
        (math.log(food.half_m), thickness_sd),
        (math.log(food.capacity_j_m3k), CAPACITY_SD),
        (math.log(FILM_W_M2K), FILM_SD),
        (math.log(VAPOUR_SHARE), VAPOUR_SD),
        (math.log(DRY_FRAC), DRY_SD),
        (0.0, AIR_SD_C),
    )


def start(food: Food, thickness_sd: float = THICKNESS_SD) -> Ensemble:
    """The family as the food is laid on; thickness_sd: of its ln, how well the thickness is known."""
    prior = _prior(food, thickness_sd)
    members = []
    for z in _NORMALS:
        parameters = tuple(mean + sd * n for (mean, sd), n in zip(prior, z[:_PARAMETERS], strict=True))
        start_c = food.start_c + START_SD_C * z[_PARAMETERS]
        members.append((*parameters, 0.0, start_c, start_c, start_c, start_c))
    return tuple(members)


def core_of(member: Member) -> float:
    """Mid-plane temperature: the parabola through the two inner cells."""
    return member[10] + (member[10] - member[9]) / 8.0


def spread(values: Sequence[float]) -> tuple[float, float]:
    """Mean and standard deviation."""
    mean = sum(values) / len(values)
    return mean, math.sqrt(sum((v - mean) ** 2 for v in values) / (len(values) - 1))


def core_spread(ensemble: Ensemble) -> tuple[float, float]:
    """Mean and standard deviation of the family's cores."""
    return spread([core_of(m) for m in ensemble])


def strain(ensemble: Ensemble, food: Food) -> float:
    """How far the readings have pulled the family from what food is: rms of its parameters' means, in sd."""
    prior = _prior(food)
    columns = list(zip(*ensemble, strict=True))[:_PARAMETERS]
    far = [(sum(c) / MEMBERS - mean) / sd for c, (mean, sd) in zip(columns, prior, strict=True)]
    return math.sqrt(sum(x * x for x in far) / _PARAMETERS)


@dataclass(frozen=True, slots=True)
class Air:
    """What surrounds the food. film_w_m2k None: each member's own; vapour: whether the surface dries."""

    temp_c: float
    film_w_m2k: float | None = None
    dries: bool = True


def _advance_one(
    member: Member, food: Food, air: Air, dt_s: float, steps: int, stop_c: float
) -> tuple[Member, float]:
    """`steps` implicit steps of `dt_s`; returns the member and the time at which the core passed `stop_c`.

    The time is inf when it never does. Evaporation is linearised about the last surface temperature.
    """
    ln_half, ln_capacity, ln_film, ln_share, ln_dry, offset, lost, t0, t1, t2, t3 = member
    half = math.exp(ln_half)
    capacity = math.exp(ln_capacity)
    film = air.film_w_m2k if air.film_w_m2k is not None else math.exp(ln_film)
    dx = 0.25 * half
    k = food.conductivity_w_mk
    r = dt_s * k / (capacity * dx * dx)
    inside = 2.0 * k / dx
    to_rate = dt_s / (capacity * dx)
    d3 = 1.0 + r
    d2 = 1.0 + 2.0 * r - r * r / d3
    d1 = 1.0 + 2.0 * r - r * r / d2
    d0 = 1.0 + r - r * r / d1
    r3, r2, r1 = r / d3, r / d2, r / d1
    air_c = air.temp_c + offset if air.film_w_m2k is None else air.temp_c
    vapour = math.exp(ln_share) * film / 1010.0 * LATENT_J_KG if air.dries else 0.0
    dry_scale = 1.0 / (math.exp(ln_dry) * food.density_kg_m3 * half)
    exp = math.exp
    core = t3 + (t3 - t2) * 0.125
    if core >= stop_c:
        return member, 0.0
    for i in range(steps):
        # surface temperature now, from the film and the outer half cell
        surface = (film * air_c + inside * t0) / (film + inside)
        if vapour > 0.0:
            x = lost * dry_scale
            wet = vapour / (1.0 + x * x)
            # the wetter it is, the nearer the surface is to its cell: two Newton steps from the cell
            surface = t0 if surface > t0 + 4.0 else surface
            pa = 610.94 * exp(17.625 * surface / (surface + 243.04))
            ratio = 0.622 * pa / (101325.0 - pa) if pa < 60000.0 else 0.9
            flux = wet * (ratio - HUMIDITY)
            slope = wet * ratio * 4283.0 / ((surface + 243.04) * (surface + 243.04)) * (1.0 + ratio * 1.6)
            if flux < 0.0:
                flux = slope = 0.0
            total = film + slope
            drive = (film * air_c - flux + slope * surface) / total
            g = to_rate * inside * total / (inside + total)
        else:
            drive = air_c
            g = to_rate * inside * film / (inside + film)
        b2 = t2 + r3 * t3
        b1 = t1 + r2 * b2
        t0 = (t0 + g * drive + r1 * b1) / (d0 + g)
        t1 = (b1 + r * t0) / d1
        t2 = (b2 + r * t1) / d2
        t3 = (t3 + r * t2) / d3
        if vapour > 0.0 and flux > 0.0:
            now = (total * drive + inside * t0) / (total + inside)
            left = flux + slope * (now - surface)
            if left > 0.0:
                lost += dt_s * left / LATENT_J_KG
        before = core
        core = t3 + (t3 - t2) * 0.125
        if core >= stop_c:
            passed = (i + (stop_c - before) / (core - before)) * dt_s if core > before else i * dt_s
            return (ln_half, ln_capacity, ln_film, ln_share, ln_dry, offset, lost, t0, t1, t2, t3), passed
    return (ln_half, ln_capacity, ln_film, ln_share, ln_dry, offset, lost, t0, t1, t2, t3), math.inf


def advance(ensemble: Ensemble, food: Food, air: Air, dt_s: float) -> Ensemble:
    """All members `dt_s` later; gaps longer than a minute go in steps of at most 60 s."""
    steps = max(1, math.ceil(dt_s / 60.0))
    return tuple(_advance_one(m, food, air, dt_s / steps, steps, math.inf)[0] for m in ensemble)


def assimilate(
    ensemble: Ensemble, food: Food, core_c: float, error_sd_c: float, inflation: float = 1.0
) -> Ensemble:
    """Pull the family towards a core reading whose error (probe and model) has `error_sd_c`.

    inflation (>= 1) spreads the parameters again a little, for what the slab does not know; they stay within
    what food can be, also when days of readings in a cold pit say nothing.
    """
    cores = [core_of(m) for m in ensemble]
    mean_core, _ = spread(cores)
    deviations = [c - mean_core for c in cores]
    variance = sum(d * d for d in deviations) / (MEMBERS - 1)
    noise = error_sd_c * error_sd_c
    total = variance + noise
    alpha = 1.0 / (1.0 + math.sqrt(noise / total))
    miss = core_c - mean_core
    columns, prior = [], _prior(food)
    for j, column in enumerate(zip(*ensemble, strict=True)):
        mean = sum(column) / MEMBERS
        gain = sum(x * d for x, d in zip(column, deviations, strict=True)) / (MEMBERS - 1) / total
        shift = mean + gain * miss
        around = [x - mean - alpha * gain * d for x, d in zip(column, deviations, strict=True)]
        if j < _PARAMETERS:
            first, sd = prior[j]
            wide = math.sqrt(sum(x * x for x in around) / (MEMBERS - 1))
            grow = min(inflation, _WIDEST * sd / wide) if wide > 0.0 else 1.0
            far = _FARTHEST * sd
            columns.append([min(max(shift + grow * x, first - far), first + far) for x in around])
        else:
            least = 0.0 if j == _PARAMETERS else -math.inf  # no water comes back
            columns.append([max(least, shift + x) for x in around])
    return tuple(zip(*columns, strict=True))


def heating_times_s(ensemble: Ensemble, food: Food, air: Air, stop_c: float) -> list[float]:
    """Per member: seconds from now until the core reaches `stop_c` in this air; inf: after `HORIZON_S`."""
    coarse_s = 180.0
    steps = int(HORIZON_S / coarse_s)
    return [_advance_one(m, food, air, coarse_s, steps, stop_c)[1] for m in ensemble]


def interval_s(times_s: Sequence[float]) -> tuple[float, float, float]:
    """(low, middle, high) of a 90 % interval, from a log-normal through the members' times.

    What all members share (the pit to come, the slab's own shortcomings) adds 45 s and 2 % [estimate, set by
    the coverage check]. One in ten members may be inf (not there within the horizon) and counts as
    the horizon; with more, high is inf, the middle the median, inf when half of them are, and low comes from
    those that get there, which is too early rather than too late.
    """
    offset = 300.0
    finite = [t for t in times_s if t < math.inf]
    never = len(times_s) - len(finite)
    if len(finite) < 2:
        return math.inf, math.inf, math.inf
    if never <= len(times_s) // 10:
        finite, never = [min(t, HORIZON_S) for t in times_s], 0
    mean, sd = spread([math.log(t + offset) for t in finite])
    middle = math.exp(mean) - offset
    shared_s = 45.0 + 0.02 * max(0.0, middle)
    sd = math.sqrt(sd * sd + (shared_s / (middle + offset)) ** 2)
    low, high = max(0.0, math.exp(mean - Z90 * sd) - offset), math.exp(mean + Z90 * sd) - offset
    if never:
        middle, high = sorted(times_s)[len(times_s) // 2], math.inf
    return low, max(0.0, middle), high
