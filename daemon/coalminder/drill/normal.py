"""Normal cooks by the hundred: nothing is broken in them, so every cut-off is a false one.

Each seed makes another kettle, sky, fuel, cook and probe; the spread is wider than one kettle in one
garden. Steps are counted, so that hours are hours of tending and not of waiting.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import dataclass, field, replace

from coalminder.core import Config
from coalminder.drill.rig import Rig, as_it_is
from coalminder.events import (
    CharcoalAdded,
    Ease,
    Event,
    FoodStep,
    LidNotice,
    Light,
    SetPoint,
    Snuff,
    WoodAdded,
)
from coalminder.grill.kettle import Kettle
from coalminder.grill.parameters import Fittings, KettleParameters
from coalminder.grill.weather import Weather
from coalminder.safety.faults import cuts_off
from coalminder.values import Phase, ProbeFault, ProbeFaultKind


@dataclass(frozen=True, slots=True)
class Plan:
    """One cook as data: what the person does, by whole second."""

    seed: int
    hours: float
    kettle: Kettle
    lids: tuple[tuple[int, int], ...]
    events: dict[int, tuple[Event, ...]]
    wood: dict[int, float]
    charcoal: dict[int, tuple[float, bool]]
    food: tuple[int, float]
    pulled: tuple[tuple[int, int], ...]  # the pit probe is unplugged: (at, for) in s
    crashes: dict[int, float]
    second: bool
    lid_switch: bool


@dataclass
class Outcome:
    """What came of one cook. false_cut_offs: (code, at_s, true pit, shown pit)."""

    seed: int
    hours: float = 0.0
    lid_lifts: int = 0
    pieces_of_wood: int = 0
    false_cut_offs: list[tuple[str, float, float, float]] = field(default_factory=list)
    true_cut_offs: list[tuple[str, float, float, float]] = field(default_factory=list)
    alarms: Counter[str] = field(default_factory=Counter)
    highest_c: float = 0.0


def plan(seed: int) -> Plan:
    """The cook of this seed."""
    rng = random.Random(f"normal cook {seed}")
    hours = rng.uniform(3.0, 5.5)
    seconds = int(hours * 3600)
    base = KettleParameters()
    parameters = replace(
        base,
        leak_low_m2=base.leak_low_m2 * math.exp(rng.gauss(0.0, 0.4)),
        leak_rim_m2=base.leak_rim_m2 * math.exp(rng.gauss(0.0, 0.4)),
        lid_capacity_j_per_k=base.lid_capacity_j_per_k * rng.uniform(0.8, 1.6),
        bowl_capacity_j_per_k=base.bowl_capacity_j_per_k * rng.uniform(0.8, 1.6),
        wind_shelter_frac=rng.uniform(0.2, 0.8),
        food_thickness_m=rng.uniform(0.012, 0.035),
        pit_frac=rng.uniform(0.7, 0.9),
        pit_2_frac=rng.uniform(0.75, 0.95),
        pit_probe_s=rng.choice((4.0, 8.0, 12.0, 25.0)),
    )
    fittings = replace(
        Fittings(),
        lower_m2=Fittings().lower_m2 * rng.uniform(0.5, 1.2),
        upper_m2=Fittings().upper_m2 * rng.uniform(0.7, 1.3),
        backlash_frac=rng.choice((0.0, 0.005, 0.01)),
        stiction_frac=rng.choice((0.0, 0.002)),
        pit_noise_c=rng.choice((0.1, 0.25, 0.5, 0.7, 1.0)),
    )
    sky = Weather(
        wind_m_per_s=rng.choice((0.5, 2.0, 3.0, 5.0, 7.0, 9.0)),
        gust_frac=rng.uniform(0.15, 0.4),
        ambient_c=rng.uniform(-5.0, 32.0),
        ambient_drift_c_per_h=rng.uniform(-2.0, 2.0),
        rain_mm_per_h=rng.choice((0.0, 0.0, 0.0, 1.0, 4.0)),
        rain_from_s=rng.uniform(0.0, 7200.0),
        rain_for_s=rng.uniform(600.0, 7200.0),
        sun_w_per_m2=rng.choice((0.0, 300.0, 850.0)),
        seed=seed,
    )
    kettle = Kettle(
        parameters, fittings, sky,
        charcoal_kg=rng.uniform(1.2, 2.2), lit_frac=rng.uniform(0.15, 0.35), seed=seed,
    )  # fmt: skip
    events: dict[int, list[Event]] = {0: [Light(event_id="light")]}
    wood: dict[int, float] = {}
    charcoal: dict[int, tuple[float, bool]] = {}
    loaded = int(rng.uniform(1500, 3600))
    lids = [(loaded, int(rng.uniform(40, 240)))]
    events.setdefault(loaded, []).append(FoodStep(event_id="food", step="loaded"))
    at = loaded + int(rng.uniform(1200, 2700))
    while at < seconds - 1800:
        lids.append((at, int(rng.uniform(15, 200))))
        during = at + lids[-1][1] // 2
        if rng.random() < 0.6:
            kg = rng.uniform(0.04, 0.12)
            wood[during] = kg
            events.setdefault(during, []).append(WoodAdded(event_id="wood", mass_kg=kg))
        elif rng.random() < 0.3:
            kg, lit = rng.uniform(0.2, 0.5), rng.random() < 0.5
            charcoal[during] = (kg, lit)
            events.setdefault(during, []).append(CharcoalAdded(event_id="charcoal", mass_kg=kg, lit=lit))
        if rng.random() < 0.3:
            events.setdefault(at, []).append(LidNotice(event_id="lid", lid_open=True))
            events.setdefault(at + lids[-1][1], []).append(LidNotice(event_id="lid", lid_open=False))
        at += int(rng.uniform(1500, 4500))
    if rng.random() < 0.4:
        events.setdefault(int(rng.uniform(5400, seconds - 2000)), []).append(
            SetPoint(event_id="set", temp_c=rng.uniform(82.0, 104.0))
        )
    if rng.random() < 0.4:
        events.setdefault(seconds - int(rng.uniform(1800, 3600)), []).append(Ease(event_id="ease"))
    if rng.random() < 0.5:
        events.setdefault(seconds - 900, []).append(Snuff(event_id="snuff"))
    pulled = tuple(
        (int(rng.uniform(600, seconds)), int(rng.choice((1, 2, 5, 10, 45)))) for _ in range(rng.randrange(5))
    )
    crashes = {int(rng.uniform(1200, seconds)): rng.uniform(2.0, 40.0) for _ in range(rng.randrange(2))}
    # down for up to 40 s meanwhile: with a longer pull that is over a minute without the probe, a true loss
    pulled = tuple(
        (at, min(length, 15) if any(at <= c < at + length for c in crashes) else length)
        for at, length in pulled
    )
    return Plan(
        seed, hours, kettle, tuple(lids), {k: tuple(v) for k, v in events.items()}, wood, charcoal,
        (loaded + 20, rng.uniform(0.5, 3.5)), pulled, crashes, rng.random() < 0.3, rng.random() < 0.3,
    )  # fmt: skip


def cook(seed: int, config: Config | None = None) -> Outcome:
    """Cook it. A cut-off with the true pit really over the hard limit is not a false one."""
    script = plan(seed)
    rig = Rig.new(script.kettle, config)
    rig.second, rig.lid_switch = script.second, script.lid_switch
    outcome = Outcome(seed, lid_lifts=len(script.lids), pieces_of_wood=len(script.wood))
    limit_c = rig.state.config.limits.hard_limit_c - rig.state.config.limits.temp_deadband_c
    known: set[str] = set()
    for second in range(int(script.hours * 3600)):
        rig.lid_open = any(at <= second < at + length for at, length in script.lids)
        rig.events += script.events.get(second, ())
        if second in script.wood:
            rig.kettle.add_wood(script.wood[second])
        if second in script.charcoal:
            kg, lit = script.charcoal[second]
            rig.kettle.add_charcoal(kg, lit=lit)
        if second == script.food[0]:
            rig.kettle.add_food(script.food[1])
        if second in script.crashes:
            rig.crash(script.crashes[second])
        rig.pit = _unplugged if any(at <= second < at + length for at, length in script.pulled) else as_it_is
        decision = rig.step()
        rig.flag()
        now = {alarm.code for alarm in decision.alarms if alarm.active}
        outcome.alarms.update(now - known)
        known = now
        outcome.highest_c = max(outcome.highest_c, rig.kettle.true_pit_c)
        outcome.hours = (second + 1) / 3600.0
        if decision.phase is Phase.CUT_OFF:
            first = next(a.code for a in decision.alarms if cuts_off(a.code))
            found = (first, float(second), round(rig.kettle.true_pit_c, 1), round(rig.shown_c, 1))
            (outcome.true_cut_offs if rig.kettle.true_pit_c > limit_c else outcome.false_cut_offs).append(
                found
            )
            break
    return outcome


def _unplugged(_sample: object) -> ProbeFault:
    return ProbeFault(ProbeFaultKind.OPEN, "pulled for a moment")
