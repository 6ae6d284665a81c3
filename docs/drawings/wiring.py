"""Draws wiring.svg and .png: `python docs/drawings/wiring.py`. Needs matplotlib (extra demo)."""

from __future__ import annotations

from pathlib import Path

import matplotlib

matplotlib.use("Agg")
matplotlib.rcParams.update(
    {"svg.hashsalt": "coalminder", "font.family": "DejaVu Sans", "svg.fonttype": "none"}
)
import matplotlib.pyplot as plt  # noqa: E402 - after the choice of the back end
from matplotlib.axes import Axes  # noqa: E402
from matplotlib.patches import Arc, FancyBboxPatch, Polygon, Rectangle  # noqa: E402

HERE = Path(__file__).parent
# One colour a job; each line also carries its name, so that no meaning hangs on colour alone.
SUPPLY_3V3, SUPPLY_5V, GROUND, SIGNAL, BUS = "#b45309", "#b91c1c", "#111827", "#1d4ed8", "#047857"


def box(ax: Axes, x: float, y: float, width: float, height: float, title: str, face: str = "#f3f4f6") -> None:
    ax.add_patch(
        FancyBboxPatch(
            (x, y), width, height, boxstyle="round,pad=0.02,rounding_size=0.12", fc=face, ec="#374151", lw=1.3
        )
    )
    ax.text(x + width / 2, y + height - 0.12, title, ha="center", va="top", fontsize=10.5, weight="bold")


def pin(ax: Axes, x: float, y: float, label: str, side: str = "left") -> None:
    ax.plot([x], [y], "o", ms=4.5, color="#111827", zorder=5)
    ax.text(
        x + (0.14 if side == "left" else -0.14),
        y,
        label,
        ha="left" if side == "left" else "right",
        va="center",
        fontsize=8.5,
    )


def wire(
    ax: Axes,
    points: list[tuple[float, float]],
    color: str,
    label: str = "",
    at: int = 0,
    dashed: bool = False,
) -> None:
    xs, ys = zip(*points, strict=True)
    ax.plot(xs, ys, color=color, lw=1.9, solid_joinstyle="round", ls=(0, (4, 2)) if dashed else "-", zorder=2)
    if label:
        (x0, y0), (x1, y1) = points[at], points[at + 1]
        ax.text(
            (x0 + x1) / 2, (y0 + y1) / 2 + 0.08, label, ha="center", va="bottom", fontsize=8, color=color,
            bbox={"fc": "white", "ec": "none", "pad": 0.6}, zorder=6,
        )  # fmt: skip


def joint(ax: Axes, x: float, y: float, color: str) -> None:
    ax.plot([x], [y], "o", ms=5, color=color, zorder=5)


def resistor(ax: Axes, x: float, y: float, label: str) -> None:
    ax.add_patch(Rectangle((x - 0.09, y - 0.28), 0.18, 0.56, fc="white", ec="#374151", lw=1.3, zorder=4))
    ax.text(x - 0.18, y, label, ha="right", va="center", fontsize=8)


def board(ax: Axes) -> None:
    box(ax, 5.3, 1.6, 3.0, 7.1, "Raspberry Pi")
    ax.text(6.8, 8.2, "pin of the 40-pin header · GPIO", ha="center", fontsize=8, color="#4b5563")
    for y, label in (
        (7.6, "1 · 3.3 V"), (7.0, "6 · ground"), (6.4, "23 · GPIO 11 clock"), (5.9, "21 · GPIO 9 data in"),
        (5.4, "19 · GPIO 10 data out"), (4.9, "24 · GPIO 8 select 0"), (4.4, "26 · GPIO 7 select 1"),
        (2.9, "7 · GPIO 4 1-Wire"), (2.3, "17 · 3.3 V"),
    ):  # fmt: skip
        pin(ax, 5.3, y, label)
    for y, label in ((6.6, "GPIO 18 · 12"), (5.2, "ground · 14"), (3.2, "USB-C 5 V")):
        pin(ax, 8.3, y, label, "right")


