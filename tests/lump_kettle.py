"""A kettle whose bed keeps its heat: glowing lumps that burn at their surface, a chamber with its own oxygen.

Another grill at the public seam, of another making than the package's and than `foreign_grill`: lit with all
its lumps aglow, it goes on warming the pit for ten minutes under shut vents, and its coals die where they
stay without air for much longer. Invented figures.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

STEFAN_BOLTZMANN = 5.67e-8  # W/(m2 K4)
CARBON_J_PER_KG = 32.8e6
ZERO_C = 273.15


@dataclass(frozen=True)
class Lumps:
    """One kettle. Vents and leak as areas; `power`, `dead_frac`: the lower plate's own curve."""

    ambient_c: float
    lower_m2: float
    upper_m2: float
    leak_m2: float
    power: float
    dead_frac: float
    stack_m: float
    wind_m_per_s: float
    lit_kg: float
    fresh_kg: float
    lump_m: float
    film_m_per_s: float
    kinetic_k: float
    spread_per_s: float
    dies_at_k: float
    lid_j_per_k: float
    bowl_j_per_k: float
    inside_w_per_m2k: float
    outside_w_per_m2k: float
    room_m3: float = 0.08
    skin_m2: float = 0.95
    probe_s: float = 20.0
    noise_c: float = 0.3


class LumpKettle:
    """Satisfies coalminder.seams.Grill without importing it; nobody lifts its lid or lays anything on."""

    def __init__(self, lumps: Lumps, seed: int = 1) -> None:
        self._of, self._rng = lumps, random.Random(seed)
        air_k = lumps.ambient_c + ZERO_C
        self._lit_kg, self._fresh_kg, self._ash_kg = lumps.lit_kg, lumps.fresh_kg, 0.0
        self._bed_k = 900.0
        self._gas_k = self._lid_k = self._bowl_k = air_k
        self._oxygen = 0.232
        self._gust = 0.0
        self._shown_c = lumps.ambient_c

    @property
    def alive(self) -> bool:
        return self._lit_kg > 0.008 and self._bed_k > self._of.dies_at_k - 40.0

    @property
    def fuel_kg(self) -> float:
        return self._lit_kg + self._fresh_kg

    def pit_c(self) -> float:
        return self._shown_c + self._rng.gauss(0.0, self._of.noise_c)

    def core_c(self) -> float:
        return self._of.ambient_c

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        for _ in range(round(2.0 * seconds)):
            self._half_second(lower, upper)

    def _half_second(self, lower: float, upper: float) -> None:
        of, dt = self._of, 0.5
        air_k = of.ambient_c + ZERO_C
        self._gust += -self._gust * dt / 20.0 + 0.08 * math.sqrt(dt) * self._rng.gauss(0.0, 1.0)
        wind = max(of.wind_m_per_s * (1.0 + self._gust), 0.0)
        flow = self._draught_kg_s(lower, upper, wind)
        burnt = self._burn_kg_s(flow, dt)
        heat = burnt * CARBON_J_PER_KG * 0.9
        area = 1.5 * self._lit_kg / (250.0 * of.lump_m)
        skin = 0.5 * (self._lid_k**4 + self._bowl_k**4)
        radiated = 0.5 * STEFAN_BOLTZMANN * min(area, 0.02 + 0.07 * area) * (self._bed_k**4 - skin)
        to_gas = 10.0 * min(area, 0.12) * (self._bed_k - self._gas_k)
        warming = self._spread_w(dt)
        bed_j_per_k = 1500.0 * max(self._lit_kg, 0.02) + 2200.0
        self._bed_k += dt * (0.85 * heat - radiated - to_gas - warming) / bed_j_per_k
        half = 0.5 * of.skin_m2
        to_lid = of.inside_w_per_m2k * half * (self._gas_k - self._lid_k)
        to_bowl = of.inside_w_per_m2k * half * (self._gas_k - self._bowl_k)
        leaves = 1010.0 * flow * (self._gas_k - air_k)
        gas_j_per_k = 1010.0 * 353.0 / self._gas_k * of.room_m3 + 800.0
        self._gas_k += dt * (0.15 * heat + to_gas - to_lid - to_bowl - leaves) / gas_j_per_k
        self._lid_k += dt * (to_lid + 0.45 * radiated - self._lost_w(self._lid_k, wind)) / of.lid_j_per_k
        self._bowl_k += dt * (to_bowl + 0.55 * radiated - self._lost_w(self._bowl_k, wind)) / of.bowl_j_per_k
        near_k = 0.01 * (self._bed_k - self._gas_k)  # the probe sees the coals a little
        self._shown_c += dt * (self._gas_k + near_k - ZERO_C - self._shown_c) / of.probe_s

    def _draught_kg_s(self, lower: float, upper: float, wind_m_per_s: float) -> float:
        of = self._of
        air_k = of.ambient_c + ZERO_C
        density = 353.0 / air_k
        stack_pa = density * 9.81 * of.stack_m * max(1.0 - air_k / self._gas_k, 0.0)
        wind_pa = 0.015 * density * wind_m_per_s**2
        open_frac = max((lower - of.dead_frac) / (1.0 - of.dead_frac), 0.0) ** of.power
        low, up = of.lower_m2 * open_frac, of.upper_m2 * upper
        through = low * up / math.hypot(low, up) if low > 0.0 and up > 0.0 else 0.0
        return 0.6 * math.sqrt(2.0 * density * (stack_pa + wind_pa)) * (through + 0.7 * of.leak_m2)

    def _burn_kg_s(self, flow: float, dt: float) -> float:
        """Carbon burnt: film and surface in series (shrinking lumps), no more than the oxygen there is."""
        of = self._of
        ash = 1.0 + 0.02 * self._ash_kg / max(self._lit_kg, 0.01)
        rate = 1.0 / (ash / of.film_m_per_s + 1.0 / (3.5e5 * math.exp(-of.kinetic_k / self._bed_k)))
        area = 1.5 * self._lit_kg / (250.0 * of.lump_m)
        gas_kg = 353.0 / self._gas_k * of.room_m3
        there = (flow + 0.5 * gas_kg) * self._oxygen / 2.4
        burnt = min(0.13 * area * rate * self._oxygen, there)
        self._oxygen += dt * (flow * (0.232 - self._oxygen) - 2.5 * burnt) / gas_kg
        self._oxygen = min(max(self._oxygen, 0.0), 0.232)
        self._lit_kg -= burnt * dt
        self._ash_kg += 0.04 * burnt * dt
        return burnt

    def _spread_w(self, dt: float) -> float:
        """Lumps that catch or go out; the heat that those which catch take, W."""
        over_k = self._bed_k - self._of.dies_at_k
        if over_k < 0.0:
            out_kg = 3e-4 * self._lit_kg * dt * min(-over_k / 60.0, 3.0)
            self._lit_kg, self._fresh_kg = self._lit_kg - out_kg, self._fresh_kg + out_kg
            return 0.0
        share = self._fresh_kg / (self._fresh_kg + self._lit_kg + 0.2)
        caught_kg = (
            self._of.spread_per_s * self._lit_kg * min(max(over_k - 60.0, 0.0) / 150.0, 1.5) * share * dt
        )
        self._lit_kg, self._fresh_kg = self._lit_kg + caught_kg, self._fresh_kg - caught_kg
        return 4.5e5 * caught_kg / dt

    def _lost_w(self, skin_k: float, wind_m_per_s: float) -> float:
        of = self._of
        air_k = of.ambient_c + ZERO_C
        film = of.outside_w_per_m2k + 3.75 * math.sqrt(wind_m_per_s)
        half = 0.5 * of.skin_m2
        return half * (film * (skin_k - air_k) + 0.75 * STEFAN_BOLTZMANN * (skin_k**4 - air_k**4))


