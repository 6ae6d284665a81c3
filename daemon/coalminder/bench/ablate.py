"""What each part of ours is worth: variants of the core with a part switched off, as a table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from coalminder.bench.controllers import Factory, ours
from coalminder.core import Config

Variant = Callable[[Config], Config]

#: name -> Config with that part off.
VARIANTS: dict[str, Variant] = {
    "no_lid": lambda c: replace(c, lid=replace(c.lid, recognise=False)),
    "no_floor": lambda c: replace(c, air=replace(c.air, floor_frac=1e-3)),
    "no_sparing": lambda c: replace(c, loop=replace(c.loop, deadband_v=0.0)),
    "no_derivative": lambda c: replace(c, loop=replace(c.loop, kd=0.0)),
    "no_adaption": lambda c: replace(c, response=replace(c.response, adapt=False)),
    "no_swing_guard": lambda c: replace(c, oscillation=replace(c.oscillation, guard=False)),
    "no_reference": lambda c: replace(c, loop=replace(c.loop, reference_lag_s=1.0)),
}


def variants() -> dict[str, Factory]:
    """`ours` whole, and without each part."""
    config = Config()
    return {"ours": ours(config)} | {name: ours(change(config)) for name, change in VARIANTS.items()}
