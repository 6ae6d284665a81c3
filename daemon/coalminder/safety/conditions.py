"""The conditions of the fault table: small pure functions, one situation each.

`condition(view, evidence, limits, on)` is True (the fault is there), False (it is not) or None (it
cannot be told now: the alarm stays as it is, so that losing a probe never clears an alarm). `on` is
True while the alarm is pending or active, and gives each limit its deadband.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from coalminder.safety.evidence import Evidence, trusted_c
from coalminder.safety.limits import Limits
from coalminder.safety.view import View
from coalminder.values import COARSE_C, Phase, ProbeFault, ProbeFaultKind, Reading

Condition = Callable[[View, Evidence, Limits, bool], bool | None]

MOVED_FRAC = 0.005  # an opening is moved a lot when it is doubled, and by this much at least
HOT_DAY_F = 95.0  # 35 °C; what a cold grill's probe shows at most, be it in the wrong unit
FOOD_COLDER_C = 10.0  # food out of the refrigerator is colder than the grill
SOME_S = 4.0  # a reading no longer ago: some come
DIES_AWAY = 0.75  # of a rise in two minutes, in the next two: beyond, where it ends is a guess
BELOW_HARD_C = 10.0  # so far below the hard limit normal overshoots end (limits.py)
STUCK_ANYHOW = 6.0  # times the limit: too long for a fine probe, moved vents or not

_OLD = frozenset({ProbeFaultKind.STALE, ProbeFaultKind.TIMEOUT, ProbeFaultKind.NOT_READY})
_OWN_ROWS = _OLD | {ProbeFaultKind.STUCK, ProbeFaultKind.IMPLAUSIBLE_RATE}


def _over(temp_c: float | None, limit_c: float, limits: Limits, on: bool) -> bool | None:
    """Over a limit, and then until it is under it by the deadband. None: no temperature to tell by."""
    return None if temp_c is None else temp_c > limit_c - (limits.temp_deadband_c if on else 0.0)


def pit_over_hard_limit(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The hotter pit probe is over the hard limit."""
    return _over(e.hot_c, limits.hard_limit_c, limits, on)


