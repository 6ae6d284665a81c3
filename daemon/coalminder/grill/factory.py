"""`kettle(...)`: the factory behind `--grill coalminder.grill:kettle --grill-arg k=v`."""

from __future__ import annotations

import difflib
import math
from dataclasses import fields, replace
from typing import Any

from coalminder.errors import UserError
from coalminder.grill.kettle import Kettle
from coalminder.grill.parameters import Fittings, KettleParameters
from coalminder.grill.weather import Weather

# Skies by name.
SKIES: dict[str, Weather] = {
    "calm": Weather(wind_m_per_s=0.5, gust_frac=0.3),
    "breeze": Weather(),
    "gusty": Weather(wind_m_per_s=6.0, gust_frac=0.35),
    "rain": Weather(wind_m_per_s=4.0, ambient_c=4.0, rain_mm_per_h=4.0, humidity_frac=0.95),
    "sun": Weather(wind_m_per_s=1.5, ambient_c=31.0, sun_w_per_m2=850.0, cloud_frac=0.3, humidity_frac=0.4),
}

# key -> (lowest, highest, what it is). `start` and `sky` are words.
OPTIONS: dict[str, tuple[float, float, str]] = {
    "charcoal_kg": (0.1, 8.0, "charcoal laid at the start"),
    "lit_frac": (0.01, 1.0, "share of it that glows"),
    "charcoal_moisture": (0.0, 0.4, "water in the charcoal, of its weight"),
    "pit_c": (20.0, 250.0, "pit at the start, with start=burning"),
    "food_kg": (0.0, 10.0, "food on the grate at the start"),
    "food_c": (-5.0, 60.0, "its temperature"),
    "seed": (0, 999_999, "of noise and gusts"),
    "wind_m_per_s": (0.0, 20.0, "mean wind"),
    "gust_frac": (0.0, 0.8, "standard deviation of the wind / mean"),
    "ambient_c": (-30.0, 45.0, "air at the start"),
    "ambient_drift_c_per_h": (-10.0, 10.0, "change of the air"),
    "rain_mm_per_h": (0.0, 50.0, "rain"),
    "sun_w_per_m2": (0.0, 1100.0, "sun on a level surface"),
    "humidity_frac": (0.05, 1.0, "relative humidity at the start"),
}
# Ranges of parameters and fittings for which a third to three times the default is not right.
SPANS: dict[str, tuple[float, float]] = {
    "plugged_frac": (0.0, 0.98),
    "ash_clog_per_kg": (0.0, 20.0),
    "wind_shelter_frac": (0.0, 1.0),
    "wind_pressure_coefficient": (0.0, 1.0),
    "gust_exchange_frac": (0.0, 0.2),
    "dome_excess_frac": (-0.5, 0.5),
    "pit_frac": (0.2, 1.0),
    "pit_2_frac": (0.2, 1.0),
    "carbon_frac": (0.5, 1.0),
    "ash_film": (0.0, 10.0),
    "damp_slows": (0.0, 20.0),
    "co_lean_frac": (0.0, 0.5),
    "co_rich_frac": (0.0, 0.5),
    "kinetic_even_k": (600.0, 800.0),
    "spread_at_k": (700.0, 1000.0),
    "die_at_k": (500.0, 750.0),
    "wood_needs_k": (500.0, 800.0),
    "lower_dead_frac": (0.0, 0.3),
    "upper_dead_frac": (0.0, 0.3),
    "lower_shape": (0.6, 2.5),
    "upper_shape": (0.6, 2.5),
    "lower_ease": (0.0, 0.6),
    "upper_ease": (0.0, 0.6),
    "upper_fixed": (0.0, 1.0),
    "backlash_frac": (0.0, 0.2),
    "stiction_frac": (0.0, 0.1),
    "pit_noise_c": (0.0, 10.0),
    "dome_noise_c": (0.0, 10.0),
    "food_noise_c": (0.0, 10.0),
    "dome_probe_s": (10.0, 600.0),
    "pit_probe_s": (2.0, 300.0),
    "food_probe_s": (2.0, 300.0),
}
_WEATHER_KEYS = {f.name for f in fields(Weather) if f.init} & set(OPTIONS) - {"seed"}
_PARAMETERS = {f.name: f for f in fields(KettleParameters)}
_FITTINGS = {f.name: f for f in fields(Fittings)}


