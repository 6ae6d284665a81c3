"""What stored results depend on, as one short hash: the model, the scenarios and the score."""

from __future__ import annotations

import hashlib
import inspect
import io
import sys
import tokenize
from collections.abc import Iterable
from functools import cache
from types import ModuleType

from coalminder.bench import metrics, scenarios
from coalminder.grill import actuators, equations, parameters, ranges, scenario, weather

_SILENT = {tokenize.COMMENT, tokenize.NL, tokenize.ENCODING, tokenize.ENDMARKER}
_LAYOUT = {tokenize.NEWLINE: "\n", tokenize.INDENT: ">", tokenize.DEDENT: "<"}


def hashed_modules() -> tuple[ModuleType, ...]:
    """The modules that count."""
    kettle = sys.modules["coalminder.grill.kettle"]  # its package has a function of that name
    return equations, actuators, parameters, ranges, weather, scenario, kettle, scenarios, metrics


def code_digest(sources: Iterable[str]) -> str:
    """Sixteen hex digits of Python sources; comments, docstrings and blanks do not count.

    Made from the tokens, run together, so that every Python this program runs on finds the same.
    """
    digest = hashlib.sha256()
    for source in sources:
        digest.update(_bare(source).encode())
    return digest.hexdigest()[:16]


def _bare(source: str) -> str:
    parts: list[str] = []
    starts_line = True  # a string that is a line of its own is a docstring
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type in _SILENT:
            continue
        if token.type in _LAYOUT:
            if token.type == tokenize.NEWLINE and parts and parts[-1].startswith("\0"):
                parts.pop()
            else:
                parts.append(_LAYOUT[token.type])
            starts_line = True
            continue
        alone = starts_line and token.type == tokenize.STRING
        parts.append(("\0" if alone else "") + "".join(token.string.split()))
        starts_line = False
    return "".join(parts)


@cache
def model_hash() -> str:
    """The digest of the model, the scenarios and the score: stored results belong to it."""
    return code_digest(inspect.getsource(module) for module in hashed_modules())