def probes(ax: Axes) -> None:
    box(ax, 0.4, 6.7, 2.7, 2.0, "MAX31855 board", "#ecfdf5")
    ax.text(1.75, 8.2, "thermocouple to SPI", ha="center", fontsize=8, color="#4b5563")
    ax.plot([-0.9, 0.4], [7.75, 7.6], color="#92400e", lw=2)
    ax.plot([-0.9, 0.4], [7.75, 7.2], color="#4b5563", lw=2)
    ax.plot([-0.9], [7.75], "o", ms=7, color="#92400e")
    ax.text(-0.9, 8.05, "pit: type K\ninsulated tip", ha="center", va="bottom", fontsize=8.5)
    ax.text(0.3, 7.72, "+", fontsize=10, ha="right")
    ax.text(0.3, 6.98, "−", fontsize=10, ha="right")

    box(ax, 0.4, 3.6, 2.7, 2.3, "MCP3208", "#ecfdf5")
    ax.text(
        1.75,
        5.42,
        "8 inputs, 12 bits; own supply\nand reference at 3.3 V",
        ha="center",
        va="top",
        fontsize=8,
        color="#4b5563",
    )
    resistor(ax, -0.35, 5.5, "10 kΩ 1 %")
    wire(ax, [(-0.35, 6.05), (-0.35, 5.78)], SUPPLY_3V3)
    ax.text(-0.35, 6.1, "3.3 V", ha="center", va="bottom", fontsize=8, color=SUPPLY_3V3)
    wire(ax, [(-0.35, 5.22), (-0.35, 4.68)], SIGNAL)
    wire(ax, [(-0.35, 4.95), (0.4, 4.95)], SIGNAL, "input 0")
    resistor(ax, -0.35, 4.4, "food: NTC\n10 kΩ at 25 °C")
    wire(ax, [(-0.35, 4.12), (-0.35, 3.75)], GROUND)
    ax.plot([-0.5, -0.2], [3.75, 3.75], color=GROUND, lw=2)
    ax.text(1.75, 4.2, "100 nF beside every chip", fontsize=8, color="#4b5563", va="center", ha="center")
    joint(ax, -0.35, 4.95, SIGNAL)

    box(ax, 0.4, 1.75, 2.7, 1.35, "DS18B20", "#ecfdf5")
    ax.text(1.75, 2.35, "air outside; three wires", ha="center", fontsize=8, color="#4b5563")


def buses(ax: Axes) -> None:
    for offset, (y, label) in enumerate(((6.4, "clock"), (5.9, "data in"), (5.4, "data out"))):
        x = 3.7 + 0.22 * offset
        upper, lower = 8.0 - 0.22 * offset, 5.5 - 0.22 * offset
        if label == "data out":
            wire(ax, [(5.3, y), (x, y), (x, lower), (3.1, lower)], BUS)
        else:
            wire(ax, [(5.3, y), (x, y), (x, upper), (3.1, upper)], BUS)
            wire(ax, [(x, y), (x, lower), (3.1, lower)], BUS)
            joint(ax, x, y, BUS)
        ax.text(5.22, y + 0.05, label, fontsize=8, color=BUS, ha="right", va="bottom")
    wire(ax, [(5.3, 4.9), (4.35, 4.9), (4.35, 7.2), (3.1, 7.2)], BUS, "select 0", 0)
    wire(ax, [(5.3, 4.4), (3.1, 4.4)], BUS, "select 1")
    wire(ax, [(5.3, 7.6), (4.9, 7.6), (4.9, 8.45), (3.1, 8.45)], SUPPLY_3V3, "3.3 V", 2)
    wire(ax, [(3.25, 8.45), (3.25, 5.72), (3.1, 5.72)], SUPPLY_3V3)
    joint(ax, 3.25, 8.45, SUPPLY_3V3)
    joint(ax, 3.42, 6.85, GROUND)
    wire(ax, [(5.3, 7.0), (4.75, 7.0), (4.75, 6.85), (3.1, 6.85)], GROUND)
    ax.text(5.22, 7.05, "ground", fontsize=8, color=GROUND, ha="right", va="bottom")
    wire(ax, [(3.1, 4.05), (3.42, 4.05), (3.42, 6.85)], GROUND)
    wire(ax, [(5.3, 2.9), (3.1, 2.9)], BUS, "data", 0)
    wire(ax, [(5.3, 2.3), (4.2, 2.3), (3.1, 2.3)], SUPPLY_3V3, "3.3 V", 1)
    resistor(ax, 4.2, 2.6, "")
    joint(ax, 4.2, 2.9, BUS)
    joint(ax, 4.2, 2.3, SUPPLY_3V3)
    ax.text(4.32, 2.6, "4.7 kΩ", fontsize=8, va="center")
    wire(ax, [(3.1, 1.95), (3.6, 1.95), (3.6, 1.25), (5.6, 1.25), (5.6, 1.6)], GROUND, "ground", 2)


