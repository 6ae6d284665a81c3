"""An independent peer of the food's model: the exact series of a plane wall, and a slab of many cells.

x runs from the middle (adiabatic, by symmetry) to the heated surface; `half_m` is half the thickness.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from coalminder.food.composition import Thermal


def wall_eigenvalues(biot: float, count: int) -> list[float]:
    """First `count` roots of zeta tan(zeta) = Bi (Incropera ch. 5.5), Bi > 0."""
    roots = []
    for n in range(count):
        low, high = n * math.pi, (n + 0.5) * math.pi
        for _ in range(80):
            middle = 0.5 * (low + high)
            # zeta sin - Bi cos keeps one sign change in the bracket and has no pole.
            if (middle * math.sin(middle) - biot * math.cos(middle)) * (-1) ** n < 0.0:
                low = middle
            else:
                high = middle
        roots.append(0.5 * (low + high))
    return roots


def wall_first_term(biot: float) -> tuple[float, float]:
    """(zeta1, C1) of the one-term solution, valid for Fo > 0.2."""
    zeta = wall_eigenvalues(biot, 1)[0]
    return zeta, 4.0 * math.sin(zeta) / (2.0 * zeta + math.sin(2.0 * zeta))


def wall_exact_c(
    biot: float, fourier: float, start_c: float, air_c: float, place: float = 0.0, count: int = 60
) -> float:
    """Temperature at x/L = `place` (0 middle, 1 surface) of a slab put into air at `air_c` with film h."""
    total = 0.0
    for zeta in wall_eigenvalues(biot, count):
        factor = 4.0 * math.sin(zeta) / (2.0 * zeta + math.sin(2.0 * zeta))
        total += factor * math.exp(-zeta * zeta * fourier) * math.cos(zeta * place)
    return air_c + (start_c - air_c) * total


@dataclass(frozen=True, slots=True)
class Slab:
    """A half slab cut into equal cells, middle first; temps_c are the cell means."""

    half_m: float
    thermal: Thermal
    temps_c: tuple[float, ...]

    @property
    def cell_m(self) -> float:
        """Width of a cell."""
        return self.half_m / len(self.temps_c)


def uniform_slab(half_m: float, thermal: Thermal, temp_c: float, cells: int = 20) -> Slab:
    """A slab of one temperature; `cells` >= 2."""
    return Slab(half_m, thermal, (temp_c,) * cells)


def surface_c(slab: Slab, film_w_m2k: float, air_c: float, sink_w_m2: float = 0.0) -> float:
    """Surface temperature: film and outer half cell in series, with `sink_w_m2` taken at the surface."""
    inside = 2.0 * slab.thermal.conductivity_w_mk / slab.cell_m
    return (inside * slab.temps_c[-1] + film_w_m2k * air_c - sink_w_m2) / (inside + film_w_m2k)


def core_c(slab: Slab) -> float:
    """Temperature at the mid-plane: the parabola through the two inner cells with zero slope there."""
    return slab.temps_c[0] - (slab.temps_c[1] - slab.temps_c[0]) / 8.0


def step_slab(
    slab: Slab,
    dt_s: float,
    film_w_m2k: float,
    air_c: float,
    sink: Callable[[float], float] | None = None,
) -> Slab:
    """One Crank-Nicolson step of `dt_s` in air at `air_c`; second order in space and time.

    `sink(surface_c)` is the evaporative flux in W/m2, taken at the old surface temperature.
    """
    cells = len(slab.temps_c)
    dx, k = slab.cell_m, slab.thermal.conductivity_w_mk
    capacity = slab.thermal.density_kg_m3 * slab.thermal.cp_j_kgk * dx
    between = k / dx
    inside = 2.0 * k / dx
    outer = inside * film_w_m2k / (inside + film_w_m2k)
    loss = 0.0
    if sink is not None:
        flux = sink(surface_c(slab, film_w_m2k, air_c))
        flux = sink(surface_c(slab, film_w_m2k, air_c, flux))
        loss = flux * inside / (inside + film_w_m2k)
    r = 0.5 * dt_s / capacity
    old = slab.temps_c
    right = []
    for i, t in enumerate(old):
        flow = 0.0
        if i > 0:
            flow += between * (old[i - 1] - t)
        flow += between * (old[i + 1] - t) if i < cells - 1 else outer * (air_c - t)
        right.append(t + r * flow)
    right[-1] += r * outer * air_c - 2.0 * r * loss
    # Thomas algorithm: the matrix is symmetric with off-diagonals -r between.
    off = -r * between
    upper: list[float] = []
    for i in range(cells):
        diagonal = 1.0 + r * between * ((i > 0) + (i < cells - 1)) + (r * outer if i == cells - 1 else 0.0)
        if i == 0:
            pivot = diagonal
        else:
            pivot = diagonal - off * upper[i - 1]
            right[i] -= off * right[i - 1]
        right[i] /= pivot
        upper.append(off / pivot)
    for i in range(cells - 2, -1, -1):
        right[i] -= upper[i] * right[i + 1]
    return Slab(slab.half_m, slab.thermal, tuple(right))
