"""Draws docs/pictures/grill-practice.png: what cooks know of a kettle, on the simulated one.

python docs/pictures/grill.py     (needs the demo extra)
"""

from __future__ import annotations

from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
from matplotlib.axes import Axes

from coalminder.grill import Kettle
from coalminder.grill.practice import SMOKE_SEEN_KG_PER_S, UPPER, hold

PIT, BED, DOME, AIR = "#1f4e79", "#b5452c", "#6b8e23", "#777777"


def burning(hours: float = 1.5, charcoal_kg: float = 1.8) -> tuple[Kettle, float]:
    """A kettle that has settled at 93 °C, and its lower vent."""
    kettle = Kettle(charcoal_kg=charcoal_kg, pit_c=93.0)
    return kettle, hold(kettle, 93.0, hours * 3600.0)


def shut(axes: Axes) -> None:
    kettle = Kettle()
    while kettle.true_pit_c < 120.0:
        kettle.advance(10.0, 0.3, 0.6)
    minutes, pit, bed, out = [], [], [], 0.0
    for minute in range(91):
        minutes.append(minute)
        pit.append(kettle.true_pit_c)
        bed.append(kettle.bed_c)
        if kettle.alive:
            out = minute
        kettle.advance(60.0, 0.0, 0.0)
    axes.plot(minutes, pit, color=PIT, label="pit")
    axes.plot(minutes, bed, color=BED, label="glowing coals")
    axes.axvline(out, color=AIR, linestyle=":")
    axes.text(out + 1.5, 430, f"out of reach of air\nafter {out:.0f} min", color=AIR)
    axes.set(title="All vents shut at 120 °C", xlabel="min", ylabel="°C", ylim=(0, 700))
    axes.legend(loc="upper right")


def lifted(axes: Axes) -> None:
    kettle, lower = burning()
    minutes, pit, probe, dome = [], [], [], []
    for second in range(-600, 2700, 10):
        minutes.append(second / 60.0)
        pit.append(kettle.true_pit_c)
        probe.append(kettle.pit_c())
        dome.append(kettle.dome_c())
        kettle.advance(10.0, lower, UPPER, 0 <= second < 120)
    axes.axvspan(0, 2, color="#eeeeee")
    axes.plot(minutes, pit, color=PIT, label="pit")
    axes.plot(minutes, probe, color=PIT, alpha=0.4, label="pit probe")
    axes.plot(minutes, dome, color=DOME, label="dome probe")
    axes.set(title="Lid off for 2 min, vents left alone", xlabel="min", ylabel="°C")
    axes.legend(loc="lower right")


def pulse(axes: Axes) -> None:
    kettle, lower = burning()
    minutes, pit, vent = [], [], []
    for second in range(-600, 5400, 10):
        position = 4.0 * lower if 0 <= second < 600 else lower
        minutes.append(second / 60.0)
        pit.append(kettle.true_pit_c)
        vent.append(100.0 * position)
        kettle.advance(10.0, position, UPPER)
    axes.plot(minutes, pit, color=PIT, label="pit, °C")
    axes.plot(minutes, vent, color=AIR, label="lower vent, % of travel")
    axes.set(title="Vent opened four times as far for 10 min", xlabel="min", ylim=(0, 150))
    axes.legend(loc="upper right")


def smoked(axes: Axes) -> None:
    kettle, lower = burning()
    minutes, smoke = [], []
    for minute in range(120):
        if minute in (0, 33, 66):
            kettle.add_wood(0.08)
        made = kettle.value("smoke_kg")
        kettle.advance(60.0, lower, UPPER)
        minutes.append(minute)
        smoke.append(1000.0 * (kettle.value("smoke_kg") - made))
    axes.plot(minutes, smoke, color=BED)
    axes.axhline(60e3 * SMOKE_SEEN_KG_PER_S, color=AIR, linestyle=":")
    axes.text(100, 60e3 * SMOKE_SEEN_KG_PER_S + 0.05, "thin smoke", color=AIR)
    axes.set(title="80 g of wood at 0, 33 and 66 min", xlabel="min", ylabel="smoke, g/min")


def main() -> None:
    """Write the picture beside this file."""
    figure, panels = plt.subplots(2, 2, figsize=(10.5, 7.2), layout="constrained")
    for draw, axes in zip((shut, lifted, pulse, smoked), panels.flat, strict=True):
        draw(axes)
        axes.grid(color="#dddddd")
        axes.spines[["top", "right"]].set_visible(False)
    figure.savefig(Path(__file__).with_name("grill-practice.png"), dpi=100)


if __name__ == "__main__":
    main()
