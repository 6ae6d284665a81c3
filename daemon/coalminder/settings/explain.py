"""What is wrong with a configuration, in words: where, what is accepted there, what to write instead."""

from __future__ import annotations

import difflib
import os
import re
from typing import Any, get_args

from pydantic import ValidationError

from coalminder.settings.model import PREFIX, Settings
from coalminder.settings.probes import ProbeSettings
from coalminder.settings.quantities import COMMA, POINT, perhaps_fahrenheit
from coalminder.settings.vents import VentSettings

_BLOCKS: dict[str, tuple[str, Any]] = {"probes": ("kind", ProbeSettings), "vents": ("driver", VentSettings)}
_UNITS = {
    "_c_per_s": "°C/s",
    "_c": "°C",
    "_s": "s",
    "_us": "µs",
    "_mm": "mm",
    "_kg": "kg",
    "_k": "K",
    "_ohm": "Ω",
    "_v": "V",
    "_hz": "Hz",
    "_hours": "hours",
}  # the end of a name tells the unit of its number
_SLIPS = (
    (re.compile(r"=\s*[-+]?\d+,\d"), POINT),
    (re.compile("[“”„«»‘’\u00a0]"), 'write plain quotes (") and blanks'),
    (re.compile(r"=\s*(true|false|yes|no|on|off)\s*(#|$)", re.IGNORECASE), "write true or false"),
    (re.compile(r"=\s*[-+]?[\d.]*\s*[a-z°/~]", re.IGNORECASE), 'write texts and units in quotes: "93 C"'),
)  # in a line that is not TOML, and what to do


def explain(error: ValidationError, data: dict[str, Any]) -> str:
    """The first thing that is wrong with `data`, as its file has them, in one line."""
    found = error.errors(include_url=False)
    first = found[0]
    place = ".".join(str(part) for part in _written(first["loc"])) or "settings"
    if first["type"].startswith("union_tag"):
        text = f"{place}.{_tag_trouble(first['ctx'])}"
    elif first["type"] == "extra_forbidden":
        text = no_setting(first["loc"])
    elif place.endswith(".[key]"):
        text = (
            f"'{place.removesuffix('.[key]')}' is no name of a probe: a-z, digits and _, a letter first, "
            "32 at most; rename it"
        )
    else:
        shown = None if _is_secret(first["loc"]) else first.get("input")
        if isinstance(shown, str) and "@" in shown:  # a URL may hold a password
            shown = None
        got = f" (got {shown!r})" if isinstance(shown, str | int | float | bool) else ""
        why = _no_number(first) or _wrong_form(first, place) or first["msg"].removeprefix("Value error, ")
        accepted = _range(first["loc"], _as_written(first["loc"], data))
        if first["type"] == "value_error" and "accepted: " not in accepted:
            accepted = ""  # our own words are whole
        text = f"{place}: {why}{got}{accepted}"
    text = text if len(found) == 1 else f"{text} (and {len(found) - 1} more)"
    names = variables(_written(first["loc"])) if first["loc"] else ()
    return f"{text}; the environment goes before the file: {', '.join(names)}" if names else text


def hint(text: str, told: str) -> str:
    """What is usually meant by what stands in the line that the TOML error names."""
    found = re.search(r"at line (\d+)", told)
    lines = text.splitlines()
    if found is None or int(found.group(1)) > len(lines):
        return ""
    line = lines[int(found.group(1)) - 1]
    return next((f"; {meant}" for slip, meant in _SLIPS if slip.search(line)), "")


def variables(place: tuple[int | str, ...]) -> list[str]:
    """The environment variables that set `place`, a part of it, or what it is a part of; all for ()."""
    words = [str(part).lower() for part in place]
    ours = (name for name in os.environ if name.upper().startswith(PREFIX))  # the library reads `a` as `A`
    parts = {name: name[len(PREFIX) :].lower().split("__") for name in ours}
    return [name for name, said in parts.items() if all(a == b for a, b in zip(said, words, strict=False))]


