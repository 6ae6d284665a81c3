"""What was recorded of many cooks, kept in little memory."""

from __future__ import annotations

import pickle
import zlib
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import TypeVar, overload

T = TypeVar("T")
_PART = 64  # values packed together: what they have in common is kept once


class Packed(Sequence[T]):
    """A long row of values, exact, in a tenth to a fiftieth of the memory of a tuple.

    Made to be gone through from end to end: each look at one value unpacks those beside it.
    """

    def __init__(self, values: Iterable[T]) -> None:
        self._parts: list[bytes] = []
        self._length = 0
        rest = iter(values)
        while part := tuple(islice(rest, _PART)):
            self._parts.append(zlib.compress(pickle.dumps(part, pickle.HIGHEST_PROTOCOL), 1))
            self._length += len(part)

    def __len__(self) -> int:
        return self._length

    def __iter__(self) -> Iterator[T]:
        for part in self._parts:
            yield from _unpacked(part)

    @overload
    def __getitem__(self, index: int) -> T: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[T, ...]: ...
    def __getitem__(self, index: int | slice) -> T | tuple[T, ...]:
        if isinstance(index, slice):
            return tuple(self)[index]
        place = range(self._length)[index]
        found: T = _unpacked(self._parts[place // _PART])[place % _PART]
        return found


def _unpacked(part: bytes) -> tuple[T, ...]:
    values: tuple[T, ...] = pickle.loads(zlib.decompress(part))  # noqa: S301 - of our own, from this memory
    return values
