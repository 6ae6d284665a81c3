"""The drills as data: for every row of the fault table one way, or several, to provoke it.

`begins` says from the plant's own truth, never from what the cut-offs remember, since when the fault of
the row is there; without it a fault is there as soon as it is put in.
"""

from __future__ import annotations

import copy
import functools
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from coalminder.core import Config, air
from coalminder.drill.rig import Rig
from coalminder.events import Acknowledge, FoodStep, Light, Snuff, Tend
from coalminder.grill.kettle import Kettle
from coalminder.grill.weather import Weather
from coalminder.values import Phase, ProbeFault, ProbeFaultKind, Reading, Sample

SETTLED_S = 4500  # from the middle of a cook to quiet tending


@dataclass(frozen=True, slots=True)
class Drill:
    """code: the row. what: what is done, for the table. inject(rig, s): once a second, s from 0 on."""

    code: str
    what: str
    inject: Callable[[Rig, float], None]
    prepare: Callable[[], Rig]
    begins: Callable[[Rig], bool] | None = None
    give_up_s: float = 10800.0


@functools.cache
def _tended(second: bool) -> Rig:
    rig = Rig.new(Kettle(charcoal_kg=1.4, lit_frac=0.4, pit_c=93.0, seed=7))
    rig.second = second
    rig.events += [Light(), Tend()]
    for _ in range(SETTLED_S):
        rig.step()
    rig.events.append(Acknowledge())
    decision = rig.step()
    if decision.phase is not Phase.TENDING or decision.alarms:
        raise RuntimeError(f"the drill's cook is not quiet: {decision.phase}, {decision.alarms}")
    return rig


def burning(second: bool = False) -> Rig:
    """In the middle of a cook, tended quietly for more than an hour; a fresh one each time."""
    return copy.deepcopy(_tended(second))


def _burning() -> Rig:
    return burning()


def _two_probes() -> Rig:
    return burning(second=True)


def _cold_coals() -> Rig:
    rig = Rig.new(Kettle(charcoal_kg=1.0, lit_frac=0.005, seed=7))
    rig.events.append(Light())
    return rig


def _fresh() -> Rig:
    rig = Rig.new(Kettle(charcoal_kg=3.0, lit_frac=0.3, pit_c=93.0, seed=7))
    rig.events += [Light(), Tend()]
    return rig


def _off_grill() -> Rig:
    rig = _burning()
    for word in ("loaded", "off"):
        rig.events.append(FoodStep(step=word))
        rig.step()
    return rig


def _cold() -> Rig:
    return Rig.new(Kettle(charcoal_kg=1.0, lit_frac=0.0, weather=Weather(ambient_c=24.0), seed=7))


def _loaded_cold() -> Rig:
    rig = Rig.new(Kettle(charcoal_kg=1.8, lit_frac=0.2, seed=7))
    rig.kettle.add_food(1.5)
    rig.events.append(Light())
    return rig


def _out() -> Rig:
    rig = Rig.new(Kettle(charcoal_kg=1.0, pit_c=20.0, seed=7))
    rig.state = replace(rig.state, phase=Phase.OUT)
    rig.step()
    return rig


def _machine(**trouble: object) -> Callable[[Rig, float], None]:
    def inject(rig: Rig, s: float) -> None:
        rig.flag(**trouble)

    return inject


def _once(**trouble: object) -> Callable[[Rig, float], None]:
    def inject(rig: Rig, s: float) -> None:
        rig.flag(**(trouble if s < 1.0 else {}))

    return inject


def _pit(kind: ProbeFaultKind) -> Callable[[Rig, float], None]:
    def inject(rig: Rig, s: float) -> None:
        rig.pit = lambda _: ProbeFault(kind, "injected")

    return inject


def _late_once(rig: Rig, s: float) -> None:
    if s < 1.0:
        rig.live(6.0)
        rig.flag(late_s=6.0)
    else:
        rig.flag()


def _late_always(rig: Rig, s: float) -> None:
    rig.live(7.0)
    rig.flag(late_s=7.0)


def _blind(rig: Rig, s: float) -> None:
    if s < 1.0:
        rig.crash(150.0)
    else:
        rig.flag()


def _old_readings(rig: Rig, s: float) -> None:
    rig.pit = lambda _: Reading(rig.shown_c, age_s=s)


def _frozen(rig: Rig, s: float) -> None:
    if s < 1.0:
        same: Sample = Reading(rig.shown_c)
        rig.pit = lambda _: same


def _noise(rig: Rig, s: float) -> None:
    if s < 1.0:
        rng = random.Random(5)
        rig.pit = lambda sample: Reading(_temp(sample) + rng.gauss(0.0, 6.0))


