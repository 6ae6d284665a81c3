"""What the conditions remember: running sums and times, brought forward one step at a time.

A condition that needs minutes ('rising with vents shut') looks at these, never at a single reading:
a lid lift, a gust or cold fish must not look like a fault. Trends come from one smoothed value a
minute and start afresh after a lid lift, a new set point or a restart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from coalminder.events import CharcoalAdded, Ease, Event, LidNotice, SetPoint, Tend
from coalminder.frozen import replace
from coalminder.lowpass import low_pass
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
ALL_OPEN = 0.95  # a lower vent so far open does all it can: were it to work, the pit would rise
SHUT_TIMES, SHUT_FRAC = 1.2, 0.001  # of the air floor: the lower vent is as shut as tending allows
LATE_FORGET = 1.0 / 20.0  # s of lateness forgotten per s
TRUST_AGAIN_S = 60.0  # the first pit probe is tended by again once it has been good for so long
STALL_S = 10.0  # of one late step so much counts: a stall, however long, is no machine that cannot keep up
JUMP_CAP_C2 = 400.0  # one jump must not look like noise
_EXPOSED_PHASES = frozenset(Phase) - {Phase.COLD, Phase.LIGHTING, Phase.OUT}


@dataclass(frozen=True, slots=True)
class Evidence:
    """Running sums and times (control time, s). None: not known, or not going on."""

    now_s: float
    pit_c: float | None = None  # this step's trusted readings
    pit_2_c: float | None = None
    hot_c: float | None = None  # the hotter of the two
    shown_c: float | None = None  # of the probe that is tended by: the second when it stands in
    on_second: bool = False
    first_since_s: float | None = None  # since when the first has read without a miss
    begun_s: float = 0.0  # when this run of the daemon began
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
        begun_s=now_s,
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
    e = _readings(e, view, limits, now_s)
    e = _pit(e, view, limits, gap, dt_s, now_s)
    e = _trend(e, view, limits, events, gap, now_s)
    e = _vents(e, view, limits, dt_s, now_s)
    e = _fall(e, view, now_s)
    return replace(
        e,
        now_s=now_s,
        late_sum_s=_lateness(e.late_sum_s, view.machine.late_s, limits, dt_s),
        exposed_s=_exposure(e, view, limits, max(dt_s, view.machine.blind_s)),
        food_loaded_s=view.food_loaded_s,
        phase=view.phase,
        phase_since_s=e.phase_since_s if view.phase is e.phase else now_s,
        set_point_c=view.set_point_c,
    )


def _readings(e: Evidence, view: View, limits: Limits, now_s: float) -> Evidence:
    """This step's trusted readings, and by which probe the pit is tended."""
    pit_c = trusted_c(view.pit, limits.stale_s)
    pit_2_c = trusted_c(view.pit_2, limits.stale_s) if view.pit_2 is not None else None
    hot_c = pit_c if pit_2_c is None else pit_2_c if pit_c is None else max(pit_c, pit_2_c)
    first_since_s = None if pit_c is None else now_s if e.first_since_s is None else e.first_since_s
    if e.on_second:  # until the first has been good for a while, or is all there is
        again = first_since_s is not None and now_s - first_since_s >= TRUST_AGAIN_S
        on_second = not (again or (pit_c is not None and pit_2_c is None))
    else:  # a reading missed now and then changes nothing
        lost = pit_c is None and (e.last_pit_c is None or now_s - e.last_pit_s > GAP_S)
        on_second = lost and pit_2_c is not None
    if on_second is not e.on_second:  # what one probe has shown says nothing of the other
        e = replace(
            e, last_pit_c=None, smooth_c=None, minutes=(), minute_s=now_s, jump_from_c=None, change_c2=0.0,
            finest_c=None, period_s=None,
        )  # fmt: skip
    begun_s = now_s if view.machine.blind_start else e.begun_s
    return replace(
        e, pit_c=pit_c, pit_2_c=pit_2_c, hot_c=hot_c, on_second=on_second,
        first_since_s=first_since_s, shown_c=pit_2_c if on_second else pit_c, begun_s=begun_s,
    )  # fmt: skip


