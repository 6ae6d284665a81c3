"""Frozen dataclasses to plain values (what JSON can hold) and back, exactly.

A leaf that knows only `events` (an event is written with its kind). It takes what records hold: scalars,
enums, dataclasses, events, and tuples and unions of them. The plain form is a dict of the fields that differ
from their defaults (of Settings all fields, for their defaults change), so it is short, and a record written
by an older version still reads: a field it did not know takes its default, a field that is gone is passed
over. Numbers are never converted, so a float comes back bit for bit (Python's shortest `repr` is exact for
IEEE 754 doubles). The work of looking at annotations is done once per type.
"""

from __future__ import annotations

import dataclasses
import enum
import math
import threading
import types
import typing
from collections.abc import Callable
from operator import attrgetter
from typing import Any, Generic, TypeVar

from coalminder.events import KINDS, Event
from coalminder.values import Settings

T = TypeVar("T")
_C = TypeVar("_C")
_Coder = Callable[[Any], Any]
_TAG = "$"  # names the class where an annotation allows several
_PLAIN = (float, int, str, bool, type(None))
_MISSING = dataclasses.MISSING


class CodecError(ValueError):
    """A value that cannot be written, or plain data that is not of the type asked for."""


def to_plain(value: object) -> Any:
    """`value` as dicts, lists, strings, numbers, booleans and None.

    Raises CodecError for a type that has no plain form.
    """
    cls = type(value)
    if cls in _PLAIN:
        return value
    encode = _encoder(cls)
    return value if encode is None else encode(value)


def from_plain(cls: type[T] | Any, plain: Any) -> T:
    """The value of type `cls` that `to_plain` turned into `plain`.

    `cls` may be any annotation the codec knows: a dataclass, an enum, `tuple[float, ...]`, a union.
    Raises CodecError, naming the field, when `plain` does not fit.
    """
    return typing.cast(T, _decoder(cls)(plain))


# Both ways ----------------------------------------------------------------------------------------


class _Coders(Generic[_C]):
    """Coders by annotation, each built by `build` when it is first asked for.

    The journal and the step ask at the same time: what is found here is whole.
    """

    def __init__(self, build: Callable[[Any], _C]) -> None:
        self._build = build
        self._made: dict[Any, _C] = {}
        self._building = threading.RLock()  # a type asks for those of its fields

    def __call__(self, hint: Any) -> _C:
        try:
            return self._made[hint]
        except KeyError:
            pass
        with self._building:
            if hint not in self._made:
                self._made[hint] = self._build(hint)
            return self._made[hint]


# Writing ------------------------------------------------------------------------------------------


def _build_encoder(hint: Any) -> _Coder | None:
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if hint in _PLAIN:
        return None
    if hint is object or hint is Event:
        return _encode_open
    if origin in (typing.Union, types.UnionType):
        return _union_encoder(args)
    if origin is tuple:
        return _tuple_encoder(args)
    if isinstance(hint, type) and issubclass(hint, enum.Enum):
        return attrgetter("value")
    if isinstance(hint, type) and dataclasses.is_dataclass(hint):
        return _dataclass_encoder(hint)
    raise CodecError(
        f"a value of type {hint!r} has no plain form; use frozen dataclasses, tuples and numbers"
    )


_encoder: _Coders[_Coder | None] = _Coders(_build_encoder)
"""The function that writes values of an annotation; None where the value is plain already."""


def _dataclass_encoder(cls: type) -> _Coder:
    hints = typing.get_type_hints(cls)
    fields = dataclasses.fields(cls)
    whole = issubclass(cls, Settings)
    plan = tuple((f.name, _encoder(hints[f.name]), _MISSING if whole else f.default) for f in fields)
    if not fields:
        return lambda value: {}
    fetch = attrgetter(*(f.name for f in fields))
    single = len(fields) == 1

    def encode(value: Any) -> dict[str, Any]:
        out: dict[str, Any] = {}
        values = (fetch(value),) if single else fetch(value)
        for (name, of_field, default), item in zip(plan, values, strict=True):
            if item is default:
                continue
            if of_field is not None:
                out[name] = of_field(item)
            elif not (type(item) is float and type(default) is float and _same_float(item, default)):
                out[name] = item
        return out

    return encode


def _same_float(a: float, b: float) -> bool:
    return a == b and (a != 0.0 or math.copysign(1.0, a) == math.copysign(1.0, b))


def _tuple_encoder(args: tuple[Any, ...]) -> _Coder:
    if len(args) == 2 and args[1] is Ellipsis:
        each = _encoder(args[0])
        return list if each is None else (lambda value: [each(item) for item in value])
    coders = [_encoder(arg) for arg in args]

    def encode(value: Any) -> list[Any]:
        return [item if of is None else of(item) for of, item in zip(coders, value, strict=True)]

    return encode


def _union_encoder(args: tuple[Any, ...]) -> _Coder | None:
    """Plain members pass; a dataclass is tagged with its name when there are several."""
    coders: dict[type, _Coder | None] = {type(None): None}
    classes = [arg for arg in args if _is_dataclass(arg)]
    for arg in args:
        kind, coder = typing.get_origin(arg) or arg, _encoder(arg)
        coders[kind] = _tagged(kind, coder) if kind in classes and len(classes) > 1 else coder
    if all(coder is None for coder in coders.values()):
        return None

    def encode(value: Any) -> Any:
        try:
            coder = coders[type(value)]
        except KeyError:
            if type(value) in _PLAIN:
                return value
            coder = next((of for kind, of in coders.items() if isinstance(value, kind)), _encode_open)
        return value if coder is None else coder(value)

    return encode


