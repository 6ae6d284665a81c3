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
    "seed": (0, 2**63, "of noise and gusts"),
    "wind_m_per_s": (0.0, 20.0, "mean wind"),
    "gust_frac": (0.0, 0.8, "standard deviation of the wind / mean"),
    "ambient_c": (-30.0, 45.0, "air at the start"),
    "ambient_drift_c_per_h": (-10.0, 10.0, "change of the air"),
    "rain_mm_per_h": (0.0, 50.0, "rain"),
    "sun_w_per_m2": (0.0, 1100.0, "sun on a level surface"),
    "humidity_frac": (0.05, 1.0, "relative humidity at the start"),
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
            default = getattr(KettleParameters(), key)
            low, high = (0.0, 1.0) if key.endswith("_frac") and default <= 1.0 else (0.0, 20.0 * default)
            parameters[key] = _within(key, value, low, high)
        elif key in _FITTINGS:
            fittings[key] = _within(key, value, 0.0, 10.0)
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
        lit_frac=options.get("lit_frac", 0.12),
        charcoal_moisture=options.get("charcoal_moisture", 0.05),
        pit_c=options.get("pit_c", 93.0) if start == "burning" else None,
        seed=seed,
    )
    if options.get("food_kg", 0.0) > 0.0:
        made.add_food(options["food_kg"], options.get("food_c", 5.0))
    return made


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
