"""Air: from the loop's v = ln(draught) to two openings, with the floor that keeps the fire alive.

Draught here is the opening of the lower vent, linear in flow (0..1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.core.config import AirConfig, LoopConfig, SplitConfig
from coalminder.lowpass import low_pass

OPEN_V = 0.0
_NOTHING = 1e-9  # rounding, not an opening


@dataclass(frozen=True, slots=True)
class AirState:
    """hold_v: what holds the pit, learned slowly; applied_v: the draught in force; floor_v: its floor.

    high_v: the widest of late; closing_v: the largest closing of late (both forgotten with `closing_s`).
    lowered_s: for how long the pit has been on its way down to a lower set point; None: it is not.
    fed_v: the draught of the last minutes (`closing_s`), which the fire's heat comes from.
    at_floor_s: for how long the draught has been no more than its floor.
    """

    hold_v: float
    applied_v: float
    floor_v: float
    high_v: float = OPEN_V
    closing_v: float = 0.0
    lowered_s: float | None = None
    fed_v: float = OPEN_V
    at_floor_s: float = 0.0


def floor(
    state: AirState, config: AirConfig, shut_v: float, over_c: float, slope_c_per_s: float = 0.0
) -> float:
    """The least v allowed now. shut_v: shut vents; over_c: predicted excess over the set point in K;
    slope_c_per_s: the pit's, over a minute.

    The floor is a fraction of what holds the pit, so it suits a tight and a leaky kettle alike; it gives
    way as the excess grows, for a pit on its way to the ceiling matters more than a lively fire. It is higher
    on a slow way to a lower set point: heavy walls keep the pit up longer than coals live on so little. Nor
    does it give way for long where the pit, as it falls now, will be down at a lower set point soon enough:
    shut vents would have the coals out before the walls have cooled.
    """
    by_walls = state.lowered_s is not None and slope_c_per_s > -config.by_walls_c_per_s
    frac = config.lowered_floor_frac if by_walls else config.floor_frac
    base = max(shut_v, state.hold_v + math.log(frac)) if config.floor_frac > 0.0 else shut_v
    give = (over_c - config.give_way_above_c) / (config.shut_above_c - config.give_way_above_c)
    long = state.lowered_s is not None and state.lowered_s > config.shut_first_s
    falls_c = -slope_c_per_s * config.down_within_s if long else 0.0
    keep = falls_c / max(over_c, config.give_way_above_c)
    return base + (shut_v - base) * min(max(give, 0.0), 1.0) * (1.0 - min(max(keep, 0.0), 1.0))


def breathes(state: AirState, config: AirConfig, over_c: float, slope_c_per_s: float) -> bool:
    """Whether the coals get a breath now, of what holds, though the pit is `over_c` too hot.

    Where the vent gives nothing at the floor (a dead or square plate, a kettle that needs more than was
    believed), the coals would be out before the pit is down. slope_c_per_s: the pit's, over a minute.
    """
    over = config.floor_frac > 0.0 and state.lowered_s is None and over_c > config.breathe_above_c
    due = state.at_floor_s % config.breathe_every_s < config.breathe_s <= state.at_floor_s
    return over and slope_c_per_s <= 0.0 and due


def learn_hold(
    state: AirState,
    config: AirConfig,
    shut_v: float,
    rise_c: float,
    wanted_rise_c: float,
    slope_c_per_s: float,
    at_limit: bool,
    dt_s: float,
) -> float:
    """What would hold the set point, from what the draught of late does now; the new hold_v.

    rise_c: rise over ambient that the present heat would hold (fire.held_rise_c); wanted_rise_c: that of
    the set point. Heat goes with draught to the power `heat_power`, and glowing coals answer it within
    minutes, so the draught of late (fed_v) is wrong by ln(wanted / rise) / heat_power. Learned slowly, faster
    while the vents are at a limit: a floor that is too high for this kettle must give way before the pit
    reaches the ceiling. While the pit falls slowly (slope_c_per_s, over a minute) to a lower set point, or
    quickly from an overshoot, stored heat is not taken for the fire's: nothing less is learned.
    """
    wrong_v = math.log(max(wanted_rise_c, 5.0) / max(rise_c, 5.0)) / config.heat_power
    target_v = state.fed_v + min(max(wrong_v, -1.0), 1.0)
    if state.lowered_s is not None:
        stored = -config.by_walls_c_per_s < slope_c_per_s < -config.falling_c_per_s
    else:
        stored = at_limit and slope_c_per_s < -config.stored_c_per_s
    if stored and target_v < state.hold_v:
        return state.hold_v
    tau_s = config.hold_limit_tau_s if at_limit else config.hold_tau_s
    return min(max(low_pass(state.hold_v, target_v, tau_s, dt_s), shut_v), OPEN_V)


def moved(state: AirState, config: AirConfig, applied_v: float, floor_v: float, dt_s: float) -> AirState:
    """The state once the draught went to `applied_v`.

    A closing counts in full though the vents have opened again since: the fire answers late.
    """
    lag_s = config.closing_s
    high_v = max(low_pass(state.high_v, applied_v, lag_s, dt_s), applied_v)
    closing_v = max(state.closing_v * lag_s / (lag_s + dt_s), high_v - applied_v)
    fed_v = low_pass(state.fed_v, applied_v, lag_s, dt_s)
    lowered_s = None if state.lowered_s is None else state.lowered_s + dt_s
    at_floor_s = state.at_floor_s + dt_s if applied_v <= floor_v + config.near_floor_v else 0.0
    return AirState(state.hold_v, applied_v, floor_v, high_v, closing_v, lowered_s, fed_v, at_floor_s)


def spare(
    applied_v: float, wanted_v: float, loop: LoopConfig, dt_s: float, at_limit: bool, noise_v: float = 0.0
) -> float:
    """The next v in force: it stays while it is near enough, and moves no further than needed.

    A tube of +- deadband around what is wanted: the play operator, which has the least travel of all
    signals inside the tube. At a limit the vents go all the way. noise_v: what the probe's noise alone
    makes of the output; the tube is that much wider. It shuts quickly and opens slowly: a dip may be
    a lid, and fire answers in minutes.
    """
    tube_v = 0.0 if at_limit else loop.deadband_v + noise_v
    target_v = min(max(applied_v, wanted_v - tube_v), wanted_v + tube_v)
    change = target_v - applied_v
    if abs(change) < loop.least_move_v and not at_limit:
        return applied_v
    return applied_v + min(max(change, -loop.shut_v_per_s * dt_s), loop.open_v_per_s * dt_s)


def opening(v: float, leak_opening: float) -> float:
    """The lower vent's opening for v = ln((opening + leak) / (1 + leak)), 0..1.

    The leak makes the characteristic linear near shut, where air that enters beside the plate rules and a
    change of a small opening changes little.
    """
    wanted = (1.0 + leak_opening) * math.exp(v) - leak_opening
    return min(wanted, 1.0) if wanted > _NOTHING else 0.0


def level(opening_frac: float, leak_opening: float) -> float:
    """V of an opening: the inverse of `opening`."""
    return math.log((opening_frac + leak_opening) / (1.0 + leak_opening))


def shut_level(config: SplitConfig) -> float:
    """The v of two shut vents."""
    return level(0.0, config.leak_opening) - config.upper_stage_v


def share(v: float, config: SplitConfig) -> tuple[float, float]:
    """(lower, upper) openings for v: the lower vent meters.

    The upper one rests at `upper_rest`, wide enough that smoke leaves freely and the lower one sets the
    flow (two orifices in series: the narrower one rules). It shuts in a stage of its own below a shut
    lower vent, to close the chimney that pulls air through leaks, and opens with a well open one.
    """
    lower = opening(v, config.leak_opening)
    if config.upper_fixed is not None:
        return lower, config.upper_fixed
    rest = config.upper_rest
    if lower <= 0.0:
        short = level(0.0, config.leak_opening) - v
        return 0.0, rest * min(max(1.0 - short / config.upper_stage_v, 0.0), 1.0)
    spare_frac = max(lower - config.upper_opens_above, 0.0) / (1.0 - config.upper_opens_above)
    return lower, rest + (1.0 - rest) * spare_frac
