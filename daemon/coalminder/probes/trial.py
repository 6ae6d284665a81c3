"""What a trial of a probe says: noise, drift, faults, verdict and remedy. Pure; `check` does the reading."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt

from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample

NOISY_C = 1.0  # our choice: a quiet converter is ten times better, a bad cable a few times worse
LOOSE_FRAC = 0.1
ALIKE_C = 8.0  # probes in one cold grill, one of them in the sun (estimate)

#: What to do, for every kind of fault. The probe's own detail says what was seen.
REMEDIES: dict[ProbeFaultKind, str] = {
    ProbeFaultKind.OPEN: "push the plug home; measure the probe with an ohmmeter; try another one",
    ProbeFaultKind.SHORT: "dry the plug and the socket; look for crushed cable; try another probe",
    ProbeFaultKind.SHORT_TO_GROUND: "use an insulated thermocouple, or keep its tip off the grate",
    ProbeFaultKind.SHORT_TO_SUPPLY: "look for a bare wire at 3.3 V; check the solder joints",
    ProbeFaultKind.OUT_OF_RANGE: "is it the kind of probe that the configuration says? swap its two wires",
    ProbeFaultKind.IMPLAUSIBLE_RATE: "loose contact: wiggle the plug and watch; not beside the servo's cable",
    ProbeFaultKind.STUCK: "restart the board; if it stays stuck, change the converter",
    ProbeFaultKind.STALE: "is the gateway on and in reach? does it publish often enough for max_age_s?",
    ProbeFaultKind.CHECKSUM: "shorten the cable; pull-up of 4.7 kΩ, 2.2 kΩ for long ones; three wires",
    ProbeFaultKind.NOT_READY: "the chip restarts: a better supply, and a capacitor of 100 nF beside it",
    ProbeFaultKind.BUS: "is the bus enabled in config.txt? check the wires in docs/wiring.md, one by one",
    ProbeFaultKind.TIMEOUT: "the bus hangs: unplug the probes one by one, then restart the board",
}

#: The same where no chip of ours has a part in it: the readings come as messages.
_GATEWAY = "is the gateway on? see what it publishes with an MQTT client: topic, field, unit"
GATEWAY_REMEDIES: dict[ProbeFaultKind, str] = REMEDIES | {
    ProbeFaultKind.NOT_READY: _GATEWAY + "; a slow probe needs a longer look (--seconds)",
    ProbeFaultKind.BUS: _GATEWAY,
    ProbeFaultKind.OUT_OF_RANGE: _GATEWAY,
    ProbeFaultKind.IMPLAUSIBLE_RATE: "do two probes share the topic? name the field of this one",
    ProbeFaultKind.STUCK: "does the gateway send the last reading again and again? restart it",
}


@dataclass(frozen=True, slots=True)
class Trial:
    """The result of a few seconds of readings. noise_c: standard deviation about the trend.

    gateway: the readings came as messages. fahrenheit: they agree with the other probes as °F only.
    """

    name: str
    readings: int
    samples: int
    mean_c: float | None
    noise_c: float | None
    drift_c_per_min: float | None
    faults: tuple[tuple[ProbeFaultKind, int], ...]
    detail: str
    gateway: bool = False
    fahrenheit: bool = False

    @property
    def good(self) -> bool:
        """True when the probe may tend a fire."""
        return self.verdict == "good"

    @property
    def verdict(self) -> str:
        """One of good, noisy, loose, unit, fault."""
        if self.readings == 0:
            return "fault"
        if sum(count for _, count in self.faults) > LOOSE_FRAC * self.samples:
            return "loose"
        if self.fahrenheit:
            return "unit"
        if self.noise_c is not None and self.noise_c > NOISY_C:
            return "noisy"
        return "good"

    @property
    def remedy(self) -> str:
        """What to do, "" when nothing is needed."""
        if self.verdict in ("fault", "loose"):
            return (GATEWAY_REMEDIES if self.gateway else REMEDIES)[self.faults[0][0]]
        if self.verdict == "unit":
            return (
                "it agrees with the others as °F: unit = 'f'; if it is as warm as it says, let it cool first"
            )
        if self.verdict == "noisy":
            return (
                "twist or shield its cable, keep it off the servo's, add a capacitor; is the tip in a flame?"
            )
        return ""


def judge(name: str, timed: Sequence[tuple[float, Sample]], *, gateway: bool = False) -> Trial:
    """The trial of a probe from (time in s, sample) pairs.

    A chip that was just set up is `not_ready` once, a gateway's probe until its first message: that is left
    out, but for the last sample.
    """
    while len(timed) > 1 and _not_ready(timed[0][1]):
        timed = timed[1:]
        if not gateway:
            break
    good = [(at_s, sample.temp_c) for at_s, sample in timed if isinstance(sample, Reading)]
    bad = [sample for _, sample in timed if isinstance(sample, ProbeFault)]
    kinds = Counter(fault.kind for fault in bad).most_common()
    detail = next((fault.detail for fault in bad if kinds and fault.kind is kinds[0][0]), "")
    mean_c = noise_c = drift = None
    if good:
        mean_c = sum(temp_c for _, temp_c in good) / len(good)
    if len(good) >= 3:
        slope, noise_c = _line(good)
        drift = slope * 60.0
    return Trial(name, len(good), len(timed), mean_c, noise_c, drift, tuple(kinds), detail, gateway)


def with_units(trials: Sequence[Trial]) -> list[Trial]:
    """The trials, those marked `fahrenheit` whose messages seem to be in °F.

    A core in °F that is taken for °C is done before it is warm. In a cold grill all probes are about as warm
    as the air, and no air of 15 °C looks like 59 °C.
    """
    means_c = [trial.mean_c for trial in trials if trial.mean_c is not None]

    def doubted(mean_c: float) -> bool:
        others_c = [other_c for other_c in means_c if other_c != mean_c]
        as_f_c = (mean_c - 32.0) / 1.8
        near = [abs(as_f_c - other_c) < ALIKE_C for other_c in others_c]
        return any(near) and all(abs(mean_c - other_c) > ALIKE_C for other_c in others_c)

    return [
        replace(trial, fahrenheit=trial.gateway and trial.mean_c is not None and doubted(trial.mean_c))
        for trial in trials
    ]


def apart(trials: Sequence[Trial]) -> list[str]:
    """What to say of the probes that do not show what the pit's shows (the first one's without it).

    No verdict: only the person knows whether they hang in the same air. In a cold grill another resistor or
    reference than the configured one shows; over the fire it is a number like any other.
    """
    means = {
        trial.name: trial.mean_c for trial in trials if trial.mean_c is not None and not trial.fahrenheit
    }
    if not means:
        return []
    first = "pit" if "pit" in means else next(iter(means))
    far = {name: mean_c - means[first] for name, mean_c in means.items()}
    return [
        f"{name}: {abs(by_c):.0f} °C {'more' if by_c > 0.0 else 'less'} than {first}. In the same air they "
        "agree: hold them side by side and check again; 'Probes that lie' in docs/wiring.md says what it is"
        for name, by_c in far.items()
        if abs(by_c) > ALIKE_C
    ]


def _not_ready(sample: Sample) -> bool:
    return isinstance(sample, ProbeFault) and sample.kind is ProbeFaultKind.NOT_READY


def table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Text in columns; the last column may be of any length."""
    widths = [max(len(row[column]) for row in [headings, *rows]) for column in range(len(headings) - 1)]
    lines = [
        "  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[-1]]).rstrip()
        for row in [headings, *rows]
    ]
    return "\n".join(lines)


def _line(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Least squares: slope, and the standard deviation about the line."""
    count = len(points)
    mean_x = sum(x for x, _ in points) / count
    mean_y = sum(y for _, y in points) / count
    spread = sum((x - mean_x) ** 2 for x, _ in points)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / spread if spread else 0.0
    rest = sum((y - mean_y - slope * (x - mean_x)) ** 2 for x, y in points)
    return slope, sqrt(rest / (count - 2))
