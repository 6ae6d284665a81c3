"""A thermistor that drifts on a wet terrace: nothing can tell it from a fire, so both are told."""

from __future__ import annotations

import re
from collections.abc import Callable

from coalminder.drill.rig import Rig, as_it_is
from coalminder.drill.table import burning
from coalminder.events import Acknowledge, Light, Snuff
from coalminder.grill.kettle import Kettle
from coalminder.probes import type_k
from coalminder.probes.max31855 import UV_PER_C, Frame, linearise
from coalminder.probes.thermistor import Divider, from_beta
from coalminder.values import Alarm, AlarmState, Phase, ProbeFault, ProbeFaultKind, Reading, Sample
from coalminder.vents.curve import DEFAULT_CURVE

CURVE = from_beta(3950.0, 100_000.0)
HOURS = 1.5


def corroded(rig: Rig, s: float) -> None:
    """A contact that corrodes adds resistance in series: it reads ever lower."""
    rig.pit = _by_resistance(lambda ohm: ohm + min(s / 3600.0, 1.0) * 30_000.0)


def wet(rig: Rig, s: float) -> None:
    """Water in the plug is a resistance beside the thermistor's: it reads ever higher."""
    beside_ohm = 1e7 * (5e3 / 1e7) ** min(s / 3600.0, 1.0)
    rig.pit = _by_resistance(lambda ohm: ohm * beside_ohm / (ohm + beside_ohm))


def _by_resistance(spoilt: Callable[[float], float]) -> Callable[[Sample], Sample]:
    def show(sample: Sample) -> Sample:
        assert isinstance(sample, Reading)
        return Reading(CURVE.temp_c(spoilt(CURVE.resistance_ohm(sample.temp_c))))

    return show


def alarms_of(drift: Callable[[Rig, float], None]) -> dict[str, tuple[Alarm, float]]:
    """Each alarm as it came, with the true pit at that time, °C."""
    rig = burning()
    told: dict[str, tuple[Alarm, float]] = {}
    for second in range(int(HOURS * 3600)):
        drift(rig, float(second))
        for alarm in rig.step().alarms:
            told.setdefault(alarm.code, (alarm, rig.kettle.true_pit_c))
    return told


def test_a_probe_that_reads_too_low_is_named_before_charcoal_is_asked_for() -> None:
    told = alarms_of(corroded)
    alarm, true_c = told["falling_with_vents_open"]
    assert true_c > 150.0  # the grill is far too hot; charcoal on it would feed it
    assert "probe that reads too low" in alarm.message
    assert alarm.remedy.index("thermometer") < alarm.remedy.index("charcoal")


def test_a_probe_that_reads_too_high_is_named() -> None:
    told = alarms_of(wet)
    for code in ("rising_with_vents_shut", "vents_without_effect"):
        alarm, true_c = told[code]
        assert true_c < 70.0  # the fire dies while the figure stands over the set point
        assert "probe" in alarm.message
        assert "probe" in alarm.remedy


def lighting() -> Rig:
    """A chimney of coals under fish, just lit."""
    rig = Rig.new(Kettle(charcoal_kg=1.8, lit_frac=0.2, seed=7))
    rig.kettle.add_food(1.5)
    rig.events.append(Light())
    return rig


def until_told(rig: Rig, code: str, within_s: int) -> Alarm:
    """The alarm when it comes."""
    for _ in range(within_s):
        for alarm in rig.step().alarms:
            if alarm.code == code:
                return alarm
    raise AssertionError(f"{code} was not told")


def backwards(junction_c: float) -> Callable[[Sample], Sample]:
    """A MAX31855 at `junction_c` whose thermocouple has its wires swapped: the emf has the other sign."""

    def show(sample: Sample) -> Sample:
        assert isinstance(sample, Reading)
        emf_mv = type_k.emf_mv(junction_c) - type_k.emf_mv(sample.temp_c)
        return linearise(Frame(junction_c + emf_mv * 1000.0 / UV_PER_C, junction_c))

    return show


