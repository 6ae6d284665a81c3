"""The simulated kettle: state, vents, probes and weather around the equations.

Owns one cook's state and its seeded noise; follows coalminder.seams.Grill. No clock: time passes only
through `advance`.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from coalminder.grill import equations
from coalminder.grill.actuators import servo_move, vent_area_frac
from coalminder.grill.equations import OXYGEN_AIR, REFERENCE_K, SIZE, derivatives, midpoint
from coalminder.grill.parameters import Fittings, KettleParameters
from coalminder.grill.weather import BREEZE, Weather

STEP_S = 1.0
STEP_LID_OFF_S = 0.25
ZERO_C = 273.15
LIT_COLD, LIT_BURNING = 0.12, 0.35  # share of the charcoal that glows at the start
_INDEX = {name: i for i, name in enumerate(equations.STATES)}


@dataclass(frozen=True, slots=True)
class KettleState:
    """All that changes in a kettle: give it back to `Kettle.restore` to go on from there."""

    y: tuple[float, ...]
    time_s: float
    lower: float
    upper: float
    lid_open: bool
    noise: tuple[float, ...]
    rng: tuple[object, ...]


class Kettle:
    """A charcoal kettle to tend. All temperatures in °C; `lower`, `upper` are servo positions 0..1.

    Methods without `true_` show what probes show: late and noisy. Same arguments and same calls give the
    same cook.
    """

    def __init__(
        self,
        parameters: KettleParameters | None = None,
        fittings: Fittings | None = None,
        weather: Weather = BREEZE,
        *,
        charcoal_kg: float = 1.2,
        lit_frac: float | None = None,
        charcoal_moisture: float = 0.05,
        pit_c: float | None = None,
        seed: int = 0,
    ) -> None:
        """Lay `charcoal_kg` (as weighed, wet basis moisture), `lit_frac` of it glowing, lid on.

        pit_c: None starts with cold steel; a number starts in the middle of a cook at about that pit.
        lit_frac: None is LIT_COLD or LIT_BURNING, by that.
        """
        if lit_frac is None:
            lit_frac = LIT_COLD if pit_c is None else LIT_BURNING
        self.parameters = parameters if parameters is not None else KettleParameters()
        self.fittings = fittings if fittings is not None else Fittings()
        self.weather = weather
        self.time_s = 0.0
        self.lower = 0.0
        self.upper = 0.0 if self.fittings.upper_fixed is None else self.fittings.upper_fixed
        self.lid_open = False
        self._p = self.parameters.flat()
        self._rng = random.Random(f"kettle {seed}")
        self._noise: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
        self._y = _first_state(
            self.parameters, weather.at(0.0), charcoal_kg, lit_frac, charcoal_moisture, pit_c
        )
        self._half = list(self._y)

    # ---- the Grill protocol

    def advance(self, seconds: float, lower: float, upper: float, lid_open: bool = False) -> None:
        """Let `seconds` (>= 0) pass with these servo commands, in steps of 1 s (0.25 s with the lid off)."""
        self.lid_open = lid_open
        left = seconds
        while left > 1e-9:
            step_s = min(STEP_S, left)
            self._step(step_s, lower, upper)
            left -= step_s

    def pit_c(self) -> float:
        """The pit as its probe shows it."""
        return self._y[21] - ZERO_C + self._noise[0]

    def core_c(self) -> float:
        """The core of the food as its probe shows it; the air outside while there is no food."""
        return self._y[24] - ZERO_C + self._noise[3]

    def add_wood(self, kg: float, moisture: float = 0.2) -> None:
        """Lay `kg` of wood on the coals; `moisture` is a wet-basis fraction 0..1."""
        self._y[4] += kg * (1.0 - moisture)
        self._y[5] += kg * moisture

    def add_charcoal(self, kg: float, lit: bool = False, moisture: float = 0.05) -> None:
        """Lay `kg` of charcoal on the bed, cold or glowing from a chimney starter."""
        dry = kg * (1.0 - moisture)
        heat = self.parameters.coal_capacity_j_per_kgk
        if lit:
            self._y[0] += dry
            self._y[6] += dry * heat * (950.0 - REFERENCE_K)
        else:
            self._y[1] += dry
            self._y[2] += kg * moisture
            self._y[7] += dry * heat * (self.weather.at(self.time_s)[0] - REFERENCE_K)

    # ---- more than the protocol asks

    def add_food(self, kg: float, temp_c: float = 5.0) -> None:
        """Lay `kg` of food of the parameters' thickness on the grate; replaces what lay there."""
        self._y[12:16] = [temp_c + ZERO_C] * 4
        self._y[16] = kg
        self._y[17] = 0.0
        self._y[24] = temp_c + ZERO_C

    def stir(self) -> None:
        """Knock the ash off the coals and out of the bowl, as a cook does with the ash sweeper."""
        self._y[3] *= 0.2

    def pit_2_c(self) -> float:
        """The second pit probe, nearer the coals."""
        return self._y[22] - ZERO_C + self._noise[1]

    def dome_c(self) -> float:
        """The dome probe: slower."""
        return self._y[23] - ZERO_C + self._noise[2]

    def ambient_c(self) -> float:
        """The air outside."""
        return self.weather.at(self.time_s)[0] - ZERO_C

    @property
    def true_pit_c(self) -> float:
        """The pit without probe lag or noise."""
        gas, lid, bowl = self._y[8:11]
        wall = bowl if self.lid_open else 0.5 * (lid + bowl)
        return wall + self.parameters.pit_frac * (gas - wall) - ZERO_C

    @property
    def true_core_c(self) -> float:
        """The food's core without probe lag or noise; the air outside while there is no food."""
        return self._y[15] - ZERO_C if self._y[16] > 0.0 else self.ambient_c()

    @property
    def bed_c(self) -> float:
        """The glowing coals."""
        y, p = self._y, self.parameters
        return (
            REFERENCE_K
            + y[6] / (p.lit_capacity_j_per_k + p.coal_capacity_j_per_kgk * max(y[0], 0.0))
            - ZERO_C
        )

    @property
    def fuel_kg(self) -> float:
        """Dry charcoal left, lit and unlit."""
        return max(self._y[0], 0.0) + max(self._y[1], 0.0)

    @property
    def lit_kg(self) -> float:
        """Dry charcoal that glows."""
        return max(self._y[0], 0.0)

    @property
    def burnt_kg(self) -> float:
        """Dry charcoal burnt since the start."""
        return self._y[41]

    @property
    def alive(self) -> bool:
        """Something glows that more air can bring back."""
        return self._y[0] > 0.004 and self.bed_c > 300.0

    @property
    def oxygen_frac(self) -> float:
        """Oxygen in the chamber, mass fraction (air 0.2314)."""
        return self._y[18] / self.parameters.gas_kg

    def value(self, name: str) -> float:
        """One state or book by its name in equations.STATES."""
        return self._y[_INDEX[name]]

    @property
    def state(self) -> KettleState:
        """A copy of all that changes."""
        return KettleState(
            tuple(self._y),
            self.time_s,
            self.lower,
            self.upper,
            self.lid_open,
            self._noise,
            self._rng.getstate(),
        )

    def restore(self, state: KettleState) -> None:
        """Go back to `state`."""
        self._y = list(state.y)
        self.time_s, self.lower, self.upper = state.time_s, state.lower, state.upper
        self.lid_open, self._noise = state.lid_open, state.noise
        self._rng.setstate(state.rng)

    def inputs(self, time_s: float) -> tuple[float, ...]:
        """`u` of the equations at `time_s` with the vents and the lid as they stand."""
        f = self.fittings
        return (
            f.lower_m2 * vent_area_frac(self.lower, f.lower_dead_frac, f.lower_shape, f.lower_ease),
            f.upper_m2 * vent_area_frac(self.upper, f.upper_dead_frac, f.upper_shape, f.upper_ease),
            1.0 if self.lid_open else 0.0,
            *self.weather.at(time_s),
        )

    def _step(self, step_s: float, lower: float, upper: float) -> None:
        f = self.fittings
        self.lower = servo_move(
            self.lower, lower, step_s, f.servo_strokes_per_s, f.backlash_frac, f.stiction_frac
        )
        if f.upper_fixed is None:
            self.upper = servo_move(
                self.upper, upper, step_s, f.servo_strokes_per_s, f.backlash_frac, f.stiction_frac
            )
        parts = max(1, round(step_s / STEP_LID_OFF_S)) if self.lid_open else 1
        u = self.inputs(self.time_s + 0.5 * step_s)
        for _ in range(parts):
            midpoint(derivatives, self._y, self._half, self._p, u, step_s / parts)
        self.time_s += step_s
        gauss = self._rng.gauss
        self._noise = (
            f.pit_noise_c * gauss(0.0, 1.0),
            f.pit_noise_c * gauss(0.0, 1.0),
            f.dome_noise_c * gauss(0.0, 1.0),
            f.food_noise_c * gauss(0.0, 1.0),
        )


