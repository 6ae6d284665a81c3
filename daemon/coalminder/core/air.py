"""Air: from the loop's v = ln(draught) to two openings, with the floor that keeps the fire alive.

Draught here is the opening of the lower vent, linear in flow (0..1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.core.config import AirConfig, LoopConfig, SplitConfig

SHUT_V = math.log(2e-4)  # at or below this the vents are shut
OPEN_V = 0.0
_TRICKLE = 1e-6


@dataclass(frozen=True, slots=True)
class AirState:
    """hold_v: what holds the pit, learned slowly; applied_v: the draught in force; floor_v: its floor.

    closing_v: how much the vents were closed of late (forgotten with `closing_s`).
    """

    hold_v: float
    applied_v: float = SHUT_V
    floor_v: float = SHUT_V
    closing_v: float = 0.0


def floor(state: AirState, config: AirConfig, over_c: float) -> float:
    """The least v allowed now. over_c: predicted excess over the set point in K.

    The floor is a fraction of what holds the pit, so it suits a tight and a leaky kettle alike; it gives
    way as the excess grows, for a pit on its way to the ceiling matters more than a lively fire.
    """
    base = max(math.log(config.least_opening), state.hold_v + math.log(config.floor_frac))
    give = (over_c - config.give_way_above_c) / (config.shut_above_c - config.give_way_above_c)
    return base + (SHUT_V - base) * min(max(give, 0.0), 1.0)


def learn_hold(
    state: AirState, config: AirConfig, rise_c: float, wanted_rise_c: float, at_limit: bool, dt_s: float
) -> float:
    """What would hold the set point, from what the draught in force does now; the new hold_v.

    rise_c: rise over ambient that the present heat would hold (fire.held_rise_c); wanted_rise_c: that of
    the set point. Heat goes with draught to the power `heat_power`, so the draught in force is wrong by
    ln(wanted / rise) / heat_power. Learned slowly, faster while the vents are at a limit: a floor that is
    too high for this kettle must give way before the pit reaches the ceiling.
    """
    wrong_v = math.log(max(wanted_rise_c, 5.0) / max(rise_c, 5.0)) / config.heat_power
    target_v = max(state.applied_v, SHUT_V) + min(max(wrong_v, -1.0), 1.0)
    tau_s = config.hold_limit_tau_s if at_limit else config.hold_tau_s
    return min(max(state.hold_v + (target_v - state.hold_v) * dt_s / (tau_s + dt_s), SHUT_V), OPEN_V)


def closing(state: AirState, applied_v: float, config: AirConfig, dt_s: float) -> float:
    """The new closing_v after the draught went to `applied_v`."""
    kept = state.closing_v * config.closing_s / (config.closing_s + dt_s)
    return kept + max(state.applied_v - applied_v, 0.0)


def spare(
    applied_v: float, wanted_v: float, loop: LoopConfig, dt_s: float, at_limit: bool, noise_v: float = 0.0
) -> float:
    """The next v in force: nothing inside the deadband (the servo's life), else no faster than the rate.

    noise_v: what the probe's noise alone makes of the output; the deadband is that much wider.
    """
    change = wanted_v - applied_v
    if abs(change) < loop.deadband_v + noise_v and not (at_limit and change != 0.0):
        return applied_v
    most = loop.rate_v_per_s * dt_s
    return applied_v + min(max(change, -most), most)


def share(v: float, config: SplitConfig) -> tuple[float, float]:
    """(lower, upper) openings for v: the lower vent meters, e^v is its opening.

    The upper one rests at `upper_rest`, wide enough that smoke leaves freely and the lower one sets the
    flow (two orifices in series: the narrower one rules). It shuts together with a lower vent that is nearly
    shut, to close the chimney that pulls air through leaks, and opens with one that is well open.
    """
    lower = math.exp(min(v, OPEN_V)) if v > SHUT_V + _TRICKLE else 0.0
    if config.upper_fixed is not None:
        return lower, config.upper_fixed
    rest = config.upper_rest
    if lower < config.upper_shuts_below:
        return lower, rest * lower / config.upper_shuts_below
    spare = max(lower - config.upper_opens_above, 0.0) / (1.0 - config.upper_opens_above)
    return lower, rest + (1.0 - rest) * spare
