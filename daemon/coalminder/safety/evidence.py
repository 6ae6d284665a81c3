"""What the conditions remember: running sums and times, brought forward one step at a time.

A condition that needs minutes ('rising with vents shut') looks at these, never at a single reading:
a lid lift, a gust or cold fish must not look like a fault. Trends come from one smoothed value a
minute and start afresh after a lid lift, a new set point or a restart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from coalminder.events import CharcoalAdded, Ease, Event, LidNotice, SetPoint, Tend
from coalminder.safety.limits import Limits
from coalminder.safety.view import FIRE_PHASES, View
from coalminder.values import Phase, Reading, Sample

SMOOTH_S = 30.0  # time constant of the pit for trends: passes minutes, takes noise of 1 K to 0.13 K
MINUTE_S = 60.0
MINUTES_KEPT = 12
GAP_S = 30.0  # steps further apart than this are a gap: trends start afresh
ANSWER_S = 180.0  # after a change of the reading the vents move because of it
IRREGULAR_S = 4.0  # a gateway that sends now and then: so much of the time since the last is believed
JUMP_HELD_S = 120.0  # after a jump, this much steady reading makes the new level the truth
JUMP_BACK_C = 10.0
JUMP_SLACK_C = 2.0  # as the guard of a probe allows for its noise (probes/guard.py)
JUMP_NOISE_TIMES = 4.0  # of the usual change from step to step
PERIOD_MAX_S = 60.0
PERIOD_GROWS = 1.1  # a change, by which a probe that has become slower is known again
FLAT_C = 2.0  # a change in 5 to 6 min less than this is no answer to the vents
LID_BACK_C = 8.0  # the pit has risen this far from its lowest: the lid is on, the probe in the heat
NEAR_C = 15.0
BESIDE_C = 5.0  # a set point at the edge of the band: only this far beside it is out of reach
SHUT_TIMES, SHUT_FRAC = 1.2, 0.001  # of the air floor: the lower vent is as shut as tending allows
LATE_FORGET = 1.0 / 20.0  # s of lateness forgotten per s
JUMP_CAP_C2 = 400.0  # one jump must not look like noise
_EXPOSED_PHASES = frozenset(Phase) - {Phase.COLD, Phase.LIGHTING, Phase.OUT}


@dataclass(frozen=True, slots=True)
class Evidence:
    """Running sums and times (control time, s). None: not known, or not going on."""

    now_s: float
    pit_c: float | None = None  # this step's trusted readings
    pit_2_c: float | None = None
    hot_c: float | None = None  # the hotter of the two
    last_pit_c: float | None = None
    last_pit_s: float = 0.0
    smooth_c: float | None = None
    same_since_s: float = 0.0
    finest_c: float | None = None  # smallest change of the reading ever seen: the probe's resolution
    period_s: float | None = None  # least time between two changes: how often the probe shows something new
    same_low: float = 1.0  # least and widest opening of the lower vent since the reading changed
    same_high: float = 0.0
    jump_from_c: float | None = None
    jump_s: float = 0.0
    change_c2: float = 0.0
    minutes: tuple[float, ...] = ()
    minute_s: float = 0.0
    quiet_until_s: float = 0.0
    shut_since_s: float | None = None
    wide_since_s: float | None = None
    lid_since_s: float | None = None
    fallen_since_s: float | None = None  # the lid came off, or so it looked, and the pit is not back yet
    lowest_c: float = 0.0  # lowest smoothed pit since
    phase: Phase = Phase.COLD
    phase_since_s: float = 0.0
    attended_s: float = 0.0
    late_sum_s: float = 0.0
    no_effect_s: float = 0.0
    strained_s: float = 0.0
    food_loaded_s: float | None = None
    exposed_s: tuple[tuple[str, float], ...] = ()
    set_point_c: float | None = None

    @property
    def still_s(self) -> float:
        """How long the pit has shown one figure."""
        return self.now_s - self.same_since_s

    @property
    def step_c(self) -> float:
        """The least that the pit's reading ever changed, 0 before it did: the steps of its scale."""
        return self.finest_c or 0.0

    def rise(self, minutes: int) -> float | None:
        """Change of the smoothed pit in K over `minutes` (and up to one more); None until that is known."""
        if self.smooth_c is None or len(self.minutes) <= minutes:
            return None
        return self.smooth_c - self.minutes[-minutes - 1]


def trusted_c(sample: Sample | None, stale_s: float) -> float | None:
    """The temperature in °C if there is one to trust: a finite reading, no older than `stale_s`."""
    if type(sample) is Reading and sample.age_s <= stale_s and math.isfinite(sample.temp_c):
        return sample.temp_c
    return None


def start(now_s: float) -> Evidence:
    """Nothing known yet."""
    return Evidence(
        now_s=now_s,
        last_pit_s=now_s,
        same_since_s=now_s,
        minute_s=now_s,
        phase_since_s=now_s,
        attended_s=now_s,
    )


