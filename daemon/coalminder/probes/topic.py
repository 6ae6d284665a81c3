"""A probe whose readings arrive as messages, such as a wireless one behind a gateway."""

from __future__ import annotations

import json
import math
import threading
import time
from collections.abc import Callable

from coalminder.probes.chip import NO_CORRECTION, Correction
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

NO_SENSOR_C = -127.0
"""What usual libraries for the DS18B20 give for one that does not answer (common practice)."""


class TopicProbe:
    """A `coalminder.seams.Probe` fed by `offer` from another thread. `read` never blocks.

    field: dotted path into a JSON payload, "" for a bare number. unit: "c" or "f". max_age_s: an older
    reading is stale. Times are of `monotonic`, in s.
    """

    blocking = False  # the reader may call it without a thread

    def __init__(
        self,
        name: str,
        topic: str,
        *,
        field: str = "",
        unit: str = "c",
        max_age_s: float = 30.0,
        correction: Correction = NO_CORRECTION,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = name
        self.topic = topic
        self._field = field
        self._unit = unit
        self._max_age_s = max_age_s
        self._correction = correction
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._last: tuple[Sample, float] | None = None

    def offer(self, payload: str | bytes, at_s: float, *, retained: bool = False) -> None:
        """Take a message that arrived at `at_s`. A retained one is ignored: nobody knows how old it is.

        One without the field says nothing of this probe: of another one on the topic, or of a battery.
        """
        if retained:
            return
        sample = parse(payload, self._field, self._unit)
        silent = isinstance(sample, ProbeFault) and sample.kind is ProbeFaultKind.NOT_READY
        with self._lock:
            if self._last is None or at_s >= self._last[1] + (self._max_age_s if silent else 0.0):
                self._last = (sample, at_s)

    def read(self) -> Sample:
        """The last reading with its age, or why there is none."""
        with self._lock:
            last = self._last
        if last is None:
            return ProbeFault(ProbeFaultKind.NOT_READY, f"nothing has arrived on '{self.topic}' yet")
        sample, at_s = last
        age_s = max(0.0, self._monotonic() - at_s)
        if age_s > self._max_age_s:
            return ProbeFault(
                ProbeFaultKind.STALE, f"last message on '{self.topic}' {age_s:.0f} s ago; check the gateway"
            )
        if isinstance(sample, ProbeFault):
            return sample
        return self._correction.apply(Reading(sample.temp_c, age_s))


def parse(payload: str | bytes, field: str = "", unit: str = "c") -> Sample:
    """A temperature in a payload, or a fault: `not_ready` when it has no such field. Never raises."""
    try:
        text = payload if isinstance(payload, str) else payload.decode("utf-8")
        value: object = json.loads(text)
        for key in field.split(".") if field else ():
            if isinstance(value, dict) and key not in value:
                return ProbeFault(
                    ProbeFaultKind.NOT_READY,
                    f"no '{field}' in the message {_shown(payload)}; check the field",
                )
            value = value[key] if isinstance(value, dict) else None
        if isinstance(value, str):
            value = float(value)
    except (ValueError, RecursionError):
        return _unusable(payload)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return _unusable(payload)
    try:
        number = float(value)
    except OverflowError:
        return _unusable(payload)
    temp_c = (number - 32.0) / 1.8 if unit == "f" else number
    if not math.isfinite(temp_c) or temp_c < -273.15:
        return _unusable(payload)
    if abs(temp_c - NO_SENSOR_C) < 0.1:
        return ProbeFault(
            ProbeFaultKind.OPEN,
            f"{number:g} from the gateway means that its sensor does not answer; see to its plug there",
        )
    return Reading(temp_c)


def _unusable(payload: str | bytes) -> ProbeFault:
    return ProbeFault(
        ProbeFaultKind.BUS, f"no temperature in the message {_shown(payload)}; check topic, field and gateway"
    )


def _shown(payload: str | bytes) -> str:
    return repr(payload[:40])