def test_a_plug_that_goes_bad_at_once_is_not_only_looked_for_at_the_grate() -> None:
    """A jerk at the cable: from now on 60 kΩ of corrosion in series with the 100 kΩ thermistor."""
    rig = burning()
    rig.pit = _by_resistance(lambda ohm: ohm + 60_000.0)
    alarm = until_told(rig, "pit_probe_implausible", 60)
    assert abs(rig.kettle.true_pit_c - rig.state.set_point_c) < 5.0
    assert "plug" in alarm.message
    assert "plug" in alarm.remedy


def test_a_servo_whose_current_lifts_the_probe_s_ground_is_named() -> None:
    """1 A through 0.1 Ω of shared wire puts 0.1 V on top of the thermistor's in a divider of 3.3 V."""
    rig = burning()
    curve = from_beta(3950.0, 10_000.0)
    divider = Divider(curve, 10_000.0)
    before: list[tuple[float, float]] = [(0.0, 0.0)]

    def show(sample: Sample) -> Sample:
        assert isinstance(sample, Reading)
        now = (rig.lower_position, rig.upper_position)
        lifted_v = 0.1 if now != before[0] else 0.0
        before[0] = now
        ratio = divider.ratio(curve.resistance_ohm(sample.temp_c)) + lifted_v / 3.3
        return divider.sample(ratio, 1.0 / 4096.0)

    rig.pit = show
    remedy = until_told(rig, "pit_probe_noisy", 3600).remedy
    assert "servo" in remedy
    assert "ground" in remedy


def test_a_second_thermocouple_wired_backwards_is_told_apart_with_both_figures() -> None:
    rig = lighting()
    rig.second, rig.pit_2 = True, backwards(45.0)
    alarm = until_told(rig, "pit_probes_disagree", 1200)
    found = re.search(r"pit (-?\d+) °C, second (-?\d+) °C", alarm.message)
    assert found is not None
    shown_c, second_c = map(float, found.groups())
    assert abs(shown_c - rig.kettle.true_pit_c) < 5.0
    assert second_c < 20.0  # it was at 80 before the fire
    assert "two wires are swapped" in alarm.remedy


def test_a_pit_probe_that_stays_wet_has_nobody_shelter_a_grill_that_is_far_too_hot() -> None:
    """Water on its sleeve holds it near the wet bulb while the grill goes far over the ceiling."""
    rig = lighting()
    rig.pit = lambda _: Reading(min(rig.shown_c, 60.0 + 0.02 * (rig.shown_c - 60.0)))
    remedy = until_told(rig, "weather_beyond_vents", 3600).remedy
    assert rig.kettle.true_pit_c > 121.0
    assert 0 <= remedy.index("another thermometer") < remedy.index("snuff") < remedy.index("shelter")


def test_coals_that_do_not_come_up_have_somebody_look_at_the_vents() -> None:
    """The lower servo turns the wrong way: asked to open wide, it has shut."""
    rig = lighting()
    rig.stuck, rig.lower_position, rig.upper_position = True, 0.0, 1.0
    remedy = until_told(rig, "lighting_slow", 2760).remedy
    assert rig.kettle.true_pit_c < 60.0
    assert "both vents are really open" in remedy


def test_vents_that_turn_the_wrong_way_are_named_before_the_fire_is_out_of_hand() -> None:
    """Both servos reversed: the more air the loop takes away, the more there is."""
    rig = burning()
    told: dict[str, tuple[str, float]] = {}
    for _ in range(900):
        decision = rig.step()
        for alarm in decision.alarms:
            told.setdefault(alarm.code, (alarm.remedy, rig.now_s))
        rig.stuck = True
        rig.lower_position = 1.0 - DEFAULT_CURVE.position(decision.lower)
        rig.upper_position = 1.0 - DEFAULT_CURVE.position(decision.upper)
    remedy, ceiling_s = told["pit_over_ceiling"]
    assert "turns the wrong way" in remedy
    remedy, hard_s = told["pit_over_hard_limit"]
    assert "Shut the vents by hand" in remedy
    assert ceiling_s < hard_s - 120.0


