"""Contrast of every pair of colours that meet on the page, day and night, after WCAG 2.2."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import coalminder.page

CSS = (Path(coalminder.page.__file__).parent / "static" / "page.css").read_text("utf-8")
PAIRS = re.findall(r"--([\w-]+): var\(--day, (#\w+)\) var\(--night, (#\w+)\);", CSS)
COLOURS = {
    "day": {name: day for name, day, _ in PAIRS},
    "night": {name: night for name, _, night in PAIRS},
}


def channels(colour: str) -> tuple[float, float, float, float]:
    text = colour.removeprefix("#")
    values = [int(text[i : i + 2], 16) / 255 for i in range(0, len(text), 2)]
    return values[0], values[1], values[2], values[3] if len(values) == 4 else 1.0


def luminance(rgb: tuple[float, ...]) -> float:
    """Relative luminance, WCAG 2.2, glossary."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb[:3]]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def over(colour: str, ground: str) -> tuple[float, ...]:
    *front, alpha = channels(colour)
    back = channels(ground)
    return tuple(alpha * f + (1 - alpha) * b for f, b in zip(front, back, strict=False))


def contrast(colour: str, ground: str) -> float:
    """Contrast ratio, WCAG 2.2, glossary: (L1 + 0.05) / (L2 + 0.05)."""
    one, two = sorted((luminance(over(colour, ground)), luminance(channels(ground))), reverse=True)
    return (one + 0.05) / (two + 0.05)


@pytest.mark.parametrize(
    ("colour", "ground", "ratio"),
    # The extremes by definition; the greys are the usual ones next to 4.5:1 (common practice).
    [
        ("#000000", "#ffffff", 21.0),
        ("#ffffff", "#ffffff", 1.0),
        ("#777777", "#ffffff", 4.48),
        ("#767676", "#ffffff", 4.54),
    ],
)
def test_the_measure_itself(colour: str, ground: str, ratio: float) -> None:
    assert contrast(colour, ground) == pytest.approx(ratio, abs=0.005)


TEXT = [  # 1.4.6 (AAA) asks for 7:1; AA for 4.5:1
    ("ink", "paper"), ("soft", "paper"), ("ink", "call"), ("soft", "call"), ("on-deed", "deed"),
    ("on-end", "end"),
]  # fmt: skip
LINES = [  # 1.4.11 asks for 3:1
    ("edge", "paper"), ("deed", "paper"), ("end", "paper"), ("end", "call"),
    ("food-1", "paper"), ("food-2", "paper"), ("food-3", "paper"), ("food-4", "paper"),
]  # fmt: skip


@pytest.mark.parametrize("time", ["day", "night"])
@pytest.mark.parametrize("pair", TEXT, ids="-".join)
def test_text_is_readable_in_the_sun(time: str, pair: tuple[str, str]) -> None:
    colours = COLOURS[time]
    assert contrast(colours[pair[0]], colours[pair[1]]) >= 7.0


@pytest.mark.parametrize("time", ["day", "night"])
@pytest.mark.parametrize("pair", LINES, ids="-".join)
def test_lines_and_edges_can_be_seen(time: str, pair: tuple[str, str]) -> None:
    colours = COLOURS[time]
    assert contrast(colours[pair[0]], colours[pair[1]]) >= 3.0


@pytest.mark.parametrize("time", ["day", "night"])
@pytest.mark.parametrize("line", ["ink", "food-1", "food-2", "food-3", "food-4"])
def test_lines_can_be_seen_on_the_shaded_band(time: str, line: str) -> None:
    colours = COLOURS[time]
    band = "#" + "".join(f"{round(255 * c):02x}" for c in over(colours["shade"], colours["paper"]))
    assert contrast(colours[line], band) >= 3.0


def test_no_colour_is_used_that_was_not_measured() -> None:
    measured = {name for pair in (*TEXT, *LINES) for name in pair} | {"shade"}
    assert {name for name, _, _ in PAIRS} == measured
    rest = re.sub(r"--[\w-]+: var\(--day, [^;]*;", "", CSS)
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b(?=[;\s])", rest) == ["#000a"], "only what lies behind a question"