KETTLES: dict[str, Lumps] = {
    "round holes, light lid": Lumps(
        12.0, 4.3e-3, 5.5e-3, 4.4e-5, 1.5, 0.0, 0.40, 0.2, 0.27, 1.36, 0.026, 0.16, 7100.0,
        5.5e-4, 647.0, 1060.0, 7000.0, 5.2, 11.8, probe_s=26.0, noise_c=0.6,
    ),
    "slots, coals that die early": Lumps(
        18.0, 6.9e-3, 3.3e-3, 7.7e-5, 1.0, 0.0, 0.53, 1.2, 0.22, 1.61, 0.016, 0.094, 10900.0,
        1.4e-3, 727.0, 3140.0, 2110.0, 6.0, 6.9, room_m3=0.057, probe_s=8.0, noise_c=0.5,
    ),
    "round holes, light all over": Lumps(
        9.0, 3.9e-3, 3.8e-3, 5.7e-5, 1.5, 0.0, 0.26, 0.2, 0.34, 1.39, 0.021, 0.23, 11000.0,
        9.4e-4, 703.0, 980.0, 1800.0, 12.1, 9.4, room_m3=0.068, probe_s=45.0, noise_c=0.1,
    ),
    "slots, shut over the first tenth": Lumps(
        28.0, 7.4e-3, 2.1e-3, 1.8e-5, 1.0, 0.1, 0.50, 1.0, 0.34, 1.38, 0.021, 0.11, 7160.0,
        8.4e-4, 673.0, 1870.0, 2810.0, 13.9, 11.5, probe_s=16.0, noise_c=0.1,
    ),
}  # fmt: skip
