"""Rows of the fault table: the pit probe."""

from __future__ import annotations

from coalminder.safety import conditions as c
from coalminder.safety.fault import AFTER, HOT_COALS, Fault
from coalminder.safety.view import SHUT_PHASES
from coalminder.values import NO_FIRE, Action, Phase

ROWS: tuple[Fault, ...] = (
    # The pit probe.
    Fault(
        "pit_probe_lost",
        c.pit_probe_lost,
        60,
        5,
        Action.SNUFF,
        True,
        "high",
        "The pit probe is lost",
        HOT_COALS + ". Check the probe's plug and cable. " + AFTER,
        suppressed_in=SHUT_PHASES,
        detail=c.pit_reading,
    ),
    Fault(
        "pit_probe_stale",
        c.pit_probe_stale,
        50,
        5,
        Action.SNUFF,
        True,
        "high",
        "The pit probe's readings have stopped coming",
        HOT_COALS + ". Check the probe's driver and wiring. " + AFTER,
        suppressed_in=SHUT_PHASES,
        window="stale_s",
        detail=c.pit_reading,
    ),
    Fault(
        "pit_probe_silent",
        c.pit_probe_silent,
        5,
        25,  # a loose plug, 6 s off and 6 s on, must not make it chatter
        Action.THROTTLE,
        False,
        "medium",
        "No pit temperature to tend by",
        "Check the pit probe's plug and cable: over a fire, a minute without it shuts the vents for good",
        window="stale_s",
        suppressed_in=frozenset({Phase.SNUFFING, Phase.OUT}),  # the person takes the probe away
        detail=c.pit_reading,
    ),
    Fault(
        "pit_probe_stuck",
        c.pit_probe_stuck,
        0,
        25,
        Action.SNUFF,
        True,
        "high",
        "The pit probe shows the same figure, to the last digit, for too long",
        HOT_COALS + ". When it is cold, check or change the probe. " + AFTER,
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
        "The pit jumped as no air does: the probe fell out, touches the coals, or has a bad plug",
        HOT_COALS
        + ". When it is cold, put the probe back in the air at the grate, away from the coals, and see to "
        "its plug and cable. " + AFTER,
        suppressed_in=SHUT_PHASES,
        detail=c.pit_reading,
    ),
    Fault(
        "pit_probe_out",
        c.pit_probe_out,
        0,
        5,
        Action.THROTTLE,
        False,
        "high",
        "The pit fell as if the lid had come off and is only warm: the pit probe is out of the grill, "
        "the lid is still off, or the fire is out",
        "Put the probe back in the air at the grate, and the lid on. Look at the coals",
        suppressed_in=SHUT_PHASES,
        window="lid_off_s",
    ),
    Fault(
        "pit_probe_noisy",
        c.pit_probe_noisy,
        10,
        60,
        Action.WARN,
        False,
        "medium",
        "The pit probe is noisy",
        "Check plug, cable and what runs beside it. If it jumps as a vent moves, the servo's current goes "
        "through the probe's ground or supply: give it wires of its own",
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
        "See that both hang in the air at the grate, away from the coals. One that falls as the grill warms "
        "is a thermocouple whose two wires are swapped. Compare with another thermometer which one is right",
        suppressed_in=NO_FIRE | {Phase.LIGHTING},
        detail=c.both_readings,
    ),
    Fault(
        "cold_probes_disagree",
        c.cold_probes_disagree,
        120,
        60,
        Action.WARN,
        False,
        "medium",
        "No fire is lit and the probes do not agree: one is wrong, or shows another unit",
        "Hold them in the same air and compare; see their units and kinds in the configuration; calibrate. "
        "If coals burn, say so (light)",
        suppressed_in=frozenset(Phase) - {Phase.COLD},
        detail=c.apart_reading,
    ),
    Fault(
        "other_probe_hotter",
        c.other_probe_hotter,
        60,
        60,
        Action.THROTTLE,
        False,
        "high",
        "Another probe is far hotter than the pit probe: they are swapped, or the pit probe is wrong",
        "Look at the grill. See which plug is whose, that the pit probe hangs in the air at the grate, and "
        "that a food probe sits in the food. Then acknowledge: until that the vents open little",
        detail=c.hotter_reading,
        # a loop that believes the wrong probe opens the vents wide as soon as it is let
        until_acknowledged=True,
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
)
