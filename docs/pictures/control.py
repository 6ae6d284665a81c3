"""Draws docs/pictures/control-loop.png and control-cook.png: how the core tends a fire.

python docs/pictures/control.py     (needs the demo extra)
"""

from __future__ import annotations

import math
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.patches import FancyBboxPatch

from coalminder.core import Config, State, initial, step
from coalminder.events import Acknowledge, Event, Light, SetPoint, WoodAdded
from coalminder.grill import Kettle
from coalminder.values import Inputs, Phase, Reading
from coalminder.vents.curve import DEFAULT_CURVE

PIT, AIM, AIR, HOLD = "#1f4e79", "#b5452c", "#777777", "#6b8e23"
SECONDS = 170 * 60
LID_S = range(70 * 60, 72 * 60)
EVENTS: dict[int, tuple[Event, ...]] = {
    0: (Light(),),
    3600: (Acknowledge(),),
    LID_S.stop: (WoodAdded(mass_kg=0.08),),
    120 * 60: (Acknowledge(), SetPoint(temp_c=75.0)),
}


Course = list[tuple[State, float]]
"""The core and the true pit in °C, second by second."""


def cook() -> Course:
    """Lighting, a lid lifted for two minutes with a piece of wood, and a lower set point."""
    kettle, state, course = Kettle(seed=3), initial(Config()), Course()
    for second in range(SECONDS):
        inputs = Inputs(pit=Reading(kettle.pit_c()), events=EVENTS.get(second, ()))
        state, decision = step(state, inputs, float(second))
        if second == LID_S.stop:
            kettle.add_wood(0.08)
        lower, upper = DEFAULT_CURVE.position(decision.lower), DEFAULT_CURVE.position(decision.upper)
        kettle.advance(1.0, lower, upper, second in LID_S)
        course.append((state, kettle.true_pit_c))
    return course


def reference_c(state: State) -> float:
    """NaN where there is none: nobody regulates while lighting, or under an open lid."""
    return math.nan if state.phase is Phase.LIGHTING or state.lid.off else state.reference_c


def draw_cook(course: Course) -> plt.Figure:
    figure, (above, below) = plt.subplots(2, 1, figsize=(10.5, 7.0), sharex=True, layout="constrained")
    above.axhspan(80, 105, color="#eef3e6", label="band")
    minutes = [second / 60.0 for second in range(len(course))]
    set_point_c = [state.set_point_c for state, _ in course]
    above.plot(minutes, set_point_c, color=AIR, linestyle=":", label="set point")
    aim_c = [reference_c(state) for state, _ in course]
    above.plot(minutes, aim_c, color=AIM, linewidth=1.0, label="reference")
    above.plot(minutes, [pit_c for _, pit_c in course], color=PIT, label="pit")
    above.set(ylabel="°C", ylim=(0, 125))
    above.legend(loc="lower right", ncols=4)
    say(above, "wide open,\nno loop yet", (3, 40), (10, 22))
    say(above, "the reference begins at the pit\nand leads it in", (12, 87), (22, 60))
    say(above, "lid off for 2 min, nobody said so;\nthe pit returns by itself", (72, 70), (80, 50))
    say(above, "set point lowered", (121, 90), (126, 98))
    for name, label, color, style in (
        ("hold_v", "what holds, as learned", HOLD, "-"),
        ("floor_v", "floor", AIR, "--"),
        ("applied_v", "draught in force", PIT, "-"),
    ):
        draught = [100.0 * math.exp(getattr(state.air, name)) for state, _ in course]
        below.plot(minutes, draught, color=color, linestyle=style, linewidth=1.0, label=label)
    below.set(ylabel="draught, % of wide open", xlabel="min", yscale="log", ylim=(0.5, 150))
    below.set_yticks([1, 3, 10, 30, 100], ["1", "3", "10", "30", "100"])
    below.legend(loc="upper right", ncols=3)
    say(
        below,
        "the step from wide open:\nhow soon and how strongly the pit\nanswers sets the gains",
        (6.3, 6),
        (18, 24),
    )
    say(below, "lid off: floor only,\nthe loop stands still", (71, 1.2), (42, 0.62))
    say(
        below,
        "first as little as it takes; then the floor\nis raised: warm walls, not the fire,\nkeep the pit up",
        (126, 1.3),
        (128, 5),
    )
    for axes in (above, below):
        axes.grid(color="#dddddd")
        axes.spines[["top", "right"]].set_visible(False)
    return figure