def vent(ax: Axes) -> None:
    box(ax, 10.3, 5.6, 2.4, 2.0, "servo, metal gears", "#eff6ff")
    ax.text(
        11.5,
        6.75,
        "on a bracket, away from the\nkettle; rod to the plate",
        ha="center",
        va="center",
        fontsize=8,
        color="#4b5563",
    )
    wire(ax, [(8.3, 6.6), (9.2, 6.6)], SIGNAL)
    ax.add_patch(Rectangle((9.2, 6.5), 0.42, 0.2, fc="white", ec="#374151", lw=1.3, zorder=4))
    ax.text(9.41, 6.8, "330 Ω", ha="center", fontsize=8)
    wire(ax, [(9.62, 6.6), (10.3, 6.6)], SIGNAL)
    ax.text(8.75, 6.68, "signal", fontsize=8, color=SIGNAL, ha="center")
    resistor(ax, 9.85, 6.0, "")
    wire(ax, [(9.85, 6.6), (9.85, 6.28)], SIGNAL)
    wire(ax, [(9.85, 5.72), (9.85, 5.2)], GROUND)
    ax.text(9.72, 6.0, "10 kΩ", fontsize=8, ha="right", va="center")
    wire(ax, [(8.3, 5.2), (10.7, 5.2), (10.7, 5.6)], GROUND, "one common ground", 0)

    box(ax, 8.9, 2.0, 3.8, 2.1, "5 V supply, 3 A or more", "#fff7ed")
    ax.text(
        10.8,
        3.5,
        "indoors or in a dry box,\nbehind an RCD of 30 mA",
        ha="center",
        va="center",
        fontsize=8,
        color="#4b5563",
    )
    wire(ax, [(8.9, 3.2), (8.3, 3.2)], SUPPLY_5V, "", 0)
    ax.text(8.6, 3.28, "5 V", fontsize=8, color=SUPPLY_5V, ha="center")
    wire(ax, [(12.2, 4.1), (12.2, 4.5)], SUPPLY_5V)
    ax.add_patch(Rectangle((12.1, 4.5), 0.2, 0.42, fc="white", ec="#374151", lw=1.3, zorder=4))
    ax.text(12.38, 4.71, "fuse 2 A", fontsize=8, va="center")
    wire(ax, [(12.2, 4.92), (12.2, 5.6)], SUPPLY_5V)
    ax.text(12.28, 5.3, "5 V", fontsize=8, color=SUPPLY_5V)
    wire(ax, [(10.7, 5.2), (10.7, 4.1)], GROUND)
    ax.plot([11.3, 11.3], [4.85, 5.2], color=GROUND, lw=1.9)
    wire(ax, [(10.7, 5.2), (11.3, 5.2)], GROUND)
    ax.plot([11.12, 11.48], [4.85, 4.85], color="#374151", lw=2.4)
    ax.plot([11.12, 11.48], [4.75, 4.75], color="#374151", lw=2.4)
    wire(ax, [(11.3, 4.75), (11.3, 4.5), (12.1, 4.5)], SUPPLY_5V)
    ax.text(11.55, 4.95, "470 µF", fontsize=8, ha="left", va="center")
    joint(ax, 9.85, 6.6, SIGNAL)
    joint(ax, 9.85, 5.2, GROUND)
    joint(ax, 10.7, 5.2, GROUND)
    joint(ax, 12.2, 4.5, SUPPLY_5V)


def kettle(ax: Axes) -> None:
    ax.add_patch(Arc((15.4, 6.4), 2.9, 3.1, theta1=0, theta2=180, lw=2.2, ec="#374151"))
    ax.add_patch(Arc((15.4, 6.4), 2.9, 3.1, theta1=180, theta2=360, lw=2.2, ec="#374151"))
    ax.plot([13.95, 16.85], [6.4, 6.4], color="#374151", lw=1.2)
    ax.plot([14.1, 16.7], [6.75, 6.75], color="#6b7280", lw=1.6)
    ax.text(15.4, 6.8, "grate and food", ha="center", va="bottom", fontsize=8)
    for x in (14.7, 14.95, 15.2):
        ax.add_patch(Polygon([(x - 0.12, 5.45), (x, 5.65), (x + 0.12, 5.45)], fc="#7f1d1d", ec="none"))
    ax.text(14.95, 5.72, "coals", ha="center", va="bottom", fontsize=8)
    ax.plot([15.0, 15.8], [4.85, 4.85], color="#111827", lw=4)
    ax.text(15.4, 4.98, "plate", ha="center", va="bottom", fontsize=8)
    wire(ax, [(12.7, 6.0), (13.4, 4.85), (15.0, 4.85)], "#374151")
    ax.text(13.35, 5.35, "rod", fontsize=8)
    ax.plot([15.8, 16.4, 16.4], [4.85, 4.85, 4.1], color="#374151", lw=1.3)
    ax.add_patch(Rectangle((16.2, 3.65), 0.4, 0.45, fc="#4b5563", ec="none"))
    ax.text(
        15.4,
        3.45,
        "a weight or spring pulls the plate SHUT when\nthe power is lost: see 'If the power fails'",
        ha="center",
        va="top",
        fontsize=8.5,
        weight="bold",
    )
    ax.text(15.4, 8.15, "kettle, outdoors only", ha="center", fontsize=10.5, weight="bold")


def main() -> None:
    """Draw both files beside this script."""
    figure, ax = plt.subplots(figsize=(15.5, 7.6))
    ax.set_xlim(-1.8, 17.2)
    ax.set_ylim(0.4, 9.6)
    ax.set_aspect("equal")
    ax.axis("off")
    ax.text(-1.7, 9.35, "Coalminder: wiring of one grill", fontsize=14, weight="bold", va="center")
    ax.text(
        -1.7, 0.6,
        "Probe signals are 3.3 V: never put 5 V on a pin of the Pi. The servo never takes its current "
        "through the Pi. Unplug everything before you change a wire.",
        fontsize=9, va="center",
    )  # fmt: skip
    for part in (board, probes, buses, vent, kettle):
        part(ax)
    figure.tight_layout(pad=0.3)
    figure.savefig(HERE / "wiring.svg", metadata={"Date": None, "Creator": None})
    figure.savefig(HERE / "wiring.png", dpi=110, metadata={"Software": None})


if __name__ == "__main__":
    main()
