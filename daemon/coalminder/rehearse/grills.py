"""Finds the grill to rehearse on: `package.module:factory` with `key=value` arguments."""

from __future__ import annotations

import importlib
import inspect
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any

from coalminder.errors import UserError
from coalminder.seams import Grill

METHODS = ("advance", "pit_c", "core_c", "add_wood", "add_charcoal")


def load_grill(
    where: str, arguments: Sequence[str], seed: int | None = None, option: str = "--grill"
) -> Grill:
    """The grill that the factory `where` makes. `seed` is passed on when the factory takes one.

    option: what named it on the command line, for messages.

    Raises UserError for a place that does not exist, arguments that do not fit, a grill that lacks a method.
    """
    factory = _factory(where, option)
    keywords = dict(_argument(text, option) for text in arguments)
    try:
        accepted = inspect.signature(factory).parameters
    except (TypeError, ValueError):
        accepted = {}  # type: ignore[assignment]
    ours = where.startswith("coalminder.grill:")
    if seed is not None and ("seed" in accepted or ours) and "seed" not in keywords:
        keywords["seed"] = seed
    takes_any = any(p.kind is inspect.Parameter.VAR_KEYWORD for p in accepted.values())
    unknown = [key for key in keywords if key not in accepted]
    if accepted and unknown and not takes_any:
        known = ", ".join(accepted)
        raise UserError(f"{option}-arg {unknown[0]}: '{where}' takes no such argument; it takes: {known}")
    try:
        grill = factory(**keywords)
    except UserError:
        raise
    except Exception as error:
        raise UserError(f"{option} {where}: the factory failed: {type(error).__name__}: {error}") from error
    missing = [name for name in METHODS if not callable(getattr(grill, name, None))]
    if missing:
        raise UserError(
            f"{option} {where}: the grill lacks {', '.join(missing)}; "
            f"it must offer {', '.join(METHODS)} (docs/seams.md)"
        )
    return grill  # type: ignore[no-any-return]


def _factory(where: str, option: str) -> Callable[..., Any]:
    module_name, colon, name = where.partition(":")
    if not (module_name and colon and name):
        raise UserError(
            f"{option} '{where}': write package.module:factory, for example coalminder.grill:kettle"
        )
    if not where.startswith("coalminder.") and os.getcwd() not in sys.path:
        # a person's own module lies where they call from; last, for nothing else there is a library of ours
        sys.path.append(os.getcwd())
    try:
        module = importlib.import_module(module_name)
    except Exception as error:
        kind = "" if isinstance(error, ImportError) else f"{type(error).__name__}: "
        raise UserError(f"{option} '{where}': cannot import '{module_name}': {kind}{error}") from error
    factory = getattr(module, name, None)
    if not callable(factory):
        raise UserError(f"{option} '{where}': '{module_name}' has no callable '{name}'")
    return factory  # type: ignore[no-any-return]


def _argument(text: str, option: str) -> tuple[str, object]:
    key, equals, value = text.partition("=")
    if not (key.isidentifier() and equals):
        raise UserError(f"{option}-arg '{text}': write key=value, for example {option}-arg charcoal_kg=1.5")
    for convert in (int, float):
        try:
            return key, convert(value)
        except ValueError:
            continue
    return key, {"true": True, "false": False, "none": None}.get(value.lower(), value)
