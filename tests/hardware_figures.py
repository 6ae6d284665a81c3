"""Prints the figures of docs/hardware.md: `python tests/hardware_figures.py`. About ten seconds."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import thermocouple_its90
from rtd_sensor import pt100

from coalminder.probes import max31855, platinum, type_k
from coalminder.probes.reader import ProbeReader
from coalminder.probes.thermistor import SteinhartHart
from coalminder.values import ProbeFault, ProbeFaultKind, Reading, Sample


def maths() -> None:
    """Worst errors of the conversions."""
    worst = max(abs(type_k.temp_c(thermocouple_its90.TypeK.emf(t / 100)) - t / 100) for t in range(50001))
    print(f"type K, 0..500 °C in hundredths, against thermocouple-its90: {worst:.6f} °C (bar 0.06)")
    worst = max(
        abs(platinum.temp_c(pt100.celsius_to_resistance(t / 100)) - t / 100) for t in range(-5000, 40001)
    )
    print(f"Pt100, -50..400 °C in hundredths, against rtd-sensor: {worst:.8f} °C (bar 0.01)")
    curve = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)
    published = ((32650.0, 0.0), (10000.0, 25.0), (3603.0, 49.99), (678.1, 100.02))
    worst = max(abs(curve.temp_c(ohm) - temp_c) for ohm, temp_c in published)
    print(f"NTC 10 kΩ type 2, published points: {worst:.4f} °C (bar 0.02)")
    errors = []
    for hot_c in range(0, 501, 5):
        emf_mv = type_k.emf_mv(float(hot_c)) - type_k.emf_mv(25.0)
        straight_c = emf_mv * 1000.0 / 41.276 + 25.0
        sample = max31855.linearise(max31855.Frame(straight_c, 25.0))
        assert isinstance(sample, Reading)
        errors.append((abs(straight_c - hot_c), abs(sample.temp_c - hot_c)))
    before, after = (max(column) for column in zip(*errors, strict=True))
    print(
        f"MAX31855 at a junction of 25 °C, 0..500 °C: straight line {before:.2f} °C, "
        f"re-linearised {after:.6f} °C (before its own steps of 0.25 °C)"
    )


class _Slow:
    def __init__(self, name: str) -> None:
        self.name = name

    def read(self) -> Sample:
        time.sleep(0.02)
        return Reading(20.0 + time.monotonic() % 1.0)


class _Hung:
    name = "pit"
    let_go = threading.Event()

    def read(self) -> Sample:
        self.let_go.wait()
        return Reading(20.0)


async def lateness(steps: int = 5) -> None:
    """The reader at 1 Hz: seven drivers of 20 ms, one hung for ever."""
    names = ("pit_2", "dome", "ambient", "char", "char_2", "brine", "box")
    reader = ProbeReader({"pit": _Hung(), **{name: _Slow(name) for name in names}})
    loop, late_s, gap_s = asyncio.get_running_loop(), 0.0, 0.0

    async def ticker() -> None:
        nonlocal gap_s
        before_s = loop.time()
        while True:
            await asyncio.sleep(0.005)
            gap_s = max(gap_s, loop.time() - before_s - 0.005)
            before_s = loop.time()

    watching = asyncio.create_task(ticker())
    start_s = loop.time()
    for step in range(steps):
        await asyncio.sleep(max(0.0, start_s + step - loop.time()))
        late_s = max(late_s, loop.time() - start_s - step)
        samples = await reader.read_all(float(step))
        hung = samples["pit"]
        assert isinstance(hung, ProbeFault)
        assert hung.kind is ProbeFaultKind.TIMEOUT
        assert all(isinstance(samples[name], Reading) for name in names)
    watching.cancel()
    _Hung.let_go.set()
    reader.close()
    print(
        f"eight probes at 1 Hz, one hung: latest step {late_s * 1000:.1f} ms (bar 50), "
        f"loop blocked {gap_s * 1000:.1f} ms"
    )


def snuff(times: int = 5) -> None:
    """From the start of the program `snuff` to its command on the wire."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "coalminder.toml")
        path.write_text("[vents.lower]\ndriver = 'simulated'\nstroke_s = 0.1\n", encoding="utf-8")
        worst_s = 0.0
        for _ in range(times):
            start_s = time.monotonic()
            words = [sys.executable, "-m", "coalminder.cli", "snuff", "--config", str(path)]
            with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as program:
                assert program.stderr is not None
                assert "shut commanded" in program.stderr.readline()
                worst_s = max(worst_s, time.monotonic() - start_s)
                program.stderr.read()
        print(f"snuff, start of the program to the command: {worst_s:.2f} s, worst of {times}")


if __name__ == "__main__":
    maths()
    asyncio.run(lateness())
    snuff()