def pit_over_ceiling(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The hotter pit probe is over the ceiling."""
    return _over(e.hot_c, limits.ceiling_c, limits, on)


def runaway(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Over the ceiling and on its way to the hard limit although the vents have long been shut."""
    return _rising(e, limits, on, limits.ceiling_c, limits.rise_cut_off_c, limits.hard_limit_c - BELOW_HARD_C)


def rising_with_vents_shut(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Well over the set point and on its way over the ceiling although the vents have long been shut."""
    over_c = view.set_point_c + limits.rise_above_set_point_c
    return _rising(e, limits, on, over_c, limits.rise_warn_c, limits.ceiling_c)


def _rising(
    e: Evidence, limits: Limits, on: bool, over_c: float, by_c: float, harmless_c: float
) -> bool | None:
    """Over `over_c`, up by more than `by_c` in five minutes, and not about to end below `harmless_c`.

    Glowing coals go on warming a light kettle for ten minutes under shut vents, but that dies away: to put
    such a fire out would end no danger, only the cook.
    """
    if e.smooth_c is None or e.shown_c is None:
        return None
    if e.smooth_c <= over_c or e.shut_since_s is None or e.now_s - e.shut_since_s < limits.rise_window_s:
        return False
    rise_c, late_rise_c = e.rise(5), e.rise(1)
    if rise_c is None or late_rise_c is None or late_rise_c <= 0.0:  # an overshoot past its top does not rise
        return False
    return rise_c > 0.0 if on else rise_c > by_c and _top_c(e) >= harmless_c


def _top_c(e: Evidence) -> float:
    """Where a rise that dies away as it does will end; infinite for one that does not plainly die away.

    Aitken's delta-squared extrapolation of three smoothed pits, two minutes apart. Of a pit that fell before,
    which a flare has just turned, they tell nothing.
    """
    before_c, last_c = e.minutes[-3] - e.minutes[-5], e.minutes[-1] - e.minutes[-3]
    plainly = before_c > 0.0 and last_c < DIES_AWAY * before_c
    return e.minutes[-1] + last_c**2 / (before_c - last_c) if plainly else math.inf


def falling_with_vents_open(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Under the set point and falling although the lower vent has long been wide open."""
    if e.smooth_c is None or e.shown_c is None:
        return None
    if e.wide_since_s is None or e.now_s - e.wide_since_s < limits.fall_window_s:
        return False
    if e.smooth_c >= view.set_point_c - limits.fall_below_set_point_c:
        return False
    fall_c, late_fall_c = e.rise(10), e.rise(5)
    if fall_c is None or late_fall_c is None:
        return False
    return late_fall_c < 0.0 if on else fall_c < -limits.fall_warn_c and late_fall_c < -1.0


def fire_out(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """A pit as cool as this has no fire under it."""
    return None if e.shown_c is None else _out(e.shown_c, limits, on)


def _out(temp_c: float, limits: Limits, on: bool) -> bool:
    return temp_c < limits.out_c + (limits.temp_deadband_c if on else 0.0)


def lighting_slow(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Lighting takes far longer than a chimney of coals needs."""
    return view.phase is Phase.LIGHTING and e.now_s - e.phase_since_s > limits.lighting_s


def _blind(e: Evidence) -> bool:
    """No temperature of the pit to tend by."""
    return e.pit_c is None and e.pit_2_c is None


def _of_this_kind(e: Evidence, mine: bool) -> bool | None:
    """Whether the row's kind of fault is there. While another kind blinds us, nobody can tell."""
    return True if mine else None if _blind(e) else False


def pit_probe_silent(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """There is no temperature of the pit to tend by. A reading missed now and then says nothing."""
    if not _blind(e):
        return False
    return None if on and e.now_s - e.last_pit_s < SOME_S else True


def pit_probe_lost(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The pit probe's electrical side is broken: open, short, out of range, bus, or not a number."""
    if not _blind(e):
        return False
    other = isinstance(view.pit, ProbeFault) and view.pit.kind in _OWN_ROWS
    return _of_this_kind(e, not other and not _old(view, e, limits))


def pit_probe_stale(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The pit's readings have stopped coming."""
    if not _blind(e):
        return False
    return _of_this_kind(e, _old(view, e, limits))


def _old(view: View, e: Evidence, limits: Limits) -> bool:
    """The pit's reading is old, or none came since the start in the time that a slow probe may take."""
    if isinstance(view.pit, Reading):
        return view.pit.age_s > limits.stale_s
    if view.pit.kind is ProbeFaultKind.NOT_READY:
        return e.now_s - e.begun_s > limits.stale_s
    return view.pit.kind in _OLD


def pit_probe_stuck(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The same figure, to the last digit, although the vents were moved or stand at an end without effect.

    A heavy kettle that is held well may rightly show one figure, the longer the wider the probe's steps are;
    the core then lowers the draught to see whether the reading lives. With fine steps an hour is too long in
    any case.
    """
    if isinstance(view.pit, ProbeFault) and (view.pit.kind is ProbeFaultKind.STUCK or not e.on_second):
        return _of_this_kind(e, view.pit.kind is ProbeFaultKind.STUCK)
    if on:
        return e.still_s >= limits.stuck_s
    moved = e.same_high >= 2.0 * e.same_low + MOVED_FRAC or e.same_low <= 0.0 < e.same_high
    no_effect = e.no_effect_s >= limits.no_effect_s
    if e.step_c < COARSE_C and e.still_s >= STUCK_ANYHOW * limits.stuck_s:
        return True
    return (moved or no_effect) and e.still_s >= limits.stuck_s * max(e.step_c / COARSE_C, 1.0)


def pit_probe_noisy(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Second-to-second changes far larger than air temperature makes."""
    if e.shown_c is None:
        return None
    limit_c2 = limits.noise_c * limits.noise_c
    return e.change_c2 > (limit_c2 / 2 if on else limit_c2)


def pit_probe_implausible(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The pit jumped as no air does, and did not come back."""
    if isinstance(view.pit, ProbeFault) and (_jumped(view.pit) or not e.on_second):
        return _of_this_kind(e, _jumped(view.pit))
    return None if e.shown_c is None else e.jump_from_c is not None


def _jumped(fault: ProbeFault) -> bool:
    return fault.kind is ProbeFaultKind.IMPLAUSIBLE_RATE


def pit_probes_disagree(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Two pit probes further apart than the gradient across a grate."""
    if view.pit_2 is None:
        return False
    if e.pit_c is None or e.pit_2_c is None:
        return None
    return _over(abs(e.pit_c - e.pit_2_c), limits.disagree_c, limits, on)


def cold_probes_disagree(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Before the fire is lit another probe is far from the pit's: a wrong one, or one in another unit."""
    if e.pit_c is None or e.pit_c > HOT_DAY_F:
        return None
    slack_c = limits.temp_deadband_c if on else 0.0
    return any(
        abs(e.pit_c - temp_c) > most_c - slack_c for _, temp_c, most_c in _beside_cold(view, e, limits)
    )


def _beside_cold(view: View, e: Evidence, limits: Limits) -> list[tuple[str, float, float]]:
    """Name and temperature of each probe beside the pit's, and how far apart the two may be, in °C."""
    apart_c = limits.cold_apart_c
    beside = [("second pit", e.pit_2_c, apart_c)]
    for name, sample in (("dome", view.dome), ("ambient", view.ambient)):
        beside.append((name, trusted_c(sample, limits.other_stale_s), apart_c))
    beside += [(name, trusted_c(s, limits.food_stale_s), apart_c + FOOD_COLDER_C) for name, s in view.foods]
    return [(name, temp_c, most_c) for name, temp_c, most_c in beside if temp_c is not None]


def other_probe_hotter(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """A food probe over the ceiling, or the dome over the hard limit, and far over the pit probe.

    Then until the food probe is under the set point, the dome under the ceiling, or neither far over the pit.
    """
    if e.hot_c is None:
        return None
    slack_c = limits.temp_deadband_c if on else 0.0
    far_c = e.hot_c + limits.disagree_c - slack_c
    return any(
        temp_c > max(limit_c - slack_c, far_c) for _, temp_c, limit_c in _beside_the_pit(view, e, limits, on)
    )


def _beside_the_pit(
    view: View, e: Evidence, limits: Limits, on: bool = False
) -> list[tuple[str, float, float]]:
    """Name, temperature and limit of each probe that may know better than the pit's, in °C.

    Wet food does not get as hot as the ceiling; a probe that was pulled out of it may lie on the coals. on:
    one has known better. Given the vents back before the grill is no hotter than wanted, a loop that believes
    the wrong probe opens them wide for the next overshoot.
    """
    foods = view.foods if view.food_on is not False else ()
    wanted_c = view.set_point_c + limits.temp_deadband_c  # a core stays under it in a pit that is well
    food_c = min(wanted_c, limits.ceiling_c) if on else limits.ceiling_c
    dome_c = limits.ceiling_c if on else limits.hard_limit_c
    known = [(name, trusted_c(sample, limits.food_stale_s), food_c) for name, sample in foods]
    known.append(("dome", trusted_c(view.dome, limits.other_stale_s), dome_c))
    return [(name, temp_c, limit_c) for name, temp_c, limit_c in known if temp_c is not None]


def pit_on_second_probe(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The first pit probe is lost, the second stands in."""
    return e.pit_c is None and not _blind(e)


def second_probe_lost(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """A probe that only helps (second pit, dome, ambient) is lost."""
    return bool(which_second_lost(view, e, limits))


def food_probe_lost(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """A food probe gives no temperature while the food is on."""
    return view.food_on is not False and bool(which_food_lost(view, e, limits))


def vents_without_effect(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The vents stand at the end of their travel and the pit does not answer, for many minutes."""
    return e.no_effect_s >= (limits.no_effect_s / 2 if on else limits.no_effect_s)


def weather_beyond_vents(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The pit is out of the band with the vents at the end of their travel, for many minutes."""
    return e.strained_s >= (limits.strained_s / 2 if on else limits.strained_s)


def snuff_without_effect(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Snuffing for long, and the pit is still hot and not falling."""
    if e.smooth_c is None or e.shown_c is None:
        return None
    if view.phase not in (Phase.SNUFFING, Phase.CUT_OFF) or e.now_s - e.phase_since_s < limits.snuffed_s:
        return False
    if e.smooth_c < limits.snuffed_c:
        return False
    rise_c = e.rise(10)
    return rise_c is not None and rise_c > -2.0


def heat_without_fire(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The pit is hot though no fire is known of."""
    return _over(e.hot_c, limits.heat_c, limits, on)


def vent_driver_failed(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The servo driver refuses to move a vent."""
    return view.machine.vent_driver_failed


def servo_supply_low(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The servos' supply is low, by hardware that measures it; no driver here does."""
    return view.machine.servo_supply_low


def under_voltage(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The board's own supply is low."""
    return view.machine.under_voltage


def board_hot(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The board is too hot."""
    return view.machine.board_hot


def loop_late(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """This step came late."""
    return view.machine.late_s > limits.late_s


def loop_cannot_keep_up(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Lateness adds up faster than it is forgotten."""
    return e.late_sum_s > (limits.late_sum_s / 2 if on else limits.late_sum_s)


def was_blind(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The daemon starts again after a time without steps."""
    return view.machine.blind_s > limits.blind_s


def restart_loop(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The daemon keeps restarting."""
    return view.machine.restarts_in_10_min >= limits.restarts


def clock_jumped(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The wall clock was moved against the steady one."""
    return abs(view.machine.clock_jump_s) > limits.clock_jump_s


def disk_failed(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The journal cannot be written."""
    return view.machine.disk_failed


def journal_corrupt(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The journal was found damaged."""
    return view.machine.journal_corrupt


def broker_lost(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """No broker for long."""
    return view.machine.broker_lost_s > limits.broker_lost_s


def settings_changed(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The configuration on disk is not the one in force."""
    return view.machine.settings_changed


def unattended_soon(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Soon nobody will have been there for too long."""
    return e.now_s - e.attended_s > limits.unattended_s - limits.unattended_notice_s


def unattended(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """Nobody has been there for too long."""
    return e.now_s - e.attended_s > limits.unattended_s


def lid_off_long(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The lid has been off for too long."""
    return e.lid_since_s is not None and e.now_s - e.lid_since_s >= limits.lid_off_s


def pit_probe_out(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """The pit fell as if the lid had come off, to no more than warm, and has not risen since."""
    if e.shown_c is None or e.smooth_c is None:
        return None
    if e.fallen_since_s is None or e.now_s - e.fallen_since_s < limits.lid_off_s:
        return False
    return _out(e.smooth_c, limits, on)


def food_exposed(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """A food has been between cold and hot holding for too long in all."""
    return bool(which_food_exposed(view, e, limits))


def which_food_lost(view: View, e: Evidence, limits: Limits) -> tuple[str, ...]:
    """Names of the lost food probes."""
    return tuple(name for name, sample in view.foods if trusted_c(sample, limits.food_stale_s) is None)


def food_limit_near(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """A clock of the food is near its limit."""
    return bool(view.food_near)


def food_limit_over(view: View, e: Evidence, limits: Limits, on: bool) -> bool | None:
    """A clock of the food is over its limit."""
    return bool(view.food_over)


def which_food_near(view: View, e: Evidence, limits: Limits) -> tuple[str, ...]:
    """The clocks near their limit."""
    return view.food_near


def which_food_over(view: View, e: Evidence, limits: Limits) -> tuple[str, ...]:
    """The clocks over their limit."""
    return view.food_over


def which_food_exposed(view: View, e: Evidence, limits: Limits) -> tuple[str, ...]:
    """Names of the foods exposed too long."""
    return tuple(name for name, sum_s in e.exposed_s if sum_s > limits.exposure_s)


def which_second_lost(view: View, e: Evidence, limits: Limits) -> tuple[str, ...]:
    """Names of the lost helping probes."""
    named = (("second pit", view.pit_2), ("dome", view.dome), ("ambient", view.ambient))
    return tuple(name for name, sample in named if isinstance(sample, ProbeFault))


def pit_reading(view: View, e: Evidence, limits: Limits) -> str:
    """What the pit probe says, for the message."""
    if isinstance(view.pit, ProbeFault):
        return f"{view.pit.kind.value}{': ' + view.pit.detail if view.pit.detail else ''}"
    return f"{view.pit.temp_c:.0f} °C" if view.pit.age_s <= limits.stale_s else f"{view.pit.age_s:.0f} s old"


def both_readings(view: View, e: Evidence, limits: Limits) -> str:
    """What the two pit probes say, for the message."""
    shown = ("no reading" if temp_c is None else f"{temp_c:.0f} °C" for temp_c in (e.pit_c, e.pit_2_c))
    return "pit {}, second {}".format(*shown)


def apart_reading(view: View, e: Evidence, limits: Limits) -> str:
    """The pit probe and the one that is furthest from it, for the message."""
    pit_c = 0.0 if e.pit_c is None else e.pit_c
    name, temp_c, _ = max(_beside_cold(view, e, limits), key=lambda one: abs(one[1] - pit_c) - one[2])
    return f"pit {pit_c:.0f} °C, {name} {temp_c:.0f} °C"


def hot_reading(view: View, e: Evidence, limits: Limits) -> str:
    """The hotter pit probe, for the message."""
    return "no reading" if e.hot_c is None else f"{e.hot_c:.0f} °C"


def hotter_reading(view: View, e: Evidence, limits: Limits) -> str:
    """The probe furthest over its limit, and the pit's, for the message."""
    name, temp_c, _ = max(_beside_the_pit(view, e, limits), key=lambda one: one[1] - one[2])
    return f"{name} {temp_c:.0f} °C, pit {hot_reading(view, e, limits)}"


def time_blind(view: View, e: Evidence, limits: Limits) -> str:
    """How long there were no steps, for the message."""
    return f"{view.machine.blind_s:.0f} s"


def time_late(view: View, e: Evidence, limits: Limits) -> str:
    """How late the step came, for the message."""
    return f"{view.machine.late_s:.0f} s"
