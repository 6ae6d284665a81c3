"""Quantities in the configuration: a plain number is in the unit of the field, a text carries its own unit.

"93", 93, "93 C", "200 °F" are temperatures; 90, "90 s", "10 min", "4 h" durations; 0.5, "500 g", "1.1 lb"
masses. Anything else is refused with what would have been accepted.
"""

from __future__ import annotations

import math
import os
import re
from pathlib import Path
from typing import Annotated, Any

from annotated_types import Ge, Le
from pydantic import AfterValidator, BaseModel, BeforeValidator, FiniteFloat

from coalminder.units import LB_KG, OZ_KG

COMMA = re.compile(r"\d,\d")
POINT = "write a decimal point, not a comma"
_FORM = re.compile(r"^\s*([-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")

# unit -> (factor, offset): inner value = factor * (x + offset). Exact by definition.
_TEMPERATURE = {"": (1.0, 0.0), "c": (1.0, 0.0), "°c": (1.0, 0.0), "f": (5 / 9, -32.0), "°f": (5 / 9, -32.0)}
_DURATION = {"": (1.0, 0.0), "s": (1.0, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0)}
_MASS = {
    "": (1.0, 0.0),
    "kg": (1.0, 0.0),
    "g": (1e-3, 0.0),
    "lb": (LB_KG, 0.0),
    "oz": (OZ_KG, 0.0),
}


def _parser(what: str, units: dict[str, tuple[float, float]], example: str) -> BeforeValidator:
    named = ", ".join(unit for unit in units if unit)

    def parse(value: object) -> object:
        if not isinstance(value, str):
            return value
        if COMMA.search(value):
            raise ValueError(f"'{value}' is not a {what}; {POINT}")
        form = _FORM.match(value)
        if form is None:
            raise ValueError(f"'{value}' is not a {what}; write for example {example}")
        unit = form.group(2).lower()
        if unit not in units:
            raise ValueError(
                f"'{form.group(2)}' is not a unit of {what}; accepted: {named}; write for example {example}"
            )
        factor, offset = units[unit]
        number = factor * (float(form.group(1)) + offset)
        if not math.isfinite(number):
            raise ValueError(f"'{value}' is not a finite {what}")
        return number

    return BeforeValidator(parse)


_temperature = _parser("temperature", _TEMPERATURE, '93 or "93 C" or "200 F"')
Temperature = Annotated[FiniteFloat, _temperature]
Duration = Annotated[FiniteFloat, _parser("duration", _DURATION, '90 or "90 s" or "15 min" or "4 h"')]
Mass = Annotated[FiniteFloat, _parser("mass", _MASS, '1.2 or "1.2 kg" or "500 g" or "2 lb"')]


def place(path: Path) -> Path:
    """`path`, absolute and with `~` filled in. ValueError: neither from / nor from ~/ on, or no place."""
    if path == Path():
        raise ValueError("is empty; name a place, or leave the line out")
    if "\0" in str(path):
        raise ValueError("has a null character (\\u0000) in it; no file is named so")
    whole = Path(os.path.expanduser(path))
    if not whole.is_absolute():
        raise ValueError(
            "is relative, so service and you would look in two places; write it whole, from / or ~/ on"
        )
    return whole


Place = Annotated[Path, AfterValidator(place)]
"""A file or folder of ours, absolute; `~` is the home of the user who runs the program."""


def check_pair(certificate: Path | None, key: Path | None) -> None:
    """ValueError when a certificate is given without its key, or the key alone."""
    if (certificate is None) != (key is None):
        raise ValueError("certificate_file and key_file go together; give both or none")


def bounds(section: type[BaseModel], name: str) -> tuple[float, float]:
    """Least and most that the field `name` of `section` accepts."""
    limits = section.model_fields[name].metadata
    least = next(limit.ge for limit in limits if isinstance(limit, Ge))
    most = next(limit.le for limit in limits if isinstance(limit, Le))
    return float(least), float(most)  # type: ignore[arg-type]


def perhaps_fahrenheit(metadata: list[Any], value: object, least: float, most: float) -> bool:
    """Whether `value` of a field with this metadata is a temperature too high in °C and right in °F."""
    if _temperature not in metadata or not isinstance(value, int | float):
        return False
    factor, offset = _TEMPERATURE["f"]
    return value > most and least <= factor * (value + offset) <= most


def temperature(text: str, what: str) -> float:
    """A temperature from the command line in °C; UserError naming `what` when it cannot be read."""
    from pydantic import TypeAdapter, ValidationError

    from coalminder.errors import UserError

    try:
        return TypeAdapter(Temperature).validate_python(text)
    except ValidationError as error:
        why = error.errors()[0]["msg"].removeprefix("Value error, ")
        raise UserError(f"{what} {text}: {why}") from None
