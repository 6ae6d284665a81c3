"""Blobs of the journal: JSON of the codec, deflated with a preset dictionary.

The zlib container carries an Adler-32 check, so a flipped bit is seen when the blob is read. The preset
dictionary holds the words that every step repeats; it belongs to the schema version and must not change.
"""

from __future__ import annotations

import json
import zlib
from importlib import resources
from typing import Any

_WINDOW = 12  # 4 KiB: a step is some 500 bytes, the dictionary 1 to 2 KiB
LONGEST_BYTES = 1 << 22
"""Of any value in a record, packed or not; the largest of ours, a state of the core, has some 10 kB."""
_dictionary = resources.files("coalminder.journal").joinpath("dictionary_v1.json").read_bytes()


class DamagedBlobError(ValueError):
    """A blob that is not what was written."""


def to_json(plain: Any) -> str:
    """Compact JSON; floats in their shortest exact form."""
    return json.dumps(plain, separators=(",", ":"), ensure_ascii=False)


def canonical_json(plain: Any) -> str:
    """JSON with one form per value: sorted keys, no spaces (so that its hash means something)."""
    return json.dumps(plain, separators=(",", ":"), sort_keys=True, ensure_ascii=False, default=str)


def pack(plain: Any) -> bytes:
    """Plain data as a blob."""
    deflater = zlib.compressobj(level=6, wbits=_WINDOW, memLevel=6, zdict=_dictionary)
    return deflater.compress(to_json(plain).encode()) + deflater.flush()


def unpack(blob: bytes) -> Any:
    """The plain data in a blob; raises DamagedBlobError."""
    try:
        inflater = zlib.decompressobj(wbits=_WINDOW, zdict=_dictionary)
        text = inflater.decompress(blob, LONGEST_BYTES)
        if inflater.unconsumed_tail:
            raise ValueError(f"longer than {LONGEST_BYTES} bytes")
        return json.loads(text)
    except (zlib.error, ValueError, TypeError, RecursionError) as error:
        raise DamagedBlobError(str(error)) from None