def _pit(e: Evidence, view: View, limits: Limits, gap: bool, dt_s: float, now_s: float) -> Evidence:
    """What the reading does: smoothed, its steps, how long it has stood still, jumps."""
    same_since_s = e.same_since_s
    same_low, same_high = min(e.same_low, view.lower), max(e.same_high, view.lower)
    if now_s - same_since_s < ANSWER_S:
        same_low, same_high = view.lower, view.lower
    shown_c, last_c = e.shown_c, e.last_pit_c
    if last_c is None:
        same_since_s = now_s
    elif shown_c is None or gap:  # a time without readings proves nothing, and undoes nothing
        same_since_s = min(same_since_s + dt_s, now_s)
    if shown_c is None:
        return replace(e, same_since_s=same_since_s, same_low=same_low, same_high=same_high)
    smooth_c, finest_c, period_s, change_c2 = e.smooth_c, e.finest_c, e.period_s, e.change_c2
    jump_from_c, jump_s = e.jump_from_c, e.jump_s
    if last_c is None or smooth_c is None or gap:
        smooth_c = shown_c
    else:
        since_s = max(now_s - e.last_pit_s, 0.1)
        smooth_c = low_pass(smooth_c, shown_c, SMOOTH_S, since_s)
        change_c, still_s = shown_c - last_c, now_s - same_since_s
        if abs(change_c) > _jump_c(e, limits, since_s, still_s) and jump_from_c is None:
            jump_from_c, jump_s = last_c, now_s
        if change_c != 0.0:
            period_s = still_s if period_s is None else min(still_s, period_s * PERIOD_GROWS)
            finest_c = abs(change_c) if finest_c is None else min(finest_c, abs(change_c))
        # no noise is what a slow probe shows of a lid lift, a step every 10 s, or what changed in a long gap
        if not view.lid_off and since_s <= GAP_S:
            square_c2 = min(change_c * change_c, JUMP_CAP_C2)
            change_c2 = low_pass(change_c2, square_c2, limits.noise_window_s, since_s)
    if last_c is not None and shown_c != last_c:
        same_since_s, same_low, same_high = now_s, view.lower, view.lower
    if jump_from_c is not None and (abs(shown_c - jump_from_c) < JUMP_BACK_C or now_s - jump_s > JUMP_HELD_S):
        jump_from_c = None
    return replace(
        e, last_pit_c=shown_c, last_pit_s=now_s, smooth_c=smooth_c, same_since_s=same_since_s,
        same_low=same_low, same_high=same_high, finest_c=finest_c, period_s=period_s, change_c2=change_c2,
        jump_from_c=jump_from_c, jump_s=jump_s,
    )  # fmt: skip


def _trend(
    e: Evidence, view: View, limits: Limits, events: Iterable[object], gap: bool, now_s: float
) -> Evidence:
    """One smoothed value a minute, while nobody moves the pit on purpose; when somebody was there."""
    quiet_until_s, attended_s = e.quiet_until_s, e.attended_s
    # a hub that says the same set point again and again must not keep trends from being judged
    changed = view.phase is not e.phase or view.set_point_c != e.set_point_c
    for event in events:
        if isinstance(event, CharcoalAdded) or (changed and isinstance(event, (SetPoint, Tend, Ease))):
            quiet_until_s = now_s + limits.lid_quiet_s
        if isinstance(event, Event) and not (isinstance(event, LidNotice) and event.event_id == ""):
            attended_s = now_s
    if view.lid_off or gap:
        quiet_until_s = now_s + limits.lid_quiet_s
    if view.phase not in FIRE_PHASES or e.phase not in FIRE_PHASES:
        attended_s = now_s
    minutes, minute_s = e.minutes, e.minute_s
    if now_s < quiet_until_s or now_s - e.last_pit_s > GAP_S:
        minutes, minute_s = (), now_s
    elif now_s - minute_s >= MINUTE_S and e.smooth_c is not None:
        minutes, minute_s = (*minutes[1 - MINUTES_KEPT :], e.smooth_c), now_s
    return replace(e, quiet_until_s=quiet_until_s, attended_s=attended_s, minutes=minutes, minute_s=minute_s)


