"""NTC thermistors: the Steinhart-Hart equation and the divider that turns resistance into a ratio. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from math import cbrt, exp, inf, log, sqrt

from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

ZERO_C_K = 273.15
LEAST_R25_OHM, GREATEST_R25_OHM = 100.0, 5e6  # r25_ohm of the settings has the same


@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """1/T = a + b·ln R + c·(ln R)³, T in K, R in Ω (Steinhart & Hart, Deep-Sea Research 15, 1968)."""

    a: float
    b: float
    c: float

    def temp_c(self, ohm: float) -> float:
        """Temperature in °C. ValueError when the curve gives none (R <= 0, or far outside its points)."""
        if not ohm > 0.0:
            raise ValueError("resistance must be above 0")
        x = log(ohm)
        inverse_k = self.a + self.b * x + self.c * x**3
        if not inverse_k > 1e-4:  # hotter than 10 000 K: the polynomial has left its points
            raise ValueError(f"{ohm:g} Ω is outside the curve of this thermistor")
        return 1.0 / inverse_k - ZERO_C_K

    def resistance_ohm(self, temp_c: float) -> float:
        """Resistance in Ω at `temp_c`: the cubic in ln R, solved in closed form (Cardano)."""
        wanted = 1.0 / (temp_c + ZERO_C_K)
        if self.c == 0.0:
            return exp((wanted - self.a) / self.b)
        half = (self.a - wanted) / (2.0 * self.c)
        root = sqrt((self.b / (3.0 * self.c)) ** 3 + half**2)
        return exp(cbrt(root - half) - cbrt(root + half))


def from_beta(beta_k: float, r25_ohm: float) -> SteinhartHart:
    """The curve R = r25·exp(beta·(1/T - 1/298.15)), written as Steinhart-Hart with c = 0."""
    return SteinhartHart(1.0 / (25.0 + ZERO_C_K) - log(r25_ohm) / beta_k, 1.0 / beta_k, 0.0)


def from_points(points: tuple[tuple[float, float], ...]) -> SteinhartHart:
    """The curve through three (temp in °C, resistance in Ω) points. ValueError when there is none.

    Three equations, linear in a, b, c, solved by divided differences.
    """
    if len(points) != 3:
        raise ValueError("three points are needed")
    if not all(temp_c > -ZERO_C_K and 0.0 < ohm < inf for temp_c, ohm in points):
        raise ValueError("every point needs a temperature above -273.15 °C and a resistance above 0 Ω")
    (x1, y1), (x2, y2), (x3, y3) = ((log(ohm), 1.0 / (temp_c + ZERO_C_K)) for temp_c, ohm in points)
    if len({x1, x2, x3}) < 3:
        raise ValueError("the three resistances must differ")
    slope_2, slope_3 = (y2 - y1) / (x2 - x1), (y3 - y1) / (x3 - x1)
    total = x1 + x2 + x3
    if total == 0.0:
        raise ValueError("the resistances are those of no thermistor; write them in Ω")
    c = (slope_3 - slope_2) / (x3 - x2) / total
    b = slope_2 - c * (x1 * x1 + x1 * x2 + x2 * x2)
    a = y1 - (b + c * x1 * x1) * x1
    curve = SteinhartHart(a, b, c)
    if b <= 0.0 or c < 0.0 or min(b + 3.0 * c * x * x for x in (x1, x2, x3)) <= 0.0:
        raise ValueError("these points are no NTC thermistor's: measure again, with the probe well stirred")
    return curve


def curve_trouble(curve: SteinhartHart) -> str:
    """Why `curve` is that of no NTC thermistor, in one line; "" when it is one."""
    if not (curve.b > 0.0 and curve.c >= 0.0):  # then 1/T rises with ln R everywhere
        return "the resistance of an NTC thermistor falls as it gets hotter: B must be above 0, C not below 0"
    try:
        ohm = curve.resistance_ohm(25.0)
    except (ValueError, OverflowError):
        ohm = inf
    if not LEAST_R25_OHM <= ohm <= GREATEST_R25_OHM:
        return f"it would have {ohm:.3g} Ω at 25 °C; accepted: {LEAST_R25_OHM:g} to {GREATEST_R25_OHM:g}"
    return ""


@dataclass(frozen=True, slots=True)
class Divider:
    """A thermistor and a fixed resistor in series. `to_ground`: the thermistor is the lower one."""

    curve: SteinhartHart
    series_ohm: float = 10_000.0
    to_ground: bool = True

    def ratio(self, ohm: float) -> float:
        """Divider voltage over supply, 0..1, for a resistance of the thermistor."""
        low_ohm = ohm if self.to_ground else self.series_ohm
        return low_ohm / (ohm + self.series_ohm)

    def resistance_ohm(self, ratio: float) -> float:
        """The thermistor's resistance in Ω; `ratio` strictly between 0 and 1."""
        odds = ratio / (1.0 - ratio)
        return self.series_ohm * (odds if self.to_ground else 1.0 / odds)

    def sample(self, ratio: float, step: float) -> Sample:
        """A reading from divider voltage over supply. `step` is one count of the converter, as a ratio.

        Within two counts of a rail the wire is broken or shorted, not hot or cold.
        """
        at_zero, at_full = ratio < 2.5 * step, ratio > 1.0 - 2.5 * step
        if at_zero or at_full:
            shorted = at_zero if self.to_ground else at_full
            if shorted:
                return ProbeFault(
                    ProbeFaultKind.SHORT, "the thermistor's wires touch; dry the plug, try another probe"
                )
            return ProbeFault(ProbeFaultKind.OPEN, "no thermistor; push the plug home, try another probe")
        try:
            return Reading(self.curve.temp_c(self.resistance_ohm(ratio)))
        except ValueError as error:
            return ProbeFault(ProbeFaultKind.OUT_OF_RANGE, str(error))
