"""The fault table: what can go wrong, how it is told, what is done and what a person is to do.

A table and nothing else; docs/safety.md is written from it. The order counts twice: of faults that
come in the same step the earlier row is the first-out, and causes stand before their effects.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from coalminder.safety import conditions as c
from coalminder.safety.evidence import Evidence
from coalminder.safety.limits import Limits
from coalminder.safety.view import FIRE_PHASES, SHUT_PHASES, View
from coalminder.values import Action, Phase

NEVER: frozenset[Phase] = frozenset()
NO_FIRE = frozenset({Phase.COLD, Phase.OUT})
NOT_TENDING = SHUT_PHASES | {Phase.LIGHTING, Phase.SETTLING, Phase.EASING}


@dataclass(frozen=True, slots=True)
class Fault:
    """One row.

    on_delay_s: the condition must hold this long before the alarm is raised; off_delay_s: and be gone
    this long before it clears. window: the field of Limits with the time that the condition itself
    needs ("" for none). latched: stays in force until a person resets it. suppressed_in: phases in
    which the condition is wanted, or means nothing (suppressed by design). detail: what to add to the
    message.
    """

    code: str
    condition: c.Condition
    on_delay_s: float
    off_delay_s: float
    action: Action
    latched: bool
    priority: str
    message: str
    remedy: str
    suppressed_in: frozenset[Phase] = NEVER
    window: str = ""
    detail: Callable[[View, Evidence, Limits], str] | None = None

    def detected_within_s(self, limits: Limits) -> float:
        """Longest time from the beginning of the fault to its alarm, in s."""
        return self.on_delay_s + (float(getattr(limits, self.window)) if self.window else 0.0)


_HOT_COALS = (
    "The coals stay hot for an hour or more. Leave the lid on: air on starved coals flares up. "
    "Shut the vents by hand if they are not shut"
)
_AFTER = "When the cause is gone, reset"

# fmt: off
FAULTS: tuple[Fault, ...] = (
    # code, condition, on-delay, off-delay, action, latched, priority, message, remedy
    # The way to the vents.
    Fault(
        "vent_driver_failed",
        c.vent_driver_failed,
        5,
        10,
        Action.SNUFF,
        True,
        "high",
        "A vent does not obey: its driver reports an error",
        "Shut both vents by hand. Check the servo's plug and supply. " + _AFTER,
    ),
    Fault(
        "servo_supply_low",
        c.servo_supply_low,
        5,
        60,
        Action.THROTTLE,
        False,
        "high",
        "The servos' supply is low: a vent may stop where it is",
        "Check the servos' supply and plugs. Watch that the vents move",
    ),
    Fault(
        "under_voltage",
        c.under_voltage,
        5,
        60,
        Action.WARN,
        False,
        "medium",
        "The board's supply is low: it may stop at any moment",
        "Use a supply and a cable made for this board",
    ),
    # The machine.
    Fault(
        "restart_loop",
        c.restart_loop,
        0,
        60,
        Action.SNUFF_AND_STOP,
        True,
        "high",
        "The daemon keeps restarting: it cannot be trusted with a fire",
        _HOT_COALS + ". Look at the log for the reason. " + _AFTER,
    ),
    Fault(
        "loop_cannot_keep_up",
        c.loop_cannot_keep_up,
        0,
        60,
        Action.SNUFF,
        True,
        "high",
        "Control steps come late again and again: the machine cannot keep up",
        _HOT_COALS + ". Find what else loads the machine. " + _AFTER,
    ),
    Fault(
        "loop_late",
        c.loop_late,
        0,
        60,
        Action.THROTTLE,
        False,
        "medium",
        "A control step came late",
        "If it comes again, find what else loads the machine",
    ),
    Fault(
        "was_blind",
        c.was_blind,
        0,
        300,
        Action.WARN,
        False,
        "medium",
        "The daemon started again after a time without control",
        "Look at the grill and at the food's times",
        detail=c.time_blind,
    ),
    Fault(
        "clock_jumped",
        c.clock_jumped,
        0,
        60,
        Action.NOTE,
        False,
        "low",
        "The wall clock was moved; control goes on by the steady clock",
        "Times in the record before and after differ",
    ),
    Fault(
        "board_hot",
        c.board_hot,
        30,
        60,
        Action.WARN,
        False,
        "medium",
        "The board is too hot",
        "Move it away from the grill and out of the sun",
    ),
    # The pit probe.
    Fault(
        "pit_probe_lost",
        c.pit_probe_lost,
        30,
        5,
        Action.SNUFF,
        True,
        "high",
        "The pit probe is lost",
        _HOT_COALS + ". Check the probe's plug and cable. " + _AFTER,
        suppressed_in=SHUT_PHASES,
        detail=c.pit_reading,
    ),
    Fault(
        "pit_probe_stale",
        c.pit_probe_stale,
        30,
        5,
        Action.SNUFF,
        True,
        "high",
        "The pit probe's readings have stopped coming",
        _HOT_COALS + ". Check the probe's driver and wiring. " + _AFTER,
        suppressed_in=SHUT_PHASES,
        window="stale_s",
        detail=c.pit_reading,
    ),
    Fault(
        "pit_probe_silent",
        c.pit_probe_silent,
        5,
        5,
        Action.THROTTLE,
        False,
        "medium",
        "No pit temperature to tend by",
        "Check the pit probe: after half a minute the vents are shut for good",
        window="stale_s",
        detail=c.pit_reading,
    ),
    Fault(
        "pit_probe_stuck",
        c.pit_probe_stuck,
        0,
        5,
        Action.SNUFF,
        True,
        "high",
        "The pit probe shows the same figure, to the last digit, for too long",
        _HOT_COALS + ". Check or change the probe. " + _AFTER,
        suppressed_in=SHUT_PHASES,
        window="stuck_s",
        detail=c.pit_reading,
    ),
    Fault(
        "pit_probe_implausible",
        c.pit_probe_implausible,
        20,
        5,
        Action.SNUFF,
        True,
        "high",
        "The pit jumped as no air does: the probe fell out, or touches the coals",
        _HOT_COALS + ". Put the probe back in the air at the grate, away from the coals. " + _AFTER,
        suppressed_in=SHUT_PHASES,
        detail=c.pit_reading,
    ),
    Fault(
        "pit_probe_noisy",
        c.pit_probe_noisy,
        10,
        60,
        Action.THROTTLE,
        False,
        "medium",
        "The pit probe is noisy",
        "Check plug, cable and what runs beside it",
        suppressed_in=NO_FIRE,
        window="noise_window_s",
    ),
    Fault(
        "pit_probes_disagree",
        c.pit_probes_disagree,
        300,
        60,
        Action.THROTTLE,
        False,
        "medium",
        "The two pit probes are far apart: one of them is wrong",
        "See that both hang in the air at the grate, away from the coals",
        suppressed_in=NO_FIRE,
    ),
    Fault(
        "pit_on_second_probe",
        c.pit_on_second_probe,
        10,
        60,
        Action.WARN,
        False,
        "medium",
        "The pit probe is lost; tending goes on by the second one",
        "Check the pit probe's plug and cable",
        detail=c.pit_reading,
    ),
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
        _HOT_COALS + ". If fat burns, keep away, never use water, call for help. " + _AFTER,
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
        "The pit is over the ceiling and rises with the vents shut: air leaks in, or fat or wood burns",
        _HOT_COALS + ". If fat burns, keep away, never use water, call for help. " + _AFTER,
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
        "Leave the lid on; the vents are down to the air floor",
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
        "The pit rises with the vents shut: air leaks in, or wood flames",
        "See that the lid sits well and that the vents are really shut",
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
        "The pit falls with the vents wide open: the fire is dying or the charcoal is used up",
        "Lay lit charcoal on the bed; unlit charcoal on a dying bed puts it out",
        suppressed_in=SHUT_PHASES | {Phase.LIGHTING, Phase.LID_OFF, Phase.EASING},
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
        "Mind the food's time. Light fresh charcoal; more air does not bring a dead bed back",
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
        "low",
        "Lighting takes very long",
        "Look at the coals",
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
        "The vents do not move the temperature: a servo sticks, its horn slipped or the linkage is off",
        "Watch each vent while it is moved; put the linkage right",
        suppressed_in=NOT_TENDING | {Phase.LID_OFF},
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
        "The pit is out of the band and the vents are at the end of their travel: wind, rain or cold",
        "Shelter the grill from wind and rain, outdoors and in the open",
        suppressed_in=NOT_TENDING | {Phase.LID_OFF},
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
        "The vents are shut and the pit does not fall: air still gets in",
        "Shut the vents by hand, see that the lid sits well, keep it on",
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
    # The people.
    Fault(
        "unattended",
        c.unattended,
        0,
        5,
        Action.SNUFF,
        True,
        "high",
        "Nobody has been at the grill for too long: the fire is put out",
        _HOT_COALS + ". Look at the grill and the food. Then reset",
        suppressed_in=SHUT_PHASES,
        window="unattended_s",
    ),
    Fault(
        "unattended_soon",
        c.unattended_soon,
        0,
        5,
        Action.WARN,
        False,
        "medium",
        "Nobody has acknowledged anything for long: soon the fire is put out",
        "Look at the grill, then acknowledge",
        suppressed_in=SHUT_PHASES,
        window="unattended_s",
    ),
    Fault(
        "lid_off_long",
        c.lid_off_long,
        0,
        5,
        Action.WARN,
        False,
        "medium",
        "The lid has been off for long: the fire grows and the vents cannot hold it",
        "Put the lid back on; if no lid came off, look at the fire",
        suppressed_in=NO_FIRE,
        window="lid_off_s",
    ),
    # The food.
    Fault(
        "food_exposed",
        c.food_exposed,
        0,
        60,
        Action.WARN,
        False,
        "high",
        "Food was between 5 and 57 °C for too long",
        "Follow your local food authority; when in doubt throw it out",
        window="exposure_s",
        detail=c.which_food_exposed,
    ),
    Fault(
        "food_probe_lost",
        c.food_probe_lost,
        30,
        30,
        Action.WARN,
        False,
        "low",
        "A food probe is lost",
        "Check its plug; judge the food with another thermometer",
        suppressed_in=NO_FIRE,
        detail=c.which_food_lost,
    ),
    Fault(
        "second_probe_lost",
        c.second_probe_lost,
        30,
        30,
        Action.NOTE,
        False,
        "low",
        "A probe that only helps is lost",
        "Check its plug and cable",
        detail=c.which_second_lost,
    ),
    # Record and messages.
    Fault(
        "disk_failed",
        c.disk_failed,
        5,
        60,
        Action.WARN,
        False,
        "medium",
        "The journal cannot be written: after a power cut this cook could not be resumed",
        "Make room on the disk or change the card",
    ),
    Fault(
        "journal_corrupt",
        c.journal_corrupt,
        0,
        60,
        Action.WARN,
        False,
        "medium",
        "The journal was damaged; it was set aside and a new one begun",
        "Check the card. Look at the grill: what was known of the cook is lost",
    ),
    Fault(
        "broker_lost",
        c.broker_lost,
        0,
        30,
        Action.WARN,
        False,
        "medium",
        "No broker for long: alarms reach nobody's phone",
        "Stay at the grill. Check the network and the broker",
        window="broker_lost_s",
    ),
    Fault(
        "settings_changed",
        c.settings_changed,
        0,
        5,
        Action.NOTE,
        False,
        "low",
        "The configuration on disk was changed; the one read at the start stays in force",
        "Restart the daemon after the cook to use it",
    ),
)
# fmt: on

BY_CODE: dict[str, Fault] = {fault.code: fault for fault in FAULTS}
