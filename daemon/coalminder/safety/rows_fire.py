"""Rows of the fault table: the fire."""

from __future__ import annotations

from coalminder.safety import conditions as c
from coalminder.safety.fault import AFTER, HOT_COALS, NOT_TENDING, Fault
from coalminder.safety.view import FIRE_PHASES, SHUT_PHASES
from coalminder.values import NO_FIRE, Action, Phase

FAT = ". If fat burns, keep away, never use water, call for help. "
PROBE = (
    "If the fire proves to be small, the pit probe is wet or touches the coals: mend that when it is cold. "
)

ROWS: tuple[Fault, ...] = (
    # The fire.
    Fault(
        "pit_over_hard_limit",
        c.pit_over_hard_limit,
        20,
        60,
        Action.SNUFF,
        True,
        "high",
        "The pit is far too hot: fire out of hand",
        HOT_COALS + FAT + PROBE + AFTER,
        detail=c.hot_reading,
    ),
    Fault(
        "runaway",
        c.runaway,
        10,
        60,
        Action.SNUFF,
        True,
        "high",
        "The pit is over the ceiling and rises with the vents shut: air leaks in, fat or wood burns",
        HOT_COALS + FAT + PROBE + AFTER,
        suppressed_in=SHUT_PHASES,
        window="rise_window_s",
        detail=c.hot_reading,
    ),
    Fault(
        "pit_over_ceiling",
        c.pit_over_ceiling,
        15,
        60,
        Action.THROTTLE,
        False,
        "medium",
        "The pit is over the ceiling",
        "Leave the lid on; the vents give no more than the air floor meanwhile. If it goes on rising, see "
        "that they really are nearly shut: one that turns the wrong way, or is not moved at all, stands open",
        detail=c.hot_reading,
    ),
    Fault(
        "rising_with_vents_shut",
        c.rising_with_vents_shut,
        10,
        120,
        Action.WARN,
        False,
        "medium",
        "The pit rises with the vents shut: air leaks in, wood flames, or the pit probe reads too high",
        "See that the lid sits well and that the vents are really shut. If the grill is not hot, dry or "
        "change the probe",
        suppressed_in=SHUT_PHASES | {Phase.LIGHTING, Phase.LID_OFF},
        window="rise_window_s",
        detail=c.hot_reading,
    ),
    Fault(
        "falling_with_vents_open",
        c.falling_with_vents_open,
        10,
        120,
        Action.WARN,
        False,
        "medium",
        "The pit falls with the vents wide open: fire dying, charcoal used up, a vent that does not open, "
        "or a pit probe that reads too low",
        "Compare with another thermometer: if the grill is hot, snuff and change the probe. If it is not, "
        "see that the vents are open, and lay lit charcoal on the bed; unlit charcoal puts a dying bed out",
        suppressed_in=SHUT_PHASES | {Phase.LID_OFF, Phase.EASING},
        window="fall_window_s",
    ),
    Fault(
        "fire_out",
        c.fire_out,
        600,
        60,
        Action.WARN,
        False,
        "high",
        "The pit is as cool as a grill without fire",
        "Mind the food's time. Look at the coals: if they glow, the pit probe reads too low. If not, light "
        "fresh charcoal; more air does not bring a dead bed back",
        suppressed_in=SHUT_PHASES | {Phase.LIGHTING, Phase.LID_OFF},
        detail=c.hot_reading,
    ),
    Fault(
        "lighting_slow",
        c.lighting_slow,
        0,
        60,
        Action.WARN,
        False,
        "medium",
        "Lighting takes very long",
        "Look at the coals. If they burn well, the pit probe reads too low while the vents are wide open: "
        "see that it hangs in the air at the grate, or snuff. If they do not, see that both vents are really "
        "open",
        window="lighting_s",
    ),
    Fault(
        "vents_without_effect",
        c.vents_without_effect,
        0,
        300,
        Action.WARN,
        False,
        "medium",
        "The vents do not move the temperature: a servo sticks, its horn slipped, the linkage is off, the "
        "pit probe is wrong, or the fire has no more to give",
        "Watch each vent while it is moved; put the linkage right. If they obey, compare the probe with "
        "another thermometer, look at the coals if the grill is cool, and mind the food's core",
        suppressed_in=NOT_TENDING,
        window="no_effect_s",
    ),
    Fault(
        "weather_beyond_vents",
        c.weather_beyond_vents,
        0,
        300,
        Action.WARN,
        False,
        "low",
        "The pit is out of the band and the vents are at the end of their travel",
        "Compare with another thermometer: if the grill is hot though the pit probe says cold, snuff and "
        "change the probe. Too cold: shelter the grill from wind and rain, outdoors and in the open. "
        "Too hot: shade it, and close the gaps at lid and bowl",
        suppressed_in=NOT_TENDING,
        window="strained_s",
    ),
    Fault(
        "snuff_without_effect",
        c.snuff_without_effect,
        10,
        120,
        Action.WARN,
        False,
        "high",
        "The vents are shut and the pit does not fall: air still gets in, or the pit probe reads too high",
        "Shut the vents by hand, see that the lid sits well, keep it on. If another thermometer shows that "
        "the grill cools, change the probe when it is cold",
        suppressed_in=FIRE_PHASES | NO_FIRE,
        window="snuffed_s",
        detail=c.hot_reading,
    ),
    Fault(
        "heat_without_fire",
        c.heat_without_fire,
        60,
        60,
        Action.WARN,
        False,
        "high",
        "The pit is hot though no fire is known of",
        "If the coals are lit, say so (light); if not, look at the grill",
        suppressed_in=FIRE_PHASES | {Phase.SNUFFING, Phase.CUT_OFF},
        detail=c.hot_reading,
    ),
)