def _vents(e: Evidence, view: View, limits: Limits, dt_s: float, now_s: float) -> Evidence:
    """How long the vents have stood at an end of their travel, and what that achieves."""
    shut = view.lower <= SHUT_TIMES * view.lower_floor + SHUT_FRAC
    wide = view.lower >= view.lower_wide
    no_effect_s, strained_s = e.no_effect_s, e.strained_s
    if len(e.minutes) >= 6 and e.smooth_c is not None and e.shown_c is not None:
        error_c = e.smooth_c - view.set_point_c
        rise_c = e.smooth_c - e.minutes[-6]
        hot, cold = shut and rise_c > -FLAT_C, wide and rise_c < FLAT_C
        short_c = 0.0 if view.lower >= ALL_OPEN else limits.no_effect_c
        useless = (hot and error_c > limits.no_effect_c) or (cold and error_c < -short_c and rise_c > -FLAT_C)
        no_effect_s = _gather(no_effect_s, dt_s if useless else -dt_s, limits.no_effect_s)
        high_c = max(limits.band_high_c, view.set_point_c + BESIDE_C)
        low_c = min(limits.band_low_c, view.set_point_c - BESIDE_C)
        strained = (hot and e.smooth_c > high_c) or (cold and e.smooth_c < low_c)
        strained_s = _gather(strained_s, dt_s if strained else -dt_s, limits.strained_s)
    elif not e.minutes:
        no_effect_s = strained_s = 0.0
    return replace(
        e,
        no_effect_s=no_effect_s,
        strained_s=strained_s,
        shut_since_s=_since(e.shut_since_s, now_s) if shut else None,
        wide_since_s=_since(e.wide_since_s, now_s) if wide else None,
        lid_since_s=_since(e.lid_since_s, now_s) if view.lid_off or view.lid_doubt else None,
    )


def _since(since_s: float | None, now_s: float) -> float:
    return now_s if since_s is None else since_s


def _fall(e: Evidence, view: View, now_s: float) -> Evidence:
    """A fall as of a lid lift: whoever says that the lid is on again, the pit must show it."""
    if view.lid_off and e.fallen_since_s is None:
        return replace(
            e, fallen_since_s=now_s, lowest_c=view.set_point_c if e.smooth_c is None else e.smooth_c
        )
    if e.fallen_since_s is None or e.smooth_c is None:
        return e
    lowest_c = min(e.lowest_c, e.smooth_c)
    back = e.smooth_c > lowest_c + LID_BACK_C or e.smooth_c > view.set_point_c - NEAR_C
    over = (back and not view.lid_off) or view.phase not in FIRE_PHASES
    return replace(e, fallen_since_s=None if over else e.fallen_since_s, lowest_c=lowest_c)


def _lateness(sum_s: float, late_s: float, limits: Limits, dt_s: float) -> float:
    """Lateness gathered, s. A long stall counts as little as a short one."""
    more_s = min(late_s, STALL_S) if late_s > limits.late_s else 0.0
    return min(max(sum_s - dt_s * LATE_FORGET, 0.0) + more_s, 4 * limits.late_sum_s)


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


def _exposure(e: Evidence, view: View, limits: Limits, dt_s: float) -> tuple[tuple[str, float], ...]:
    """Time in the danger zone, s, by food: of this batch; a lost food probe keeps its sum."""
    # food that was on before a stored state knew of batches is this batch
    known = e.food_loaded_s is not None or view.food_loaded_s is None or view.food_loaded_s >= e.now_s
    before = e.exposed_s if view.food_loaded_s == e.food_loaded_s or not known else ()
    if view.food_on is False or not (view.food_on or view.phase in _EXPOSED_PHASES):
        return before
    sums = dict(before)
    for name, sample in view.foods:
        temp_c = trusted_c(sample, limits.food_stale_s)
        if temp_c is not None and limits.food_low_c < temp_c < limits.food_high_c:
            sums[name] = sums.get(name, 0.0) + dt_s
    return tuple(sums.items())


def later(time_s: float | None, by_s: float) -> float | None:
    """The same moment on a clock that reads `by_s` more; None stays None."""
    return None if time_s is None else time_s + by_s


def shift(e: Evidence, by_s: float) -> Evidence:
    """The same evidence on a control clock that reads `by_s` more: no time is taken to have passed."""
    return replace(
        e,
        now_s=e.now_s + by_s,
        begun_s=e.begun_s + by_s,
        first_since_s=later(e.first_since_s, by_s),
        last_pit_s=e.last_pit_s + by_s,
        same_since_s=e.same_since_s + by_s,
        jump_s=e.jump_s + by_s,
        minute_s=e.minute_s + by_s,
        quiet_until_s=e.quiet_until_s + by_s,
        shut_since_s=later(e.shut_since_s, by_s),
        wide_since_s=later(e.wide_since_s, by_s),
        lid_since_s=later(e.lid_since_s, by_s),
        fallen_since_s=later(e.fallen_since_s, by_s),
        phase_since_s=e.phase_since_s + by_s,
        attended_s=e.attended_s + by_s,
    )