def _fell_out(rig: Rig, s: float) -> None:
    rig.pit = lambda sample: Reading(rig.kettle.ambient_c() + _temp(sample) - rig.kettle.true_pit_c)


def _slow_fall_out(rig: Rig, s: float) -> None:
    left = math.exp(-s / 15.0)  # the lag of a thick probe
    ambient_c = rig.kettle.ambient_c()
    rig.pit = lambda sample: Reading(
        ambient_c + (rig.kettle.true_pit_c - ambient_c) * left + _temp(sample) - rig.kettle.true_pit_c
    )


def _touches_coals(rig: Rig, s: float) -> None:
    rig.pit = lambda sample: Reading(_temp(sample) + 45.0)


def _drifts(rig: Rig, s: float) -> None:
    rig.pit = lambda sample: Reading(_temp(sample) - min(0.05 * s, 60.0))


def _temp(sample: Sample) -> float:
    assert isinstance(sample, Reading)
    return sample.temp_c


def _shows_fahrenheit(rig: Rig, s: float) -> None:
    rig.pit = lambda _: Reading(1.8 * rig.shown_c + 32.0)


def _swapped(rig: Rig, s: float) -> None:
    rig.pit = lambda _: Reading(rig.kettle.core_c())
    rig.food = lambda _: Reading(rig.shown_c)


def _second_lost(rig: Rig, s: float) -> None:
    rig.pit_2 = lambda _: ProbeFault(ProbeFaultKind.OPEN, "injected")


def _food_lost(rig: Rig, s: float) -> None:
    rig.food = lambda _: ProbeFault(ProbeFaultKind.OPEN, "injected")


def _food_clock(level: str) -> Callable[[Rig], bool]:
    return lambda rig: any(clock.level == level for clock in rig.state.food.view.clocks)


def _food_lukewarm(rig: Rig, s: float) -> None:
    rig.food = lambda _: Reading(30.0)


def _fat_burns(heat_w: float) -> Callable[[Rig, float], None]:
    def inject(rig: Rig, s: float) -> None:
        rig.heat_w = heat_w

    return inject


def _fat_grows(w_per_s: float) -> Callable[[Rig, float], None]:
    def inject(rig: Rig, s: float) -> None:
        rig.heat_w = w_per_s * s

    return inject


def _leak(rig: Rig, s: float) -> None:
    share = min(s / 7200.0, 1.0)
    if s % 60.0 < 1.0 and s <= 7200.0:
        rig.rebuild(leak_low_m2=(0.8 + 60.0 * share) * 1e-4, leak_rim_m2=(2.0 + 40.0 * share) * 1e-4)


def _used_up(rig: Rig, s: float) -> None:
    rig.burn_out(1.1 - 0.8 * s / 2400.0 if s < 2400.0 else max(0.3 - 0.3 * (s - 2400.0) / 4800.0, 0.0))


def _stuck_open(rig: Rig, s: float) -> None:
    rig.stuck = True
    rig.lower_position, rig.upper_position = 0.08, 0.16


def _stuck_nearly_shut(rig: Rig, s: float) -> None:
    rig.stuck = True
    rig.lower_position, rig.upper_position = 0.045, 0.10


def _gale(rig: Rig, s: float) -> None:
    share = min(s / 1800.0, 1.0)
    if s % 60.0 < 1.0 and s <= 1800.0:
        rig.weather(wind_m_per_s=3.0 + 12.0 * share, ambient_c=9.0 - 24.0 * share, rain_mm_per_h=30.0 * share)
        rig.rebuild(plugged_frac=0.95 * share)


def _snuff_leaky(rig: Rig, s: float) -> None:
    if s < 1.0:
        rig.rebuild(leak_low_m2=16e-4, leak_rim_m2=12e-4)
        rig.events.append(Snuff())


def _relit(rig: Rig, s: float) -> None:
    if s < 1.0:
        hot = Kettle(charcoal_kg=1.0, lit_frac=0.4, pit_c=95.0, seed=8)
        rig.kettle.restore(hot.state)


def _lid(rig: Rig, s: float) -> None:
    rig.lid_switch = True
    rig.lid_open = True


def _nothing(rig: Rig, s: float) -> None:
    """Nobody does anything."""


def _shut(rig: Rig) -> bool:
    return rig.decision is not None and rig.decision.lower <= 1.1 * _floor(rig) + 1e-3


def _floor(rig: Rig) -> float:
    return air.share(rig.state.air.floor_v, rig.state.config.split)[0]


