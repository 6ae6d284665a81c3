"""Frozen dataclasses with some fields changed, quickly: the core makes two dozen of them in each step.

A leaf that knows nothing of the package. `dataclasses.replace` looks at each field and calls `__init__`
by keywords; with 44 fields, as the state of the food has, that takes several times as long as to copy the
slots.
"""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:  # the type checker knows this one, and tells a field that is not there
    from dataclasses import replace as replace
else:

    def replace(value: Any, /, **changes: object) -> Any:
        """A new `value` with `changes` to its fields, as by `dataclasses.replace`, which also takes the rest.

        Raises TypeError for a field that is not there.
        """
        slots = _slots_of(value.__class__)
        if slots is None or not slots.by_name.keys() >= changes.keys():
            return dataclasses.replace(value, **changes)
        new = object.__new__(value.__class__)
        for put, kept in zip(slots.in_order, slots.read(value), strict=False):
            put(new, kept)
        for name, given in changes.items():
            slots.by_name[name](new, given)
        return new


class _Slots(NamedTuple):
    """How the fields of a class are read, all at once, and put into an object, past its being frozen."""

    read: Callable[[object], tuple[object, ...]]
    in_order: tuple[Callable[[object, object], None], ...]
    by_name: dict[str, Callable[[object, object], None]]


@cache
def _slots_of(kind: type) -> _Slots | None:
    """None: making one is more than to fill its slots, or there is one field or none to copy."""
    if not dataclasses.is_dataclass(kind) or hasattr(kind, "__post_init__"):
        return None
    fields = dataclasses.fields(kind)
    names = [field.name for field in fields]
    slots = [inspect.getattr_static(kind, name, None) for name in names]
    if not all(field.init for field in fields) or not all(map(inspect.ismemberdescriptor, slots)):
        return None
    if len(names) < 2:  # attrgetter gives no tuple
        return None
    by_name = {name: slot.__set__ for name, slot in zip(names, slots, strict=True)}
    return _Slots(attrgetter(*names), tuple(by_name.values()), by_name)