def _tag_trouble(context: dict[str, Any]) -> str:
    """What is wrong with the line that says which kind of block it is, after the block's name."""
    tag = context["discriminator"].strip("'")
    union = get_args(dict(_BLOCKS.values())[tag])[0]
    known = [word for block in get_args(union) for word in get_args(block.model_fields[tag].annotation)]
    found = f"'{context['tag']}' is not known" if "tag" in context else "is missing"
    return f"{tag} {found}; accepted: {', '.join(known)}"


def _written(loc: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """`loc` without the kind of a probe's block or the driver of a vent's, which is no part of the name."""
    return (*loc[:2], *loc[3:]) if loc[:1] in {("probes",), ("vents",)} and loc[2:3] != ("[key]",) else loc


def _as_written(loc: tuple[int | str, ...], data: Any) -> Any:
    """What the file has at `loc`, before units are worked out; None when the value came from elsewhere."""
    for part in _written(loc):
        data = data.get(part) if isinstance(data, dict) else None
    return data


def _no_number(error: Any) -> str:
    """What to write in place of what is no number, or neither true nor false; empty for other errors."""
    if error["type"] in {"bool_type", "bool_parsing"}:
        return "write true or false, without quotes"
    if error["type"] not in {"float_parsing", "int_parsing", "float_type", "int_type"}:
        return ""
    if error["type"] == "int_type" and isinstance(error["input"], float):
        return "write a whole number, without a point"
    if COMMA.search(str(error["input"])):
        return POINT
    name = str(error["loc"][-1])
    unit = next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
    return f"write a number in {unit}, without the unit" if unit else "write a number"


def _wrong_form(error: Any, place: str) -> str:
    """What to write in place of a value of another form; empty for other errors."""
    if error["type"] == "string_type":
        return "write it in quotes"
    if error["type"] in {"model_type", "dict_type"}:
        return f"write a section: [{place}] on a line of its own, its settings below"
    return ""


def _fields(loc: tuple[int | str, ...]) -> dict[str, Any]:
    model: Any = Settings
    if len(loc) > 3 and loc[0] in _BLOCKS:
        tag, union = _BLOCKS[str(loc[0])]
        known = get_args(get_args(union)[0])
        model = next(block for block in known if loc[2] in get_args(block.model_fields[tag].annotation))
        loc = loc[3:]
    for part in loc[:-1]:
        field = getattr(model, "model_fields", {}).get(str(part))
        if field is None or not hasattr(field.annotation, "model_fields"):
            return {}
        model = field.annotation
    return dict(getattr(model, "model_fields", {}))


def _is_secret(loc: tuple[int | str, ...]) -> bool:
    """Whether the setting at `loc`, or the one that it lies in, holds a secret."""
    fields = (_fields(loc[:depth]).get(str(loc[depth - 1])) for depth in range(1, len(loc) + 1))
    return any(field is not None and "SecretStr" in str(field.annotation) for field in fields)


def no_setting(loc: tuple[int | str, ...]) -> str:
    """That nothing is set by what stands at `loc`, and what is near it."""
    place = ".".join(str(part) for part in _written(loc))
    return f"'{place}' is not a setting{_did_you_mean(loc)}; remove or correct it"


def _did_you_mean(loc: tuple[int | str, ...]) -> str:
    fields = _fields(loc)
    near = difflib.get_close_matches(str(loc[-1]).lower(), fields, 1)
    if near:
        return f"; did you mean '{near[0]}'?"
    return f"; known here: {', '.join(fields)}" if fields else ""


def _range(loc: tuple[int | str, ...], value: object) -> str:
    field = _fields(loc).get(str(loc[-1])) if loc else None
    if field is None:
        return ""
    bounds = {type(part).__name__.lower(): part for part in field.metadata}
    low, high = bounds.get("ge") or bounds.get("gt"), bounds.get("le") or bounds.get("lt")
    if low is None or high is None:
        return f"; {field.description}" if field.description else ""
    least: float = low.ge if hasattr(low, "ge") else low.gt
    most: float = high.le if hasattr(high, "le") else high.lt
    hot = perhaps_fahrenheit(field.metadata, value, least, most)
    fahrenheit = f'; a temperature in °F needs its unit: "{value} F"' if hot else ""
    return f"; accepted: {least:g} to {most:g} ({field.description}){fahrenheit}"