class Since:
    """`begins` for what must last: `fact` now, and a slope of the true pit in K/min."""

    def __init__(
        self,
        fact: Callable[[Rig], bool],
        above_c_per_min: float = -1e9,
        below_c_per_min: float = 1e9,
        over_min: int = 5,
    ) -> None:
        self._fact, self._low, self._high, self._over = fact, above_c_per_min, below_c_per_min, over_min
        self._trace: list[float] = []

    def __call__(self, rig: Rig) -> bool:
        """Whether the fault is there now."""
        self._trace.append(rig.kettle.true_pit_c)
        back = self._over * 60
        if len(self._trace) <= back:
            return False
        slope = (self._trace[-1] - self._trace[-1 - back]) / self._over
        return self._fact(rig) and self._low <= slope <= self._high


KINDS = ProbeFaultKind
_LOST = (
    KINDS.OPEN,
    KINDS.SHORT,
    KINDS.SHORT_TO_GROUND,
    KINDS.SHORT_TO_SUPPLY,
    KINDS.OUT_OF_RANGE,
    KINDS.CHECKSUM,
    KINDS.BUS,
)


def drills() -> tuple[Drill, ...]:
    """All drills, fresh (those with `begins` remember)."""
    ceiling_c, hard_c = Config().limits.ceiling_c, Config().limits.hard_limit_c
    return (
        Drill(
            "vent_driver_failed",
            "the vent driver reports an error",
            _machine(vent_driver_failed=True),
            _burning,
        ),
        Drill("servo_supply_low", "the servos' supply drops", _machine(servo_supply_low=True), _burning),
        Drill("under_voltage", "the board reports under-voltage", _machine(under_voltage=True), _burning),
        Drill("restart_loop", "five restarts in ten minutes", _machine(restarts_in_10_min=5), _burning),
        Drill("loop_cannot_keep_up", "every step 7 s late", _late_always, _burning, _lateness(30.0)),
        Drill("loop_late", "one step 6 s late", _late_once, _burning, lambda rig: rig.machine.late_s > 0.0),
        Drill(
            "was_blind",
            "the daemon dies and is back 150 s later",
            _blind,
            _burning,
            lambda rig: rig.machine.blind_start,
        ),
        Drill("clock_jumped", "the wall clock jumps an hour", _once(clock_jump_s=3600.0), _burning),
        Drill("clock_jumped", "the wall clock jumps back a day", _once(clock_jump_s=-86400.0), _burning),
        Drill("board_hot", "the board is too hot", _machine(board_hot=True), _burning),
        *(Drill("pit_probe_lost", f"pit probe: {kind}", _pit(kind), _burning) for kind in _LOST),
        Drill("pit_probe_stale", "pit readings grow old", _old_readings, _burning),
        Drill("pit_probe_stale", "the pit probe's driver answers no more", _pit(KINDS.TIMEOUT), _burning),
        Drill("pit_probe_silent", "pit probe unplugged", _pit(KINDS.OPEN), _burning),
        Drill("pit_probe_stuck", "the pit reading freezes", _frozen, _burning),
        Drill("pit_probe_stuck", "the decoder says stuck", _pit(KINDS.STUCK), _burning),
        Drill("pit_probe_implausible", "the pit probe jumps to the air outside", _fell_out, _burning),
        Drill("pit_probe_implausible", "the pit probe jumps up by 45 K", _touches_coals, _burning),
        Drill("pit_probe_noisy", "noise of 6 K on the pit probe", _noise, _burning),
        Drill(
            "pit_probes_disagree",
            "the pit probe drifts low, 3 K a minute",
            _drifts,
            _two_probes,
            _apart(30.0),
        ),
        Drill(
            "cold_probes_disagree",
            "the pit probe shows °F as °C",
            _shows_fahrenheit,
            _cold,
        ),
        Drill(
            "other_probe_hotter",
            "the pit's and the food's plug swapped",
            _swapped,
            _loaded_cold,
            _over(ceiling_c),
        ),
        Drill(
            "pit_on_second_probe", "pit probe unplugged, a second one there", _pit(KINDS.OPEN), _two_probes
        ),
        Drill("pit_over_hard_limit", "fat burns, 3 kW", _fat_burns(3000.0), _burning, _over(hard_c)),
        Drill(
            "runaway",
            "fat burns more and more, 0.25 W/s",
            _fat_grows(0.25),
            _burning,
            Since(lambda rig: _shut(rig) and rig.kettle.true_pit_c > ceiling_c, above_c_per_min=1.0),
        ),
        Drill("pit_over_ceiling", "fat burns, 900 W", _fat_burns(900.0), _burning, _over(ceiling_c)),
        Drill(
            "rising_with_vents_shut",
            "more and more air leaks in at the bowl and the rim",
            _leak,
            _burning,
            Since(
                lambda rig: _shut(rig) and rig.kettle.true_pit_c > rig.state.set_point_c + 6.0,
                above_c_per_min=0.6,
            ),
        ),
        Drill(
            "falling_with_vents_open",
            "the charcoal is used up",
            _used_up,
            _burning,
            Since(
                lambda rig: _wide(rig) and rig.kettle.true_pit_c < rig.state.set_point_c - 5.0,
                below_c_per_min=-0.3,
                over_min=10,
            ),
        ),
        Drill("fire_out", "the charcoal is used up", _used_up, _burning, _under(44.0), give_up_s=4 * 3600.0),
        Drill("lighting_slow", "a handful of coals that never come up", _nothing, _cold_coals),
        Drill(
            "vents_without_effect",
            "the servos stand still, nearly shut",
            _stuck_nearly_shut,
            _burning,
            Since(
                lambda rig: _wide(rig) and rig.kettle.true_pit_c < rig.state.set_point_c - 10.0,
                above_c_per_min=-0.2,
                below_c_per_min=0.2,
            ),
            give_up_s=3 * 3600.0,
        ),
        Drill(
            "vents_without_effect",
            "the servos stand still, too far open",
            _stuck_open,
            _burning,
            Since(
                lambda rig: _shut(rig) and rig.kettle.true_pit_c > rig.state.set_point_c + 10.0,
                above_c_per_min=-0.2,
            ),
        ),
        Drill(
            "weather_beyond_vents",
            "a gale with rain at -15 °C, the lower vent half plugged with ash",
            _gale,
            _burning,
            # as the probe shows it, for the last step of ash takes 2 K off the pit within 10 s
            Since(lambda rig: _wide(rig) and rig.shown_c < 78.5, below_c_per_min=0.3),
            give_up_s=3 * 3600.0,
        ),
        Drill("snuff_without_effect", "snuffed, but air leaks in", _snuff_leaky, _burning),
        Drill("heat_without_fire", "somebody lights the coals and says nothing", _relit, _out),
        Drill("unattended", "nobody says anything", _nothing, _fresh, give_up_s=15000.0),
        Drill("unattended_soon", "nobody says anything", _nothing, _fresh, give_up_s=15000.0),
        Drill("lid_off_long", "the lid stays off, a switch tells", _lid, _burning),
        Drill("pit_probe_out", "the pit probe falls out of the grill", _slow_fall_out, _burning, _lid_seen),
        Drill("food_exposed", "the food stays lukewarm", _food_lukewarm, _fresh, give_up_s=15000.0),
        Drill(
            "food_limit_near",
            "food off the grill does not cool",
            _food_lukewarm,
            _off_grill,
            _food_clock("warn"),
            give_up_s=9000.0,
        ),
        Drill(
            "food_limit_over",
            "food off the grill does not cool",
            _food_lukewarm,
            _off_grill,
            _food_clock("alarm"),
            give_up_s=9000.0,
        ),
        Drill("food_probe_lost", "food probe unplugged", _food_lost, _burning),
        Drill("second_probe_lost", "second pit probe unplugged", _second_lost, _two_probes),
        Drill("disk_failed", "the disk is full", _machine(disk_failed=True), _burning),
        Drill("journal_corrupt", "the journal is damaged", _machine(journal_corrupt=True), _burning),
        Drill("broker_lost", "no broker", _broker_lost, _burning),
        Drill(
            "settings_changed", "the configuration changes on disk", _machine(settings_changed=True), _burning
        ),
    )


def _broker_lost(rig: Rig, s: float) -> None:
    rig.flag(broker_lost_s=s)


def _lateness(enough_s: float) -> Callable[[Rig], bool]:
    sums = [0.0]

    def begins(rig: Rig) -> bool:
        sums[0] += rig.machine.late_s - 8.0 / 20.0
        return sums[0] > enough_s

    return begins


def _over(limit_c: float) -> Callable[[Rig], bool]:
    return lambda rig: rig.shown_c > limit_c


def _under(limit_c: float) -> Callable[[Rig], bool]:
    return lambda rig: rig.kettle.true_pit_c < limit_c


def _apart(limit_c: float) -> Callable[[Rig], bool]:
    return lambda rig: abs(_temp(rig.pit(Reading(rig.shown_c))) - rig.kettle.pit_2_c()) > limit_c


def _wide(rig: Rig) -> bool:
    """The lower vent is open well over what has held the pit."""
    held = air.share(rig.state.air.hold_v, rig.state.config.split)[0]
    return rig.decision is not None and rig.decision.lower >= min(2.6 * held, 0.5)


def _lid_seen(rig: Rig) -> bool:
    return rig.decision is not None and rig.decision.lid_off
