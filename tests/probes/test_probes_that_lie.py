"""Mistakes of wiring and setting that leave a plausible number: the table of docs/wiring.md.

What each shows follows from the Seebeck effect with the emf of IEC 60584-1, the beta equation and IEC 60751;
the decoders of the project turn it into the figure that a cook would see. Emfs of types J, N and T at 25 and
100 °C are those of the printed tables, from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from math import exp
from pathlib import Path

import pytest

from coalminder.probes import platinum, type_k
from coalminder.probes.max31855 import UV_PER_C, Frame, linearise
from coalminder.probes.thermistor import Divider, from_beta
from coalminder.values import Reading, Sample

PAGE = Path(__file__).parents[2] / "docs" / "wiring.md"
CONVERTER_C, JOINT_C = 25.0, 60.0
TRUE_C = (20.0, 71.0, 100.0)  # a cold grill, a core, a pit
BETA_K = 3950.0
OTHERS_MV = {"J": (1.277, 5.269), "N": (0.659, 2.774), "T": (0.992, 4.279)}  # at 25 and at 100 °C


def shown(sample: Sample) -> float:
    assert isinstance(sample, Reading)
    return sample.temp_c


def max31855(emf_mv: float) -> float:
    """What the chip makes of an emf at its terminals, by its own straight line, and the project of that."""
    return shown(linearise(Frame(CONVERTER_C + emf_mv * 1000.0 / UV_PER_C, CONVERTER_C)))


def between(hot_c: float, cold_c: float) -> float:
    return type_k.emf_mv(hot_c) - type_k.emf_mv(cold_c)


def joint_c(true_c: float) -> float:
    """A joint of the cable near the grill: as cold as the converter before the fire."""
    return CONVERTER_C if true_c < 30.0 else JOINT_C


def swapped_once(true_c: float) -> float:
    return max31855(-between(true_c, CONVERTER_C))


def swapped_twice(true_c: float) -> float:
    joint = joint_c(true_c)
    return max31855(between(true_c, joint) - between(joint, CONVERTER_C))


def copper(true_c: float) -> float:
    return max31855(between(true_c, joint_c(true_c)))


def other_type(letter: str) -> Callable[[float], float | None]:
    def show(true_c: float) -> float | None:
        at_25_mv, at_100_mv = OTHERS_MV[letter]
        return max31855(at_100_mv - at_25_mv) if true_c == 100.0 else None

    return show


def ntc_ohm(true_c: float, r25_ohm: float = 10_000.0, beta_k: float = BETA_K) -> float:
    return r25_ohm * exp(beta_k * (1.0 / (true_c + 273.15) - 1.0 / 298.15))


def divider(
    ohm: float, fitted_ohm: float = 10_000.0, set_ohm: float = 10_000.0, set_k: float = BETA_K
) -> float:
    """A divider with the resistor `fitted_ohm`, read as one with `set_ohm` and 10 kΩ at 25 °C."""
    ratio = ohm / (ohm + fitted_ohm)
    return shown(Divider(from_beta(set_k, 10_000.0), set_ohm).sample(ratio, 1.0 / 4096.0))


def beside(ohm: float, other_ohm: float) -> float:
    return ohm * other_ohm / (ohm + other_ohm)


LIES: dict[str, Callable[[float], float | None]] = {
    "thermocouple's wires swapped at one end": swapped_once,
    "swapped at both ends of a lengthened cable": swapped_twice,
    "lengthened with copper": copper,
    "type N read as K": other_type("N"),
    "type J read as K": other_type("J"),
    "type T read as K": other_type("T"),
    "thermistor of 100 kΩ, 10 kΩ set": lambda t: divider(ntc_ohm(t, r25_ohm=100_000.0)),
    "resistor of 10 kΩ, 4.7 kΩ set": lambda t: divider(ntc_ohm(t), 10_000.0, 4_700.0),
    "resistor of 4.7 kΩ, 10 kΩ set": lambda t: divider(ntc_ohm(t), 4_700.0, 10_000.0),
    "beta of 3950 K set for one of 3435 K": lambda t: divider(ntc_ohm(t, beta_k=3435.0)),
    "beta of 3435 K set for one of 3950 K": lambda t: divider(ntc_ohm(t), set_k=3435.0),
    "water in a thermistor's plug, 5 kΩ": lambda t: divider(beside(ntc_ohm(t), 5_000.0)),
    "bad contact in a thermistor's plug, 1 kΩ": lambda t: divider(ntc_ohm(t) + 1_000.0),
    "Pt100 on a reference of 400 Ω, 430 set": lambda t: platinum.temp_c(
        platinum.resistance_ohm(t) * 430.0 / 400.0
    ),
    "Pt100 on two wires of 0.5 Ω each": lambda t: platinum.temp_c(platinum.resistance_ohm(t) + 1.0),
}


def cells(true_to_shown: Callable[[float], float | None]) -> list[str]:
    found = [true_to_shown(true_c) for true_c in TRUE_C]
    return ["–" if shown_c is None else f"{shown_c:.0f}" for shown_c in found]


@pytest.mark.parametrize("mistake", LIES)
def test_the_page_tells_what_each_mistake_shows(mistake: str) -> None:
    rows = re.findall(r"^\| (.+?) \| (.*?) \| (.*?) \| (.*?) \|", PAGE.read_text("utf-8"), re.MULTILINE)
    told = {name: [cell.strip() for cell in row] for name, *row in rows}
    assert told[mistake] == cells(LIES[mistake])


def test_no_mistake_is_told_that_is_not_reckoned() -> None:
    part = PAGE.read_text("utf-8").split("## Probes that lie", 1)[1].split("\n## ", 1)[0]
    names = re.findall(r"^\| (.+?) \|", part, re.MULTILINE)
    assert set(names[1:]) == set(LIES)