def test_a_probe_of_another_resistance_is_named_before_the_fire() -> None:
    """100 kΩ set as 10 kΩ: 1/T is too high by ln 10 / beta, which is 40 K at 9 °C (the beta equation)."""
    rig = Rig.new(Kettle(charcoal_kg=1.8, lit_frac=0.0, seed=7))
    ten_kilo = from_beta(3950.0, 10_000.0)
    rig.food = lambda _: Reading(ten_kilo.temp_c(CURVE.resistance_ohm(rig.kettle.true_pit_c)))
    message = until_told(rig, "cold_probes_disagree", 130).message
    shown_c = float(re.findall(r"food (-?\d+) °C", message)[0])
    assert abs(rig.kettle.true_pit_c - shown_c - 40.0) < 1.5


def test_after_swapped_plugs_the_vents_open_little_until_somebody_has_been_there() -> None:
    """The loop that believes the fish opened the vents wide, for one overshoot after the other."""
    rig = Rig.new(Kettle(charcoal_kg=1.8, lit_frac=0.2, seed=7))
    rig.kettle.add_food(1.5)
    rig.events.append(Light())
    rig.pit, rig.food = (lambda _: Reading(rig.kettle.core_c())), (lambda _: Reading(rig.shown_c))
    told_s: float | None = None
    later_c: list[float] = []
    for _ in range(3 * 3600):
        decision = rig.step()
        if told_s is None and any(alarm.code == "other_probe_hotter" for alarm in decision.alarms):
            told_s = rig.now_s
        if told_s is not None and rig.now_s > told_s + 600.0:
            later_c.append(rig.kettle.true_pit_c)
    assert len(later_c) > 2 * 3600
    assert max(later_c) < 126.0
    assert min(later_c) > 80.0
    assert rig.kettle.alive
    rig.pit = rig.food = lambda _: ProbeFault(ProbeFaultKind.OPEN, "unplugged")
    for _ in range(8):
        rig.step()
    rig.pit = rig.food = as_it_is
    rig.events.append(Acknowledge("seen"))
    for _ in range(3600):
        decision = rig.step()
    assert not any(alarm.code == "other_probe_hotter" for alarm in decision.alarms)
    assert abs(rig.kettle.true_pit_c - decision.set_point_c) < 3.0


def test_a_food_probe_that_hangs_loose_over_the_coals_costs_no_cook() -> None:
    """It shows 127 °C over a pit of 93 °C, and nobody comes."""
    rig = burning()
    rig.food = lambda _: Reading(15.0 + 1.43 * (rig.kettle.true_pit_c - 15.0))
    pits_c = []
    for _ in range(7200):
        decision = rig.step()
        pits_c.append(rig.kettle.true_pit_c)
    assert any(alarm.code == "other_probe_hotter" for alarm in decision.alarms)
    assert min(pits_c) > 70.0
    assert sum(temp_c >= 80.0 for temp_c in pits_c) / len(pits_c) > 0.5


def test_the_next_fire_gets_its_air_though_nobody_acknowledged_the_last_one() -> None:
    """Who lights it has been at the grill."""
    rig = burning()
    rig.food = lambda _: Reading(140.0)
    for _ in range(90):
        rig.step()
    rig.food = as_it_is
    for _ in range(120):
        decision = rig.step()
    assert [alarm.state for alarm in decision.alarms if alarm.code == "other_probe_hotter"] == [
        AlarmState.RETURNED_UNACKNOWLEDGED
    ]
    assert decision.lower < 0.1
    rig.events.append(Snuff())
    while rig.kettle.true_pit_c > 60.0:
        rig.step()
    rig.events.append(Light())
    for _ in range(5):
        decision = rig.step()
    assert "other_probe_hotter" in [alarm.code for alarm in decision.alarms]
    assert decision.phase is Phase.LIGHTING
    assert decision.lower == 1.0