def say(axes: Axes, text: str, at: tuple[float, float], text_at: tuple[float, float]) -> None:
    axes.annotate(
        text, at, text_at, fontsize=8.5, color="#333333", arrowprops={"arrowstyle": "-", "color": AIR}
    )


# left and bottom in the drawing's units, title, second line
BOXES: dict[str, tuple[float, float, str, str]] = {
    "probe": (0.0, 3.0, "pit probe", "°C, once a second"),
    "pit": (2.8, 3.0, "smooth, slope, noise", "pit.py"),
    "lid": (8.4, 4.6, "lid off? lid back?", "lid.py"),
    "reference": (5.6, 3.0, "reference", "reference.py"),
    "gains": (5.6, 1.4, "delay, answer, swings", "response.py, oscillation.py"),
    "pid": (8.4, 3.0, "P + I + D  →  v", "loop.py (simple-pid)"),
    "hold": (8.4, 1.4, "heat; what holds", "fire.py, air.py"),
    "limits": (11.2, 3.0, "floor ≤ v ≤ most", "drive.py, air.py"),
    "safety": (11.2, 4.6, "cut-off, throttle", "safety/"),
    "spare": (14.0, 3.0, "tube, speed", "air.py"),
    "share": (14.0, 1.4, "lower and upper vent", "air.py"),
}
ARROWS = (
    ("probe", "pit"), ("pit", "reference"), ("reference", "pid"), ("pid", "limits"), ("limits", "spare"),
    ("spare", "share"), ("pit", "lid"), ("lid", "pid"), ("pit", "gains"), ("gains", "pid"),
    ("hold", "limits"), ("safety", "limits"),
)  # fmt: skip
WIDE, HIGH = 2.3, 1.0


def draw_loop() -> plt.Figure:
    """One second of the core while it tends: who hands what to whom."""
    figure, axes = plt.subplots(figsize=(10.5, 4.2), layout="constrained")
    axes.set(xlim=(-0.1, 16.4), ylim=(1.2, 5.8))
    axes.axis("off")
    for left, bottom, title, module in BOXES.values():
        axes.add_patch(
            FancyBboxPatch((left, bottom), WIDE, HIGH, "round,pad=0,rounding_size=0.1", fc="#f4f6f8", ec=PIT)
        )
        axes.text(left + WIDE / 2, bottom + 0.62, title, ha="center", va="center", fontsize=8.5)
        axes.text(left + WIDE / 2, bottom + 0.28, module, ha="center", va="center", fontsize=7.5, color=AIR)
    for start, end in ARROWS:
        axes.annotate(
            "", *edges(BOXES[start][:2], BOXES[end][:2]), arrowprops={"arrowstyle": "->", "color": PIT}
        )
    return figure


def edges(
    start: tuple[float, float], end: tuple[float, float]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where an arrow ends and where it begins: on the sides of two boxes that face each other."""
    (x, y), (u, w) = start, end
    top_or_bottom = (x + WIDE / 2, y if w < y else y + HIGH)
    if u > x:
        return (u, w + HIGH / 2), (x + WIDE, y + HIGH / 2) if u - x < 2 * WIDE else top_or_bottom
    return (u + WIDE / 2, w + HIGH if w < y else w), top_or_bottom


def main() -> None:
    """Write the pictures beside this file."""
    here = Path(__file__).parent
    draw_loop().savefig(here / "control-loop.png", dpi=100)
    draw_cook(cook()).savefig(here / "control-cook.png", dpi=100)


if __name__ == "__main__":
    main()
