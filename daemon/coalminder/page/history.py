"""Temperatures and vents over the cook, bounded in memory. Pure.

Time is cut into buckets of one width; each keeps sum and number per series, so that its mean is exact.
When there are too many buckets the width doubles and neighbours are merged: the whole cook stays, coarser.
The pit also keeps its lowest and highest, so that thinning hides no peak.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

BASE_WIDTH_S = 5.0
MAX_SERIES = 16  # pit, set point, two vents, and this many less four food probes and others


@dataclass(slots=True)
class Bucket:
    """Means of one stretch of time. sums: series -> (sum, number of values)."""

    start_s: float
    sums: dict[str, tuple[float, int]] = field(default_factory=dict)
    pit_low: float | None = None
    pit_high: float | None = None

    def add(self, values: Mapping[str, float | None]) -> None:
        """One more set of values; None is a value that was not known."""
        for name, value in values.items():
            if value is not None:
                total, count = self.sums.get(name, (0.0, 0))
                self.sums[name] = (total + value, count + 1)
        pit = values.get("pit")
        if pit is not None:
            self._widen(pit, pit)

    def merge(self, other: Bucket) -> None:
        """Take in a neighbour."""
        for name, (total, count) in other.sums.items():
            mine, number = self.sums.get(name, (0.0, 0))
            self.sums[name] = (mine + total, number + count)
        if other.pit_low is not None and other.pit_high is not None:
            self._widen(other.pit_low, other.pit_high)

    def mean(self, name: str) -> float | None:
        """The mean of a series here, None without a value."""
        total, count = self.sums.get(name, (0.0, 0))
        return total / count if count else None

    def _widen(self, low: float, high: float) -> None:
        self.pit_low = low if self.pit_low is None else min(low, self.pit_low)
        self.pit_high = high if self.pit_high is None else max(high, self.pit_high)


class History:
    """Buckets in order of time. `generation` rises when earlier buckets changed: send it all again."""

    def __init__(self, points: int = 720, width_s: float = BASE_WIDTH_S) -> None:
        self._points, self._base_s = points, width_s
        self.width_s = width_s
        self.generation = 0
        self.names: list[str] = []
        self._buckets: dict[int, Bucket] = {}
        self._newest_s: float | None = None

    def __len__(self) -> int:
        return len(self._buckets)

    def clear(self) -> None:
        """Begin a new cook."""
        self._buckets.clear()
        self.names.clear()
        self._newest_s, self.width_s = None, self._base_s
        self.generation += 1

    def shift(self, by_s: float) -> None:
        """The wall clock was put on by `by_s`: what is here goes along, to the width of a bucket."""
        by = round(by_s / self.width_s)
        self._buckets = {index + by: bucket for index, bucket in self._buckets.items()}
        for index, bucket in self._buckets.items():
            bucket.start_s = index * self.width_s
        if self._newest_s is not None:
            self._newest_s += by_s
        self.generation += 1

    def add(self, at_s: float, values: Mapping[str, float | None]) -> None:
        """Values at UTC `at_s`. They may be older than what is here, and go where they belong."""
        for name in values:
            if name not in self.names and len(self.names) < MAX_SERIES:
                self.names.append(name)
                self.generation += 1
        known = {name: value for name, value in values.items() if name in self.names}
        index = int(at_s // self.width_s)
        bucket = self._buckets.get(index)
        if bucket is None:
            bucket = self._buckets[index] = Bucket(index * self.width_s)
            if self._newest_s is not None and at_s < self._newest_s:
                self._buckets = dict(sorted(self._buckets.items()))
        if self._newest_s is not None and at_s < self._newest_s - self.width_s:
            self.generation += 1
        bucket.add(known)
        self._newest_s = at_s if self._newest_s is None else max(at_s, self._newest_s)
        while len(self._buckets) > self._points:
            self._thin()

    def columns(self, since_s: float = -math.inf) -> dict[str, list[float | None]]:
        """Rows from bucket `since_s` on: `at_s` (middle of the bucket), each series, `pit_low`, `pit_high`.

        A hole in time is one row of None, so that no line is drawn across it.
        """
        out: dict[str, list[float | None]] = {
            name: [] for name in ("at_s", *self.names, "pit_low", "pit_high")
        }
        last: int | None = None
        for index, bucket in self._buckets.items():
            if bucket.start_s >= since_s:
                if last is not None and (index - last) * self.width_s > max(30.0, 2.5 * self.width_s):
                    self._row(out, Bucket((last + 1) * self.width_s))
                self._row(out, bucket)
            last = index
        return out

    def last_start_s(self) -> float:
        """Start of the newest bucket, the one that still changes; -inf without one."""
        return next(reversed(self._buckets.values())).start_s if self._buckets else -math.inf

    def _row(self, out: dict[str, list[float | None]], bucket: Bucket) -> None:
        out["at_s"].append(round(bucket.start_s + self.width_s / 2, 1))
        for name in self.names:
            mean = bucket.mean(name)
            out[name].append(None if mean is None else round(mean, 3))
        out["pit_low"].append(bucket.pit_low)
        out["pit_high"].append(bucket.pit_high)

    def _thin(self) -> None:
        self.width_s *= 2
        self.generation += 1
        merged: dict[int, Bucket] = {}
        for bucket in self._buckets.values():
            index = int(bucket.start_s // self.width_s)
            if index in merged:
                merged[index].merge(bucket)
            else:
                bucket.start_s = index * self.width_s
                merged[index] = bucket
        self._buckets = merged