def _first_state(
    p: KettleParameters,
    air: tuple[float, float, float, float, float],
    charcoal_kg: float,
    lit_frac: float,
    moisture: float,
    pit_c: float | None,
) -> list[float]:
    ambient_k, humidity = air[0], air[4]
    dry = charcoal_kg * (1.0 - moisture)
    lit, unlit = dry * lit_frac, dry * (1.0 - lit_frac)
    y = [0.0] * SIZE
    y[0], y[1] = lit, unlit
    y[2] = unlit * moisture / (1.0 - moisture)
    gas_k, lit_k, unlit_k, wall_k = ambient_k, 720.0, ambient_k, ambient_k
    oxygen, vapour = OXYGEN_AIR, humidity
    if pit_c is not None:
        wall_k = ambient_k + 0.6 * (pit_c + ZERO_C - ambient_k)
        gas_k = wall_k + (pit_c + ZERO_C - wall_k) / p.pit_frac
        lit_k, unlit_k, oxygen, vapour = 800.0, gas_k + 60.0, 0.09, humidity + 0.01
    y[6] = (p.lit_capacity_j_per_k + p.coal_capacity_j_per_kgk * lit) * (lit_k - REFERENCE_K)
    y[7] = (p.unlit_capacity_j_per_k + p.coal_capacity_j_per_kgk * unlit) * (unlit_k - REFERENCE_K)
    y[8], y[9], y[10], y[11] = gas_k, wall_k, wall_k, gas_k
    y[12:16] = [278.15] * 4
    y[18], y[19], y[20] = oxygen * p.gas_kg, equations.CO2_AIR * p.gas_kg, vapour * p.gas_kg
    y[21] = y[22] = wall_k + p.pit_frac * (gas_k - wall_k)
    y[23] = gas_k
    y[24] = ambient_k
    return y
