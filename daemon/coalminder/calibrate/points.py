"""From what a probe shows at known temperatures to its correction. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from coalminder.calibrate.water import ICE_C
from coalminder.errors import UserError
from coalminder.probes.thermistor import SteinhartHart, from_points
from coalminder.settings.calibration import ProbeCorrection
from coalminder.units import c_from_f

STEADY_C = 0.3  # a stirred bath holds a probe this still; twice the resolution of the coarsest chip
DRIFT_C_PER_MIN = 0.5
GREATEST_ERROR_C = 10.0  # more is a wrong kind of probe or a wrong configuration, not a calibration error
COLDEST_BATH_C, HOTTEST_BATH_C = -20.0, 150.0  # ice with salt, oil
LEAST_APART_C = 10.0  # from nearer points the curve would go astray at 93 °C (estimate)


@dataclass(frozen=True, slots=True)
class Fit:
    """A correction and its figures before and after, °C."""

    correction: ProbeCorrection
    before: dict[str, float | str]
    after: dict[str, float | str]


def at_ice(shown_c: float, earlier: ProbeCorrection) -> Fit:
    """The correction after a reading in ice water; with an earlier boiling point, through both."""
    return _through(shown_c, earlier.boil_shown_c, earlier.boil_true_c, earlier)


def at_boil(shown_c: float, true_c: float, earlier: ProbeCorrection) -> Fit:
    """The correction after a reading in water boiling at `true_c`; with an ice point, both."""
    return _through(earlier.ice_shown_c, shown_c, true_c, earlier)


def _through(
    ice_shown_c: float | None, boil_shown_c: float | None, boil_true_c: float | None, earlier: ProbeCorrection
) -> Fit:
    gain = 1.0
    if ice_shown_c is not None and boil_shown_c is not None and boil_true_c is not None:
        if boil_shown_c - ice_shown_c < 20.0:
            raise UserError(
                f"ice shows {ice_shown_c:.1f} °C and boiling water {boil_shown_c:.1f} °C: not one "
                "probe, or not these baths; measure both again"
            )
        gain = (boil_true_c - ICE_C) / (boil_shown_c - ice_shown_c)
        offset_c = ICE_C - gain * ice_shown_c
    elif ice_shown_c is not None:
        offset_c = ICE_C - ice_shown_c
    else:
        assert boil_shown_c is not None
        assert boil_true_c is not None
        offset_c = boil_true_c - boil_shown_c
    points = [("ice", ice_shown_c, ICE_C), ("boil", boil_shown_c, boil_true_c)]
    before: dict[str, float | str] = {}
    after: dict[str, float | str] = {}
    for name, shown_c, true_c in points:
        if shown_c is None or true_c is None:
            continue
        if abs(shown_c - true_c) > GREATEST_ERROR_C:
            raise UserError(
                f"the probe shows {shown_c:.1f} °C where {true_c:.1f} °C is true: more than "
                f"{GREATEST_ERROR_C:g} °C is no calibration error; check its kind, and the bath"
            )
        before[f"{name}_error_c"] = round(earlier.gain * shown_c + earlier.offset_c - true_c, 3)
        after[f"{name}_error_c"] = round(gain * shown_c + offset_c - true_c, 3)
    if not 0.8 <= gain <= 1.25:
        raise UserError(f"a gain of {gain:.3f} is no calibration error; measure both baths again")
    correction = ProbeCorrection(
        gain=gain,
        offset_c=offset_c,
        ice_shown_c=ice_shown_c,
        boil_shown_c=boil_shown_c,
        boil_true_c=boil_true_c,
        thermistor=earlier.thermistor,
    )
    return Fit(correction, before, after)


def thermistor(
    points: Sequence[tuple[float, float]],
    old: SteinhartHart,
    earlier: ProbeCorrection,
    configured_c: float = 0.0,
) -> Fit:
    """The Steinhart-Hart curve through three (true °C, Ω) points; replaces any ice or boiling point.

    configured_c: the offset of the configuration, which is added whatever the calibration says.
    """
    try:
        curve = from_points(tuple(points))
    except ValueError as error:
        raise UserError(str(error)) from error
    _refuse_fahrenheit([(true_c, old.temp_c(ohm)) for true_c, ohm in points])
    before: dict[str, float | str] = {}
    after: dict[str, float | str] = {}
    for true_c, ohm in points:
        key = f"error_at_{true_c:.1f}_c"
        before[key] = round(earlier.gain * (old.temp_c(ohm) + configured_c) + earlier.offset_c - true_c, 3)
        after[key] = round(curve.temp_c(ohm) - true_c, 3)
    correction = ProbeCorrection(thermistor=(curve.a, curve.b, curve.c), offset_c=-configured_c)
    return Fit(correction, before, after)


def check_baths(true_c: Sequence[float]) -> None:
    """UserError unless they are three temperatures of baths, °C."""
    if len(true_c) != 3:
        raise UserError(f"--true-c was given {len(true_c)} times; three baths are needed")
    for bath_c in true_c:
        if not COLDEST_BATH_C <= bath_c <= HOTTEST_BATH_C:
            raise UserError(
                f"--true-c {bath_c:g}: {COLDEST_BATH_C:g} to {HOTTEST_BATH_C:g} °C; convert °F first"
            )
    if min(abs(a - b) for a, b in combinations(true_c, 2)) < LEAST_APART_C:
        raise UserError(f"--true-c: the baths must be {LEAST_APART_C:g} K or more apart: ice, lukewarm, hot")


def _refuse_fahrenheit(baths: Sequence[tuple[float, float]]) -> None:
    """Baths told in °F make a thermistor's curve as well as any: food would be called done half raw.

    baths: what each is said to be, and what the curve in force shows there, °C.
    """
    as_told_c = max(abs(shown_c - told) for told, shown_c in baths)
    as_fahrenheit_c = max(abs(shown_c - c_from_f(told)) for told, shown_c in baths)
    if as_told_c > GREATEST_ERROR_C >= as_fahrenheit_c:
        shown = ", ".join(f"{shown_c:.0f}" for _, shown_c in baths)
        raise UserError(f"the probe shows {shown} °C: the baths were told in °F; give --true-c in °C")