def kettle(**kwargs: Any) -> Kettle:
    """A kettle to tend; every value may be a number or its text.

    start: "cold" (default: cold steel, 12 % of 1.2 kg charcoal lit) or "burning" (at `pit_c`, 93).
    sky: "calm", "breeze" (default), "gusty", "rain", "sun". The other keys are OPTIONS and the fields of
    KettleParameters and Fittings. Raises UserError for an unknown key or a value outside its range.
    """
    start = str(kwargs.pop("start", "cold"))
    if start not in ("cold", "burning"):
        raise UserError(f"grill argument start={start!r}: unknown; use start=cold or start=burning")
    sky = str(kwargs.pop("sky", "breeze"))
    if sky not in SKIES:
        raise UserError(f"grill argument sky={sky!r}: unknown; use one of {', '.join(SKIES)}")
    options: dict[str, float] = {}
    parameters: dict[str, float] = {}
    fittings: dict[str, float] = {}
    for key, raw in kwargs.items():
        value = _number(key, raw)
        if key in OPTIONS:
            low, high, _ = OPTIONS[key]
            options[key] = _within(key, value, low, high)
        elif key in _PARAMETERS:
            parameters[key] = _within(key, value, *_span(key, getattr(KettleParameters(), key)))
        elif key in _FITTINGS:
            fittings[key] = _within(key, value, *_span(key, getattr(Fittings(), key)))
        else:
            known = [*OPTIONS, "start", "sky", *_PARAMETERS, *_FITTINGS]
            near = difflib.get_close_matches(key, known, n=3)
            hint = (
                f"did you mean {' or '.join(near)}?" if near else f"known: start, sky, {', '.join(OPTIONS)}"
            )
            raise UserError(f"grill argument {key}={raw}: unknown key; {hint} (docs/grill.md lists all)")
    if "pit_c" in options and start == "cold":
        raise UserError(
            "grill argument pit_c: needs start=burning; a cold kettle starts at the air's temperature"
        )
    seed = int(options.get("seed", 0))
    changes: dict[str, Any] = {k: v for k, v in options.items() if k in _WEATHER_KEYS}
    weather = replace(SKIES[sky], seed=seed, **changes)
    made = Kettle(
        replace(KettleParameters(), **parameters),
        replace(Fittings(), **fittings),
        weather,
        charcoal_kg=options.get("charcoal_kg", 1.2),
        lit_frac=options.get("lit_frac"),
        charcoal_moisture=options.get("charcoal_moisture", 0.05),
        pit_c=options.get("pit_c", 93.0) if start == "burning" else None,
        seed=seed,
    )
    if options.get("food_kg", 0.0) > 0.0:
        made.add_food(options["food_kg"], options.get("food_c", 5.0))
    _refuse_what_cannot_run(made, [*parameters, *fittings])
    return made


def _span(key: str, default: float | None) -> tuple[float, float]:
    """The accepted range of a parameter or fitting: a third to three times its default, or as tabled."""
    if key in SPANS:
        return SPANS[key]
    assert default is not None  # SPANS has those without one
    high = 3.0 * default
    if key.endswith("_frac"):
        high = min(high, 1.0)
    return default / 3.0, high


def _refuse_what_cannot_run(made: Kettle, keys: list[str]) -> None:
    """Raise UserError when these values together are too stiff for the kettle's steps."""
    if not keys:
        return
    before, fine = made.state, False
    try:
        for lid_open in (False, True):
            made.advance(120.0, 1.0, 1.0, lid_open)
        fine = all(map(math.isfinite, made.state.y)) and -100.0 < made.true_pit_c < 1000.0
    except (ArithmeticError, ValueError):
        pass
    if not fine:
        raise UserError(
            f"grill arguments {', '.join(keys)}: together no kettle that can be computed; move them "
            "nearer to their defaults (docs/grill.md)"
        )
    made.restore(before)


def _number(key: str, raw: Any) -> float:
    try:
        value = float(raw)
    except (TypeError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        raise UserError(f"grill argument {key}={raw}: not a number; write for example {key}=0.5")
    return value


def _within(key: str, value: float, low: float, high: float) -> float:
    if not low <= value <= high:
        raise UserError(f"grill argument {key}={value:g}: outside {low:g} to {high:g}; choose a value inside")
    return value
