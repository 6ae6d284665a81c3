"""What an opening meant in a record: stroke, stops and flow curve of each vent, as calibrated. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

_STROKE = ("pulse_min_us", "pulse_max_us", "reversed")
_FOUND = ("stop_shut", "stop_open", "curve")


def vents_of(settings: Iterable[str]) -> tuple[str, ...]:
    """The vents of each run of a record, from the settings in its headers; equal texts: the same air at each
    opening. Runs that say nothing of their calibration (older records, simulated grills) are left out.
    """
    return tuple(said for text in settings if (said := _vents(text)))


def note(name: str, own: tuple[str, ...], newest: str, others: tuple[str, ...]) -> str:
    """What to say of a record with the vents `own`, pooled with that of `newest`, the newest; "" for nothing.

    name: of the record itself.
    """
    if not own or not others:
        return ""
    if len(set(own)) > 1:
        return f"its vents were calibrated, or set otherwise, between its runs: {_MEANS}"
    if name == newest or own[-1] == others[-1]:
        return ""
    return f"its vents were calibrated, or set, otherwise than those of '{newest}': {_MEANS}"


_MEANS = (
    "the same opening lets another amount of air through, and what both teach together suits neither; "
    "leave out what is older than the calibration"
)


def _vents(text: str) -> str:
    try:
        settings = json.loads(text)
        blocks, found = settings["vents"], settings["calibration"]["vents"]
        meant = {name: _meant(block, found.get(name, {})) for name, block in blocks.items() if block}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return ""  # damaged, or of a version that did not say it
    return json.dumps(meant, sort_keys=True)


def _meant(block: Mapping[str, Any], correction: Mapping[str, Any]) -> dict[str, Any]:
    said = {key: block[key] for key in _STROKE}
    return said | {key: block[key] if correction.get(key) is None else correction[key] for key in _FOUND}
