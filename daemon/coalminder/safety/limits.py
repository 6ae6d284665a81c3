"""Every number a fault row is judged by, with its unit, its meaning and where it comes from.

'common practice' is a fact of the trade, 'estimate' is ours and was checked against simulated cooks
(docs/fault-campaign.md), everything else names its source. The person may change these in the section
[safety] of the configuration (settings/safety.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from coalminder.values import Settings


def _limit(default: Any, meaning: str, source: str) -> Any:
    return field(default=default, metadata={"meaning": meaning, "source": source})


@dataclass(frozen=True, slots=True)
class Limits(Settings):
    """Limits of the fault table; immutable. Temperatures °C, differences K written as _c, times s."""

    ceiling_c: float = _limit(
        121.0,
        "pit ceiling: above it only the air floor is given",
        "common practice",
    )
    hard_limit_c: float = _limit(
        165.0,
        "pit over this is a fire out of hand: cut off",
        "estimate: 10 K over the highest overshoot after lid lifts in simulated normal cooks",
    )
    band_low_c: float = _limit(
        80.0,
        "low edge of the band",
        "common practice for hot-smoking oily fish",
    )
    band_high_c: float = _limit(
        105.0,
        "high edge of the band",
        "common practice for hot-smoking oily fish",
    )
    temp_deadband_c: float = _limit(
        3.0,
        "a temperature alarm ends this far below its limit",
        "ISA-18.2 suggests 1 % of range (from memory); estimate",
    )
    stale_s: float = _limit(
        10.0,
        "a reading of the pit older than this is no reading",
        "estimate: ten steps; a probe that may be older (its `max_age_s`) raises it",
    )
    other_stale_s: float = _limit(
        10.0,
        "a reading of the dome or of the air outside older than this is no reading",
        "estimate: ten steps; a probe that may be older (its `max_age_s`) raises it",
    )
    food_stale_s: float = _limit(
        10.0,
        "a reading of the food older than this is no reading",
        "estimate: ten steps; a probe that may be older (its `max_age_s`) raises it",
    )
    stuck_s: float = _limit(
        600.0,
        "a pit reading unchanged to the last digit for this long is stuck",
        "estimate: a live fire is never so still",
    )
    noise_c: float = _limit(
        4.0, "root mean square of second-to-second changes: noisy", "estimate: 3 x a usual probe's"
    )
    noise_window_s: float = _limit(60.0, "time over which the noise is judged", "estimate")
    rate_c_per_s: float = _limit(
        15.0,
        "a pit change faster than this is not air temperature",
        "estimate: a lid lift gives about 0.5 K/s",
    )
    disagree_c: float = _limit(
        30.0, "two pit probes further apart than this", "estimate: gradient across a grate <= 25 K"
    )
    cold_apart_c: float = _limit(
        25.0,
        "probes of a grill without fire further apart than this; 10 K more for one in cold food",
        "°F shown as °C is 48 K off at 20 °C; sun on a lid makes 20 K (estimate)",
    )
    look_s: float = _limit(
        10.0,
        "supply, board and configuration are looked at this often",
        "estimate: as service/machine.py does",
    )
    late_s: float = _limit(5.0, "a control step later than this is late", "estimate: five steps")
    late_sum_s: float = _limit(
        30.0, "lateness summed up (forgotten at 1 s per 20 s): cannot keep up", "estimate"
    )
    blind_s: float = _limit(60.0, "time without steps (restart) worth telling", "estimate")
    clock_jump_s: float = _limit(5.0, "wall clock against steady clock", "estimate")
    restarts: int = _limit(4, "restarts in 10 min that make a restart loop", "estimate")
    broker_lost_s: float = _limit(300.0, "time without a broker: alarms reach nobody", "estimate")
    unattended_s: float = _limit(
        14400.0, "nobody has acknowledged or asked anything for this long: cut off", "the person sets it; 4 h"
    )
    unattended_notice_s: float = _limit(
        900.0, "warning this long before the cut-off for want of a person", "estimate"
    )
    lid_off_s: float = _limit(
        480.0, "lid off for longer than this", "common practice: lids come off for 1 to 3 min"
    )
    lid_quiet_s: float = _limit(
        300.0,
        "trends are not judged for this long after a lid lift or a new set point",
        "estimate: the kettle's own recovery",
    )
    rise_window_s: float = _limit(
        360.0,
        "vents shut for this long before a rise counts",
        "estimate: hot walls give back heat for minutes",
    )
    rise_warn_c: float = _limit(
        3.0,
        "rise in 5 min with the vents shut: warn, unless it dies away and will end below the ceiling",
        "estimate",
    )
    rise_cut_off_c: float = _limit(
        5.0,
        "rise in 5 min over the ceiling with the vents shut: cut off, unless it dies away and will end 10 K "
        "below the hard limit",
        "estimate: coals under shut vents warm a light kettle for ten minutes",
    )
    rise_above_set_point_c: float = _limit(6.0, "a rise counts only this far over the set point", "estimate")
    fall_window_s: float = _limit(660.0, "vents wide for this long before a fall counts", "estimate")
    fall_warn_c: float = _limit(3.0, "fall in 10 min with the vents wide open: warn", "estimate")
    fall_below_set_point_c: float = _limit(5.0, "a fall counts only this far under the set point", "estimate")
    no_effect_s: float = _limit(
        900.0,
        "time at the end of the vents' travel without the pit answering",
        "estimate: three time constants of the air",
    )
    no_effect_c: float = _limit(
        10.0, "distance from the set point for that; none under it with the vents all open", "estimate"
    )
    strained_s: float = _limit(
        900.0, "time out of the band with the vents at the end of their travel", "estimate"
    )
    snuffed_s: float = _limit(
        1200.0,
        "vents shut for this long and the pit still does not fall",
        "common practice: coals stay hot for an hour, but the pit falls",
    )
    snuffed_c: float = _limit(80.0, "pit above which that is judged", "estimate")
    heat_c: float = _limit(
        70.0, "a pit this hot with no fire known of", "estimate: a dark lid in the sun stays below"
    )
    lighting_s: float = _limit(
        2700.0, "lighting for longer than this", "common practice: a chimney takes 20 to 30 min"
    )
    out_c: float = _limit(45.0, "a pit below this means that the fire is out", "estimate")
    food_low_c: float = _limit(
        5.0, "low edge of the food's danger zone", "FDA Food Code 3-501.16 (41 °F), from memory"
    )
    food_high_c: float = _limit(
        57.0, "high edge of the food's danger zone", "FDA Food Code 3-501.16 (135 °F), from memory"
    )
    exposure_s: float = _limit(
        14400.0,
        "time of a food between the two, in all",
        "FDA Food Code 3-501.19 (4 h), from memory; local rules come first",
    )
    shelf_max_s: float = _limit(7200.0, "longest time on the shelf", "estimate")
    flood_start: int = _limit(
        10, "more new alarms than this in 10 min start a flood", "ISA-18.2 ch. 16 (from memory)"
    )
    flood_end: int = _limit(
        5,
        "fewer than this in 10 min end it",
        "ISA-18.2 ch. 16 (from memory)",
    )
    flood_window_s: float = _limit(
        600.0, "time over which new alarms are counted", "ISA-18.2 ch. 16 (from memory)"
    )
    out_of_service: tuple[str, ...] = _limit(
        (), "codes a person took out of service (note and warn only)", "the person"
    )


def describe() -> tuple[tuple[str, object, str, str], ...]:
    """(name, default, meaning, source) of every limit, in order."""
    return tuple((f.name, f.default, f.metadata["meaning"], f.metadata["source"]) for f in fields(Limits))
