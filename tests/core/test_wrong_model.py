"""The core believes a nominal kettle. Each belief wrong by a factor of two must not cost the cook."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from coalminder.core import Config
from coalminder.grill import demo
from coalminder.rehearse.fast import run_fast
from coalminder.rehearse.summary import summarise

BELIEFS: dict[str, Callable[[Config, float], Config]] = {
    "loss per kelvin": lambda c, f: replace(c, fire=replace(c.fire, loss_w_per_k=c.fire.loss_w_per_k * f)),
    "lag of the kettle": lambda c, f: replace(c, fire=replace(c.fire, lag_s=c.fire.lag_s * f)),
    "heat of charcoal": lambda c, f: replace(c, fire=replace(c.fire, heat_j_per_kg=c.fire.heat_j_per_kg * f)),
    "charcoal laid": lambda c, f: replace(c, fire=replace(c.fire, charcoal_kg=c.fire.charcoal_kg * f)),
    "power of heat in draught": lambda c, f: replace(c, air=replace(c.air, heat_power=c.air.heat_power * f)),
    "holding draught": lambda c, f: replace(c, loop=replace(c.loop, hold_opening=c.loop.hold_opening * f)),
    "leak beside the vent": lambda c, f: replace(
        c, split=replace(c.split, leak_opening=c.split.leak_opening * f)
    ),
    "usual lag": lambda c, f: replace(c, response=replace(c.response, usual_s=c.response.usual_s * f)),
    "lighting ahead": lambda c, f: replace(c, lighting=replace(c.lighting, ahead_s=c.lighting.ahead_s * f)),
}


@pytest.mark.parametrize("factor", [0.5, 2.0], ids=["half", "double"])
@pytest.mark.parametrize("belief", BELIEFS.values(), ids=BELIEFS.keys())
def test_a_belief_wrong_by_two_does_not_cost_the_cook(
    belief: Callable[[Config, float], Config], factor: float
) -> None:
    scene = demo()
    kettle = scene.kettle(2)
    config = belief(Config(), factor)
    run = run_fast(kettle, config, scene.disturbances, 3 * 3600.0)
    summary = summarise(
        run.trace, low_c=80.0, high_c=105.0, seed=2, wall_s=0.0, fuel_used_kg=None, fire_alive=kettle.alive
    )
    assert summary["in_band_frac"] >= 0.95
    assert summary["peak_c"] <= 121.0
    assert kettle.alive
    assert summary["alarms"] == []