def advance(e: Evidence, view: View, limits: Limits, events: Iterable[object], now_s: float) -> Evidence:
    """The evidence after this step. Pure; `now_s` must not be before `e.now_s`."""
    dt_s = now_s - e.now_s
    gap = dt_s > GAP_S or view.machine.blind_start
    phase = view.phase

    # The pit.
    pit_c = trusted_c(view.pit, limits.stale_s)
    pit_2_c = trusted_c(view.pit_2, limits.stale_s) if view.pit_2 is not None else None
    hot_c = pit_c if pit_2_c is None else pit_2_c if pit_c is None else max(pit_c, pit_2_c)
    last_pit_c, last_pit_s = e.last_pit_c, e.last_pit_s
    smooth_c, same_since_s, change_c2 = e.smooth_c, e.same_since_s, e.change_c2
    jump_from_c, jump_s = e.jump_from_c, e.jump_s
    finest_c, period_s = e.finest_c, e.period_s
    same_low, same_high = min(e.same_low, view.lower), max(e.same_high, view.lower)
    if now_s - e.same_since_s < ANSWER_S:
        same_low, same_high = view.lower, view.lower
    if pit_c is None or last_pit_c is None or gap:
        same_since_s, same_low, same_high = now_s, view.lower, view.lower
    if pit_c is not None:
        if last_pit_c is None or smooth_c is None or gap:
            smooth_c = pit_c
        else:
            since_s = max(now_s - last_pit_s, 0.1)
            smooth_c += (pit_c - smooth_c) * since_s / (SMOOTH_S + since_s)
            change_c = pit_c - last_pit_c
            still_s = now_s - same_since_s
            if abs(change_c) > _jump_c(e, limits, since_s, still_s) and jump_from_c is None:
                jump_from_c, jump_s = last_pit_c, now_s
            if change_c != 0.0:
                period_s = still_s if period_s is None else min(still_s, period_s * PERIOD_GROWS)
                same_since_s, same_low, same_high = now_s, view.lower, view.lower
                finest_c = abs(change_c) if finest_c is None else min(finest_c, abs(change_c))
            if not view.lid_off:  # what a slow probe shows of a lid lift, a step every 10 s, is no noise
                change_c2 += (
                    (min(change_c * change_c, JUMP_CAP_C2) - change_c2)
                    * since_s
                    / (limits.noise_window_s + since_s)
                )
        if jump_from_c is not None and (
            abs(pit_c - jump_from_c) < JUMP_BACK_C or now_s - jump_s > JUMP_HELD_S
        ):
            jump_from_c = None
        last_pit_c, last_pit_s = pit_c, now_s

    # What makes trends start afresh.
    quiet_until_s, attended_s = e.quiet_until_s, e.attended_s
    # a hub that says the same set point again and again must not keep trends from being judged
    changed = phase is not e.phase or view.set_point_c != e.set_point_c
    for event in events:
        if isinstance(event, CharcoalAdded) or (changed and isinstance(event, (SetPoint, Tend, Ease))):
            quiet_until_s = now_s + limits.lid_quiet_s
        if isinstance(event, Event) and not (isinstance(event, LidNotice) and event.event_id == ""):
            attended_s = now_s
    if view.lid_off or gap:
        quiet_until_s = now_s + limits.lid_quiet_s
    if phase not in FIRE_PHASES or e.phase not in FIRE_PHASES:
        attended_s = now_s
    minutes, minute_s = e.minutes, e.minute_s
    if now_s < quiet_until_s or now_s - last_pit_s > GAP_S:
        minutes, minute_s = (), now_s
    elif now_s - minute_s >= MINUTE_S and smooth_c is not None:
        minutes, minute_s = (*minutes[1 - MINUTES_KEPT :], smooth_c), now_s

    # The vents and what they achieve.
    shut = view.lower <= SHUT_TIMES * view.lower_floor + SHUT_FRAC
    wide = view.lower >= view.lower_wide
    no_effect_s, strained_s = e.no_effect_s, e.strained_s
    if len(minutes) >= 6 and smooth_c is not None and pit_c is not None:
        error_c = smooth_c - view.set_point_c
        rise_c = smooth_c - minutes[-6]
        hot, cold = shut and rise_c > -FLAT_C, wide and rise_c < FLAT_C
        useless = (hot and error_c > limits.no_effect_c) or (
            cold and error_c < -limits.no_effect_c and rise_c > -FLAT_C
        )
        no_effect_s = _gather(no_effect_s, dt_s if useless else -dt_s, limits.no_effect_s)
        high_c = max(limits.band_high_c, view.set_point_c + BESIDE_C)
        low_c = min(limits.band_low_c, view.set_point_c - BESIDE_C)
        strained = (hot and smooth_c > high_c) or (cold and smooth_c < low_c)
        strained_s = _gather(strained_s, dt_s if strained else -dt_s, limits.strained_s)
    elif not minutes:
        no_effect_s = strained_s = 0.0

    # A fall as of a lid lift: whoever says that the lid is on again, the pit must show it.
    fallen_since_s, lowest_c = e.fallen_since_s, e.lowest_c
    if view.lid_off and fallen_since_s is None:
        fallen_since_s, lowest_c = now_s, smooth_c if smooth_c is not None else view.set_point_c
    elif fallen_since_s is not None and smooth_c is not None:
        lowest_c = min(lowest_c, smooth_c)
        back = smooth_c > lowest_c + LID_BACK_C or smooth_c > view.set_point_c - NEAR_C
        if (back and not view.lid_off) or phase not in FIRE_PHASES:
            fallen_since_s = None

    # The machine and the food.
    late_sum_s = e.late_sum_s
    late_s = view.machine.late_s
    if late_sum_s > 0.0 or late_s > limits.late_s:
        late_sum_s = max(late_sum_s - dt_s * LATE_FORGET, 0.0) + (late_s if late_s > limits.late_s else 0.0)
        late_sum_s = min(late_sum_s, 4 * limits.late_sum_s)
    exposed_s = e.exposed_s if view.food_loaded_s == e.food_loaded_s else ()  # of this batch
    if view.foods and view.food_on is not False and (view.food_on or phase in _EXPOSED_PHASES):
        exposed_s = _expose(exposed_s, view, limits, max(dt_s, view.machine.blind_s))

    new_phase = phase is not e.phase
    return Evidence(
        now_s,
        pit_c,
        pit_2_c,
        hot_c,
        last_pit_c,
        last_pit_s,
        smooth_c,
        same_since_s,
        finest_c,
        period_s,
        same_low,
        same_high,
        jump_from_c,
        jump_s,
        change_c2,
        minutes,
        minute_s,
        quiet_until_s,
        (now_s if e.shut_since_s is None else e.shut_since_s) if shut else None,
        (now_s if e.wide_since_s is None else e.wide_since_s) if wide else None,
        (now_s if e.lid_since_s is None else e.lid_since_s) if view.lid_off else None,
        fallen_since_s,
        lowest_c,
        phase,
        now_s if new_phase else e.phase_since_s,
        attended_s,
        late_sum_s,
        no_effect_s,
        strained_s,
        view.food_loaded_s,
        exposed_s,
        view.set_point_c,
    )


