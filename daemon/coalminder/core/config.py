"""Settings of the core as plain values; coalminder.settings fills them from the configuration file.

Every number has its unit in its name. The defaults hold for an ordinary lidded charcoal kettle and were
chosen on the bench (docs/control.md), not for one kettle.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from coalminder.food.foodplan import FoodPlan
from coalminder.safety.evidence import TRUST_AGAIN_S
from coalminder.safety.limits import Limits
from coalminder.values import Settings


@dataclass(frozen=True, slots=True)
class PitConfig(Settings):
    """Filters of the pit reading.

    A reading that has not changed at all for ask_after_s (longer where it shows wide steps) is asked whether
    it lives: the draught goes down by ask_v_per_s, ask_most_v at most, until it changes.
    """

    fast_s: float = 6.0
    smooth_s: float = 1.5
    smooth_s_per_c: float = 14.0
    smooth_max_s: float = 45.0
    noise_s: float = 90.0
    slow_s: float = 45.0
    slope_s: float = 9.0
    slope_s_per_c: float = 6.0
    slope_max_s: float = 40.0
    steady_s: float = 60.0
    restart_after_s: float = 120.0
    offset_s: float = 600.0
    most_offset_c: float = 30.0
    trust_again_s: float = TRUST_AGAIN_S
    ask_after_s: float = 300.0
    ask_v_per_s: float = 0.0025
    ask_most_v: float = 0.8


@dataclass(frozen=True, slots=True)
class LoopConfig(Settings):
    """Gains of the loop, in units of v = ln of the draught: kp per K, ki per K s, kd in s per K.

    For a quick kettle; ResponseConfig slows them for others. A step of v makes the pit rise at k' = 0.055
    K/s per unit, after a delay of about theta = 9 s (probe and our filters). SIMC for an integrating process
    (Skogestad 2003) with tau_c = theta: kp = 1 / (k' 2 theta) = 1.0; tau_I = 80 s, a little over its
    8 theta = 72 s, so ki = 0.0125; kd = kp x 4 s, the lag of our own smoothing. On a slow kettle, whose
    lags are long, kd stays until it is kp x longest_derivative_s.
    proportional_limit_v bounds the P term, and the error that the integral sees with it.
    """

    kp: float = 1.0
    ki: float = 1.25e-2
    kd: float = 4.0
    longest_derivative_s: float = 30.0
    proportional_limit_v: float = 1.5
    shut_v_per_s: float = 0.2
    open_v_per_s: float = 0.05
    deadband_v: float = 0.02
    least_move_v: float = 0.01
    noise_deadband: float = 0.5
    reference_lag_s: float = 240.0
    hold_opening: float = 0.04


@dataclass(frozen=True, slots=True)
class ResponseConfig(Settings):
    """Gains by the kettle's own delay; see core/response.py.

    Up to a delay of usual_s the gains of LoopConfig stay; what keeps its slope longer than longest_s is slow.
    smoothing_times: a noisy probe slows the loop as a delay of this many times our smoothing would.
    least_slope_c_per_s and slope_over_noise: a slower rise than this tells nothing. lid_slope_c_per_s: a fall
    that is no throttling. unknown_gain: for a cook that did not show its delay.
    """

    adapt: bool = True
    usual_s: float = 12.0
    longest_s: float = 240.0
    smoothing_times: float = 2.0
    sure_s: float = 30.0
    least_slope_c_per_s: float = 0.02
    slope_over_noise: float = 4.0
    lid_slope_c_per_s: float = 0.1
    least_gain: float = 0.06
    unknown_gain: float = 0.12


@dataclass(frozen=True, slots=True)
class OscillationConfig(Settings):
    """When a swing is the loop's own; see core/oscillation.py.

    least_gain: how far calming goes; further where the kettle's delay has not slowed the gains, down to
    least_gain_in_all with that, and to least_gain_violent where four half swings in a row are over `violent`
    times the least, as on a light kettle that answers late. strong_per_v: a kettle whose slope answers a unit
    of v by more K/s than this (1.6 times the nominal 0.055) is calmed beforehand, in proportion.
    """

    guard: bool = True
    least_swing_c: float = 0.8
    noise_times: float = 1.0
    violent: float = 4.0
    longest_half_s: float = 600.0
    alike: float = 0.6
    swings: int = 3
    repeats: int = 6
    step: float = 0.7
    least_gain: float = 0.25
    least_gain_in_all: float = 0.12
    least_gain_violent: float = 0.03
    strong_per_v: float = 0.09
    forgive_s: float = 3600.0


@dataclass(frozen=True, slots=True)
class AirConfig(Settings):
    """The air floor: the least draught that keeps the fire alive, relative to what holds the pit.

    give_way_above_c: from this much over the set point the floor gives way; at shut_above_c the vents may
    shut. heat_power: heat of the fire ~ draught ^ heat_power (about 45 K per unit of v at 85 K over ambient).
    lowered_floor_frac: the floor while the pit comes down to a lower set point, until lowered_c over it, and
    no quicker than by_walls_c_per_s (2 K a minute), for then it is walls that keep it up; falling_c_per_s:
    what counts as coming down. shut_first_s: on the way down the vents may shut for so long at first, which
    brings a light kettle down quickly and puts no coals out (estimate); after that a pit that will be down
    within down_within_s, at its present rate, needs no shut vents for it.
    While the pit is over an unchanged set point by more than breathe_above_c and does not rise, and the vents
    are at their floor (within near_floor_v), the floor is what holds for breathe_s after each
    breathe_every_s: coals live on no air for minutes, not for the quarter of an hour that an overshoot may
    last (common practice). A pit that falls quicker than stored_c_per_s with the vents at a limit shows the
    heat of walls and bed, not the fire's (estimates).
    """

    floor_frac: float = 0.35
    lowered_floor_frac: float = 0.5
    lowered_c: float = 1.0
    by_walls_c_per_s: float = 0.03
    falling_c_per_s: float = 0.001
    down_within_s: float = 1800.0
    shut_first_s: float = 180.0
    breathe_above_c: float = 1.0
    near_floor_v: float = 0.02
    breathe_s: float = 75.0
    breathe_every_s: float = 240.0
    stored_c_per_s: float = 0.01
    hold_tau_s: float = 1800.0
    hold_limit_tau_s: float = 900.0
    heat_power: float = 0.6
    closing_s: float = 200.0
    give_way_above_c: float = 9.0
    shut_above_c: float = 17.0


@dataclass(frozen=True, slots=True)
class LidConfig(Settings):
    """Lid recognition, and what to do about a lifted lid; see core/lid.py.

    Until floor_until_s the draught rests at its floor, for coals in the open need no more air; then at what
    holds. The pit's return is led with recovery_lag_s. An overshoot or a quick rise is forgotten with over_s.
    A fire in the open warms the pit by up to fed_c_per_s (estimate); what rises drop_c more is under its lid.
    For longest_s after a lid that only the pit told of, while over unsure_c is missing and the pit has
    not made good sure_frac of its fall, the draught stays within doubt_opening_v of what holds.
    A fall that comes between least_flames_s and longest_flames_s after wood may be the end of its flames: it
    counts as a lid for longest_flamed_s only (estimates; a piece smokes out in 45 min, common practice), and
    so does a lid under which food was reported laid in, from announced_s before it.
    """

    recognise: bool = True
    drop_c: float = 4.5
    drop_c_per_closing_v: float = 4.0
    drop_c_per_over_c: float = 0.4
    over_s: float = 600.0
    rise_c: float = 2.5
    told_rise_c: float = 20.0
    fed_c_per_s: float = 0.1
    announced_s: float = 60.0
    shortest_s: float = 15.0
    longest_s: float = 600.0
    longest_flamed_s: float = 180.0
    least_flames_s: float = 180.0
    longest_flames_s: float = 2700.0
    doubt_ends_c: float = 20.0
    doubt_opening_v: float = 0.7
    unsure_c: float = 10.0
    sure_frac: float = 0.6
    blind_s: float = 60.0
    recovery_lag_s: float = 120.0
    floor_until_s: float = 240.0
    recovery_s: float = 300.0
    recovered_c: float = 3.0


@dataclass(frozen=True, slots=True)
class LightingConfig(Settings):
    """From lighting to settling: vents are throttled `ahead_s` before the pit would reach the set point.

    hot_c, hot_slope_c_per_s: a cold grill this hot and rising is lit, though nobody said so; a dark lid in
    the sun or dying coals are not. slow_*: a pit that has risen less than slow_c in slow_s of lighting is not
    believed (the probe may hang outside): the draught goes down to e^slow_draught_v times what holds.
    out_below_c, out_over_ambient_c: a snuffed grill this cool for out_for_s is out; on a hot day in the sun
    it stays over the first. hot_day_c: an ambient probe that shows more lies on the grill.
    """

    ahead_s: float = 200.0
    margin_c: float = 8.0
    warm_c: float = 45.0
    hot_c: float = 70.0
    hot_slope_c_per_s: float = 0.02
    slow_s: float = 1200.0
    slow_c: float = 15.0
    slow_draught_v: float = 1.1
    steady_c: float = 6.0
    steady_s: float = 300.0
    out_below_c: float = 40.0
    out_over_ambient_c: float = 20.0
    hot_day_c: float = 35.0
    out_for_s: float = 600.0


@dataclass(frozen=True, slots=True)
class SplitConfig(Settings):
    """How the two vents share the work: the lower meters, the upper rests, and helps at both ends.

    upper_fixed: the opening at which the upper vent is left by hand, None when a servo moves it.
    leak_opening: air that enters beside a shut lower vent, as an opening of it (estimate).
    """

    leak_opening: float = 0.012

    upper_rest: float = 0.5
    upper_stage_v: float = 0.5
    upper_opens_above: float = 0.4
    upper_fixed: float | None = None


@dataclass(frozen=True, slots=True)
class FireConfig(Settings):
    """Nominal kettle for the fire estimate: loss per K, lag, heat of charcoal, charcoal at the start.

    loss_w_per_k: from common practice, 0.15-0.2 kg of charcoal an hour at 93 °C; lag_s: estimate for a 57 cm
    kettle; heat_j_per_kg: net calorific value of usual lump
    charcoal, 29-33 MJ/kg gross (EN 1860-2 fuels), less what leaves unburnt as CO.
    """

    loss_w_per_k: float = 16.0
    lag_s: float = 600.0
    heat_j_per_kg: float = 27.0e6
    charcoal_kg: float = 1.2
    ambient_c: float = 15.0


@dataclass(frozen=True, slots=True)
class AdviceConfig(Settings):
    """When the fire asks for a hand; see core/advice.py. All estimates but the smoke (common practice).

    lasting_s: what asks to relight or to look at the lid must last so long, and not follow lighting or a lid
    lift too soon.
    """

    wide_times: float = 4.0
    below_c: float = 8.0
    level_c_per_s: float = 0.002
    above_c: float = 8.0
    rising_c_per_s: float = 0.005
    fuel_low_min: float = 45.0
    uneven_c: float = 20.0
    smoke_s: float = 5400.0
    piece_s: float = 2700.0
    lasting_s: float = 360.0
    after_lid_s: float = 600.0
    after_lighting_s: float = 1200.0


@dataclass(frozen=True, slots=True)
class Config(Settings):
    """All that the core needs to know in advance."""

    set_point_c: float = 93.0
    low_c: float = 80.0
    high_c: float = 105.0
    keep_warm_c: float = 65.0
    least_set_point_c: float = 55.0
    highest_set_point_c: float = 110.0
    pit: PitConfig = PitConfig()
    loop: LoopConfig = LoopConfig()
    response: ResponseConfig = ResponseConfig()
    oscillation: OscillationConfig = OscillationConfig()
    air: AirConfig = AirConfig()
    lid: LidConfig = LidConfig()
    lighting: LightingConfig = LightingConfig()
    split: SplitConfig = SplitConfig()
    fire: FireConfig = FireConfig()
    advice: AdviceConfig = AdviceConfig()
    plan: FoodPlan = field(default_factory=FoodPlan)
    limits: Limits = field(default_factory=Limits)
