"""Weather as a function of time alone: the same seed gives the same wind, second by second.

Gusts are a sum of sines with random phases whose variance follows the Kaimal shape of the longitudinal
wind spectrum, n S(n) = 105 f / (1 + 33 f)^(5/3), f = n z / u (Kaimal et al. 1972, from memory), for
periods of 4 s to 20 min at z = 10 m.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

_TONES = 14


@dataclass(frozen=True, slots=True)
class Weather:
    """What the sky does during one cook.

    wind_m_per_s: mean at 10 m. gust_frac: turbulence intensity, standard deviation / mean.
    ambient_c: at the start; ambient_drift_c_per_h: change since. rain_mm_per_h: while it rains, from
    rain_from_s for rain_for_s. sun_w_per_m2: on a level surface, when no cloud is in the way.
    cloud_frac: share of the time in shade. humidity_frac: relative, at the start.
    """

    wind_m_per_s: float = 3.0
    gust_frac: float = 0.25
    ambient_c: float = 9.0
    ambient_drift_c_per_h: float = 0.0
    rain_mm_per_h: float = 0.0
    rain_from_s: float = 0.0
    rain_for_s: float = math.inf
    sun_w_per_m2: float = 0.0
    cloud_frac: float = 0.3
    humidity_frac: float = 0.7
    seed: int = 0
    _tones: tuple[tuple[float, float, float], ...] = field(init=False, repr=False, compare=False)
    _clouds: tuple[tuple[float, float], ...] = field(init=False, repr=False, compare=False)
    _humidity: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        rng = random.Random(f"weather {self.seed}")
        mean = max(self.wind_m_per_s, 0.5)
        lowest, highest = 1.0 / 1200.0, 0.25
        ratio = (highest / lowest) ** (1.0 / _TONES)
        shares: list[tuple[float, float]] = []
        for k in range(_TONES):
            hertz = lowest * ratio ** (k + rng.random())
            reduced = hertz * 10.0 / mean
            shares.append((hertz, reduced / (1.0 + 33.0 * reduced) ** (5.0 / 3.0)))
        total = sum(share for _, share in shares)
        sigma = self.gust_frac * self.wind_m_per_s
        tones = tuple(
            (sigma * math.sqrt(2.0 * share / total), 2.0 * math.pi * hertz, rng.uniform(0.0, 2.0 * math.pi))
            for hertz, share in shares
        )
        clouds = tuple((2.0 * math.pi / rng.uniform(300.0, 2400.0), rng.uniform(0.0, 6.28)) for _ in range(3))
        sat_pa = 610.94 * math.exp(17.625 * self.ambient_c / (self.ambient_c + 243.04))
        vapour_pa = self.humidity_frac * sat_pa
        object.__setattr__(self, "_tones", tones)
        object.__setattr__(self, "_clouds", clouds)
        object.__setattr__(self, "_humidity", 0.622 * vapour_pa / (101325.0 - vapour_pa))

    def at(self, time_s: float) -> tuple[float, float, float, float, float]:
        """(ambient in K, wind in m/s, rain in kg/m2s, sun in W/m2, kg water per kg air) at `time_s`."""
        wind = self.wind_m_per_s
        sin = math.sin
        for size, speed, phase in self._tones:
            wind += size * sin(speed * time_s + phase)
        rain = 0.0
        if self.rain_mm_per_h > 0.0 and 0.0 <= time_s - self.rain_from_s < self.rain_for_s:
            rain = self.rain_mm_per_h / 3600.0
        sun = self.sun_w_per_m2
        if sun > 0.0 and self.cloud_frac > 0.0:
            shade = sum(sin(speed * time_s + phase) for speed, phase in self._clouds) / 3.0
            # the sum of three sines stays under cos(pi c) of its range about the share c of the time
            sun *= 0.25 + 0.75 / (1.0 + math.exp(-12.0 * (shade + 0.6 * math.cos(math.pi * self.cloud_frac))))
        ambient_k = 273.15 + self.ambient_c + self.ambient_drift_c_per_h * time_s / 3600.0
        return ambient_k, wind if wind > 0.0 else 0.0, rain, sun, self._humidity


CALM = Weather(wind_m_per_s=0.5, gust_frac=0.3)
BREEZE = Weather()
