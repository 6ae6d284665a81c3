"""A grill that shares nothing with the simulated kettle of the package: other fire, other vents, other lags.

Stands for 'somebody else's grill' at the public seam. A crude two-body model: coals with a lit mass that
spreads and starves, a pit that follows the heat through a wall. Invented figures.
"""

from __future__ import annotations

import math
import random


class ForeignGrill:
    """Satisfies coalminder.seams.Grill without importing it."""

    def __init__(
        self,
        *,
        ambient_c: float = 12.0,
        leak: float = 0.02,
        vent_power: float = 1.0,
        air_gain: float = 1.0,
        loss_w_per_k: float = 8.0,
        wall_j_per_k: float = 6500.0,
        dead_s: int = 25,
        noise_c: float = 0.3,
        fuel_kg: float = 1.5,
        gust: float = 0.15,
        room_kg: float = 0.0,
        seed: int = 1,
    ) -> None:
        self.fuel_kg = fuel_kg
        self._p = dict(  # noqa: C408
            ambient=ambient_c, leak=leak, power=vent_power, air=air_gain, loss=loss_w_per_k, wall=wall_j_per_k
        )
        self._rng = random.Random(seed)
        self._noise_c, self._gust_size = noise_c, gust
        self._lit_kg, self._glow = 0.15, 0.6
        self._gas_c = self._wall_c = ambient_c
        self._core = [4.0, 4.0]
        self._delay = [0.0] * max(dead_s, 1)
        self._gust = 0.0
        self._shown_c = ambient_c
        self._wood_kg = 0.0
        self._room_g, self._fresh_g = 1000.0 * room_kg, 0.0

    @property
    def true_pit_c(self) -> float:
        """The pit without the probe's noise."""
        return self._shown_c

    @property
    def alive(self) -> bool:
        return self._lit_kg > 0.004

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        left = seconds
        while left > 1e-9:
            dt = min(1.0, left)
            self._second(dt, lower, upper, lid_open)
            left -= dt

    def _second(self, dt: float, lower: float, upper: float, lid_open: bool) -> None:
        p = self._p
        self._gust += dt * (-self._gust / 20.0) + self._gust_size * math.sqrt(dt / 10.0) * self._rng.gauss(
            0.0, 1.0
        )
        area = min(lower ** p["power"], 1.6 * upper ** p["power"]) + p["leak"]
        stack = math.sqrt(max(self._gas_c - p["ambient"], 3.0) / 100.0)
        air_g_s = 1.9 * p["air"] * area * stack * max(1.0 + self._gust, 0.2)
        if lid_open:
            air_g_s += 1.2
            self._fresh_g = self._room_g
        air_g_s += self._fresh_g / 10.0  # what is fresh in the room under the lid, mixed in 10 s
        want_g_s = 8.0 * self._lit_kg * (0.3 + 0.7 * self._glow)  # air the lit coals could use
        self._fresh_g = max(self._fresh_g - dt * min(self._fresh_g / 10.0, want_g_s), 0.0)
        fed = min(air_g_s / max(want_g_s, 1e-9), 1.5)
        self._glow += dt / 180.0 * (min(fed, 1.0) - self._glow)
        heat = min(air_g_s, want_g_s) * 2600.0
        burnt = heat * dt / 28e6
        growth = self._lit_kg * (0.0012 * (fed - 0.2) if self._glow > 0.12 else -0.003)
        self._lit_kg = max(min(self._lit_kg + dt * growth - burnt, self.fuel_kg), 0.0)
        self.fuel_kg = max(self.fuel_kg - burnt, 0.0)
        self._wood_kg = max(self._wood_kg - dt * 2.5e-5, 0.0)
        if self._wood_kg:
            heat += 120.0
        self._delay.append(heat)
        heat = self._delay.pop(0)
        to_wall = 14.0 * (self._gas_c - self._wall_c)
        escape = 45.0 * (self._gas_c - p["ambient"]) if lid_open else 0.0
        self._gas_c += dt * (heat - to_wall - escape) / 2500.0
        self._wall_c += dt * (to_wall - p["loss"] * (self._wall_c - p["ambient"])) / p["wall"]
        surface, core = self._core
        self._core = [
            surface + dt * ((self._gas_c - surface) / 900.0 - (surface - core) / 700.0),
            core + dt * (surface - core) / 900.0,
        ]
        self._shown_c += dt * (self._gas_c - self._shown_c) / 18.0

    def pit_c(self) -> float:
        return self._shown_c + self._rng.gauss(0.0, self._noise_c)

    def core_c(self) -> float:
        return self._core[1]

    def add_wood(self, kg: float, moisture: float = 0.2) -> None:
        self._wood_kg += kg

    def add_charcoal(self, kg: float, lit: bool = False) -> None:
        self.fuel_kg += kg
        if lit:
            self._lit_kg += kg


def grill(**arguments: float) -> ForeignGrill:
    """Factory for `rehearse --grill`."""
    return ForeignGrill(**arguments)  # type: ignore[arg-type]


OTHER_MAKING: dict[str, dict[str, float]] = {
    "as it is": {},
    "dead time 1 min": {"dead_s": 60},
    "dead time 2 min": {"dead_s": 120},
    "three times the air": {"air_gain": 3.0, "leak": 0.01},
    "leaky": {"leak": 0.05},
    "tight": {"leak": 0.005},
    "square vent": {"vent_power": 2.0},
    "square-root vent": {"vent_power": 0.6, "leak": 0.01},
    "light walls": {"wall_j_per_k": 3000.0, "dead_s": 60},
    "heavy walls": {"wall_j_per_k": 15000.0},
    "gusts": {"gust": 0.4},
    "noisy probe": {"noise_c": 2.0},
    "square-root vent, dead time 1 min": {"vent_power": 0.6, "leak": 0.01, "dead_s": 60},
    "three times the air, dead time 45 s": {"air_gain": 3.0, "leak": 0.01, "dead_s": 45},
    "tight, dead time 45 s, gusts": {"leak": 0.005, "dead_s": 45, "gust": 0.3},
}