def _jump_c(e: Evidence, limits: Limits, since_s: float, still_s: float) -> float:
    """A change of the reading in K beyond which it is a jump.

    A probe that shows something new every 10 s (wireless, or whole degrees) shows 10 s of change at once; one
    that jitters all the time may go on to do so.
    """
    usual_s = min(still_s if e.period_s is None else e.period_s, PERIOD_MAX_S)
    shown_s = max(usual_s, since_s, min(still_s, IRREGULAR_S))
    return JUMP_SLACK_C + limits.rate_c_per_s * shown_s + JUMP_NOISE_TIMES * math.sqrt(e.change_c2)


def _gather(sum_s: float, by_s: float, enough_s: float) -> float:
    """A sum of time that forgets: never below 0, and never so much that it forgets slowly."""
    return min(max(sum_s + by_s, 0.0), 1.2 * enough_s)


def _expose(
    exposed_s: tuple[tuple[str, float], ...], view: View, limits: Limits, dt_s: float
) -> tuple[tuple[str, float], ...]:
    """Add `dt_s` to every food in the danger zone; a lost food probe keeps its sum."""
    sums: dict[str, float] | None = None
    for name, sample in view.foods:
        temp_c = trusted_c(sample, limits.food_stale_s)
        if temp_c is not None and limits.food_low_c < temp_c < limits.food_high_c:
            if sums is None:
                sums = dict(exposed_s)
            sums[name] = sums.get(name, 0.0) + dt_s
    return exposed_s if sums is None else tuple(sums.items())


def shift(e: Evidence, by_s: float) -> Evidence:
    """The same evidence on a control clock that reads `by_s` more: no time is taken to have passed."""

    def moved(time_s: float | None) -> float | None:
        return None if time_s is None else time_s + by_s

    return replace(
        e,
        now_s=e.now_s + by_s,
        last_pit_s=e.last_pit_s + by_s,
        same_since_s=e.same_since_s + by_s,
        jump_s=e.jump_s + by_s,
        minute_s=e.minute_s + by_s,
        quiet_until_s=e.quiet_until_s + by_s,
        shut_since_s=moved(e.shut_since_s),
        wide_since_s=moved(e.wide_since_s),
        lid_since_s=moved(e.lid_since_s),
        fallen_since_s=moved(e.fallen_since_s),
        phase_since_s=e.phase_since_s + by_s,
        attended_s=e.attended_s + by_s,
    )