def _tagged(cls: type, coder: _Coder | None) -> _Coder:
    assert coder is not None
    name = cls.__name__

    def encode(value: Any) -> dict[str, Any]:
        out: dict[str, Any] = coder(value)
        out[_TAG] = name
        return out

    return encode


def _encode_open(value: Any) -> Any:
    """A value whose annotation is open: an event by its kind, or something plain."""
    if isinstance(value, Event):
        coder = _encoder(type(value))
        assert coder is not None
        out: dict[str, Any] = coder(value)
        out["kind"] = value.kind
        return out
    if type(value) in _PLAIN:
        return value
    raise CodecError(f"a value of type {type(value).__name__} under an open annotation has no plain form")


# Reading ------------------------------------------------------------------------------------------


def _build_decoder(hint: Any) -> _Coder:
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if hint in _PLAIN:
        return _scalar_decoder(hint)
    if hint is object or hint is Event:
        return _decode_open
    if origin in (typing.Union, types.UnionType):
        return _union_decoder(args)
    if origin is tuple:
        return _tuple_decoder(args)
    if isinstance(hint, type) and issubclass(hint, enum.Enum):
        return _enum_decoder(hint)
    if isinstance(hint, type) and dataclasses.is_dataclass(hint):
        return _dataclass_decoder(hint)
    raise CodecError(f"a value of type {hint!r} cannot be read back")


_decoder: _Coders[_Coder] = _Coders(_build_decoder)
"""The function that reads values of an annotation back."""


def _scalar_decoder(kind: type) -> _Coder:
    accepted: tuple[type, ...] = (float, int) if kind is float else (kind,)

    def decode(plain: Any) -> Any:
        if type(plain) in accepted:
            return plain
        raise CodecError(f"expected {kind.__name__}, got {plain!r:.60}")

    return decode


def _enum_decoder(cls: type[enum.Enum]) -> _Coder:
    members = {member.value: member for member in cls}

    def decode(plain: Any) -> enum.Enum:
        try:
            return members[plain]
        except (KeyError, TypeError):
            raise CodecError(f"no {cls.__name__} is called {plain!r:.60}") from None

    return decode


def _dataclass_decoder(cls: type) -> _Coder:
    hints = typing.get_type_hints(cls)
    coders = {f.name: _decoder(hints[f.name]) for f in dataclasses.fields(cls) if f.init}

    def decode(plain: Any) -> Any:
        if type(plain) is not dict:
            raise CodecError(f"expected the fields of {cls.__name__}, got {plain!r:.60}")
        given = {}
        for name, item in plain.items():
            of_field = coders.get(name)
            if of_field is not None:
                try:
                    given[name] = of_field(item)
                except CodecError as error:
                    raise CodecError(f"{cls.__name__}.{name}: {error}") from None
        try:
            return cls(**given)
        except TypeError as error:  # a required field is missing
            raise CodecError(f"{cls.__name__}: {error}") from None

    return decode


def _tuple_decoder(args: tuple[Any, ...]) -> _Coder:
    if len(args) == 2 and args[1] is Ellipsis:
        each = _decoder(args[0])
        return lambda plain: tuple([each(item) for item in _as_list(plain)])
    coders = [_decoder(arg) for arg in args]

    def decode(plain: Any) -> tuple[Any, ...]:
        items = _as_list(plain)
        if len(items) != len(coders):
            raise CodecError(f"expected {len(coders)} items, got {len(items)}")
        return tuple([of(item) for of, item in zip(coders, items, strict=True)])

    return decode


def _union_decoder(args: tuple[Any, ...]) -> _Coder:
    classes = {arg.__name__: _decoder(arg) for arg in args if _is_dataclass(arg)}
    others = [_decoder(arg) for arg in args if not _is_dataclass(arg) and arg is not type(None)]
    optional = type(None) in args
    only = next(iter(classes.values())) if len(classes) == 1 else None

    def decode(plain: Any) -> Any:
        if plain is None and optional:
            return None
        if type(plain) is dict and classes:
            coder = only or classes.get(plain.get(_TAG, ""))
            if coder is not None:
                return coder(plain)
        for of in others:
            try:
                return of(plain)
            except CodecError:
                continue
        raise CodecError(f"{plain!r:.60} fits none of {args}")

    return decode


def _decode_open(plain: Any) -> Any:
    if type(plain) is dict:
        cls = KINDS.get(plain.get("kind", ""))
        if cls is None:
            raise CodecError(f"no event is of kind {plain.get('kind')!r:.60}")
        return _decoder(cls)(plain)
    if type(plain) in _PLAIN:
        return plain
    raise CodecError(f"{plain!r:.60} cannot be read under an open annotation")


def _as_list(plain: Any) -> list[Any]:
    if type(plain) is not list:
        raise CodecError(f"expected a list, got {plain!r:.60}")
    return plain


def _is_dataclass(hint: Any) -> bool:
    return isinstance(hint, type) and dataclasses.is_dataclass(hint) and hint is not Event
