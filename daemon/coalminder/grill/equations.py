"""The physics of the kettle as one pure function of plain numbers.

Written with `math` alone and in the subset that numba.njit compiles unchanged: `y` may be a list or an
array, `p` and `u` are tuples. Temperatures are in K, energies in J, masses in kg, flows in kg/s.
docs/grill.md explains the equations; docs and comments use the same symbols.

Every quantity that the balances add up is a linear function of the state, so that any Runge-Kutta step
keeps the balances to rounding error.
"""

from __future__ import annotations

import math
from collections.abc import Callable, MutableSequence, Sequence

# Position of each state in `y`. The second half are books: integrals kept for the balances.
STATES: tuple[str, ...] = (
    "lit_kg",  # 0 dry charcoal that glows, ash included
    "unlit_kg",  # 1 dry charcoal that does not
    "coal_water_kg",  # 2 water in the unlit charcoal
    "ash_kg",  # 3
    "wood_kg",  # 4 dry wood not yet charred
    "wood_water_kg",  # 5
    "lit_j",  # 6 sensible heat of the glowing part, over REFERENCE_K
    "unlit_j",  # 7 the same of unlit coals and their grate
    "gas_k",  # 8 mean gas of the chamber
    "lid_k",  # 9
    "bowl_k",  # 10
    "grate_k",  # 11
    "food_0_k",  # 12 surface cell
    "food_1_k",
    "food_2_k",
    "food_3_k",  # 15 core cell
    "food_kg",  # 16 constant between loadings
    "food_lost_kg",  # 17 water that left the food
    "o2_kg",  # 18 in the chamber
    "co2_kg",  # 19
    "h2o_kg",  # 20
    "pit_probe_k",  # 21
    "pit_2_probe_k",  # 22
    "dome_probe_k",  # 23
    "food_probe_k",  # 24
    "released_j",  # 25 heat of combustion
    "lost_j",  # 26 to air, sky and ground, with the gas, by rain
    "latent_j",  # 27 drying, charring, evaporation
    "sun_j",  # 28
    "o2_in_kg",  # 29
    "o2_out_kg",
    "o2_used_kg",
    "co2_in_kg",  # 32
    "co2_out_kg",
    "co2_made_kg",
    "h2o_in_kg",  # 35
    "h2o_out_kg",
    "h2o_made_kg",
    "co_carbon_kg",  # 38 carbon that left as CO
    "smoke_kg",  # 39 volatiles that left unburnt
    "flamed_kg",  # 40 volatiles that burnt
    "coal_burnt_kg",  # 41 dry charcoal burnt, ash included
)
SIZE = len(STATES)

REFERENCE_K = 288.15
OXYGEN_AIR = 0.2314  # mass fraction of dry air
CO2_AIR = 0.0006


def derivatives(y: Sequence[float], p: tuple[float, ...], u: tuple[float, ...]) -> tuple[float, ...]:
    """dy/dt in the units of `STATES` per second.

    p: `KettleParameters.flat()`. u: lower_m2, upper_m2 (open areas), lid_off (0 or 1), ambient_k,
    wind_m_per_s, rain_kg_per_m2s, sun_w_per_m2, humidity (kg water / kg air).
    """
    (
        stack_height_m, discharge_coefficient, leak_low_m2, leak_rim_m2, plugged_frac, ash_clog_per_kg,
        wind_shelter_frac, wind_pressure_coefficient, draught_floor_pa, gust_exchange_frac,
        gas_kg, gas_capacity_j_per_k, lid_capacity_j_per_k, bowl_capacity_j_per_k, grate_capacity_j_per_k,
        lid_area_m2, bowl_area_m2, inside_lid_w_per_m2k, inside_bowl_w_per_m2k, inside_grate_w_per_k,
        wall_radiation_m2, outside_still_w_per_m2k, outside_wind_w_per_m2k, emissivity, absorptivity_sun,
        sky_depression_k, exhaust_excess_frac, pit_frac, pit_2_frac, dome_excess_frac, lid_exchange_kg_per_s,
        lid_exchange_wind_kg_per_m, lid_feed_frac,
        carbon_frac, coal_capacity_j_per_kgk, lit_capacity_j_per_k, unlit_capacity_j_per_k,
        reacting_area_m2_per_kg, transfer_kg_per_m2s, transfer_flow_boost, ash_film, kinetic_k,
        kinetic_even_k, bed_contact_frac, bed_reach_kg, recirculation_kg_per_m2s, co_lean_frac, co_rich_frac,
        spread_per_s, spread_at_k, spread_width_k, damp_slows, die_per_s, die_at_k, die_width_k, glow_frac,
        ash_cover_frac, ash_cover_kg_per_m2s,
        glow_to_bowl_frac, glow_to_grate_frac, bed_conduction_w_per_k, bed_contact_w_per_k,
        unlit_to_gas_w_per_k, unlit_to_bowl_w_per_k,
        coal_drying_per_s,
        wood_char_frac, wood_drying_per_s, wood_pyrolysis_per_s, wood_piece_kg, wood_needs_k,
        wood_flame_o2_frac, wood_flame_width, wood_heat_j_per_kg,
        food_thickness_m, food_conductivity_w_per_mk, food_capacity_j_per_kgk, food_density_kg_per_m3,
        food_inside_w_per_m2k, food_convection_w_per_m2k, food_dry_frac,
        pit_probe_s, dome_probe_s, food_probe_s,
    ) = p  # fmt: skip
    lower_m2, upper_m2, lid_off, ambient_k, wind_m_per_s, rain_kg_per_m2s, sun_w_per_m2, humidity = u

    lit = y[0] if y[0] > 0.0 else 0.0
    unlit = y[1] if y[1] > 0.0 else 0.0
    coal_water = y[2] if y[2] > 0.0 else 0.0
    ash = y[3]
    wood = y[4] if y[4] > 0.0 else 0.0
    wood_water = y[5] if y[5] > 0.0 else 0.0
    gas_k = y[8]
    lid_k = y[9]
    bowl_k = y[10]
    grate_k = y[11]
    food_0 = y[12]
    food_1 = y[13]
    food_2 = y[14]
    food_3 = y[15]
    food_kg = y[16]
    o2_frac = y[18] / gas_kg
    co2_frac = y[19] / gas_kg
    h2o_frac = y[20] / gas_kg
    lit_k = REFERENCE_K + y[6] / (lit_capacity_j_per_k + coal_capacity_j_per_kgk * lit)
    unlit_k = REFERENCE_K + y[7] / (unlit_capacity_j_per_k + coal_capacity_j_per_kgk * unlit)
    lid_on = 1.0 - lid_off

    # Draught: stack and wind drive gas through inlet and outlet in series.
    density_out = 353.05 / ambient_k
    density_in = 353.05 / gas_k
    local_wind = wind_shelter_frac * wind_m_per_s
    driving_pa = (
        9.80665 * stack_height_m * (density_out - density_in)
        + wind_pressure_coefficient * 0.5 * density_out * local_wind * local_wind
    )
    driving_pa = math.sqrt(driving_pa * driving_pa + draught_floor_pa * draught_floor_pa)
    low_m2 = lower_m2 * (1.0 - plugged_frac) / (1.0 + ash_clog_per_kg * ash) + leak_low_m2
    inlet_m2 = low_m2 + 0.5 * leak_rim_m2
    outlet_m2 = upper_m2 + 0.5 * leak_rim_m2
    draught = discharge_coefficient * math.sqrt(
        2.0
        * driving_pa
        / (1.0 / (density_out * inlet_m2 * inlet_m2) + 1.0 / (density_in * outlet_m2 * outlet_m2))
    )
    bed_air = draught * low_m2 / inlet_m2
    pumped = gust_exchange_frac * density_out * local_wind * (leak_rim_m2 + upper_m2)
    top_exchange = lid_off * (lid_exchange_kg_per_s + lid_exchange_wind_kg_per_m * local_wind)
    inflow = draught + pumped + top_exchange

    # Burning: the coals meet fresh air and chamber gas; diffusion, ash film and chemistry in series.
    lit_m2 = reacting_area_m2_per_kg * lit
    fresh = bed_contact_frac * bed_air * lit / (lit + bed_reach_kg)
    drawn = recirculation_kg_per_m2s * lit_m2 * (1.0 + lid_feed_frac * lid_off)
    through = fresh + drawn + 1e-12
    bed_o2 = (fresh * OXYGEN_AIR + drawn * o2_frac) / through
    diffusion = (
        transfer_kg_per_m2s
        * (1.0 + transfer_flow_boost * math.sqrt(1000.0 * bed_air))
        / (1.0 + ash_film * ash / (lit + unlit + 0.1))
    )
    chemistry = transfer_kg_per_m2s * math.exp(kinetic_k * (1.0 / kinetic_even_k - 1.0 / lit_k))
    appetite = lit_m2 * diffusion * chemistry / (diffusion + chemistry)
    starved = appetite / (appetite + through)
    coal_o2 = bed_o2 * through * starved
    co_frac = co_lean_frac + co_rich_frac * starved
    carbon = coal_o2 / (2.664 - 1.332 * co_frac)
    coal_w = carbon * (32.76e6 - 23.56e6 * co_frac)
    burnt = carbon / carbon_frac

    # The lit part spreads where it is hot and has oxygen, slower into damp coals; it goes out where it
    # is too cold. Spread needs lit coals: air alone cannot relight a dead bed.
    wet_frac = coal_water / (unlit + 1e-6)
    spread = (
        spread_per_s * lit * unlit / (lit + unlit + 0.02) * (bed_o2 / OXYGEN_AIR)
        / (1.0 + damp_slows * wet_frac) / (1.0 + math.exp((spread_at_k - lit_k) / spread_width_k))
    )  # fmt: skip
    die = die_per_s * lit / (1.0 + math.exp((lit_k - die_at_k) / die_width_k))
    coal_drying = spread * wet_frac
    coal_drying_slow = coal_drying_per_s * coal_water / (1.0 + math.exp((368.0 - unlit_k) / 8.0))

    # Wood: dries, chars (smoke), flames where the chamber has oxygen enough.
    wood_hot = lit / (lit + 0.02) / (1.0 + math.exp((wood_needs_k - lit_k) / 25.0))
    wood_o2 = 0.5 * (bed_o2 + o2_frac)  # it lies where fresh air and chamber gas meet
    flame = wood_hot / (1.0 + math.exp((wood_flame_o2_frac - wood_o2) / wood_flame_width))
    wood_drying = wood_drying_per_s * wood_hot * wood_water
    charring = (
        wood_pyrolysis_per_s * wood_hot * (1.0 + 2.0 * flame) * wood
        * (wood_piece_kg / (wood + 0.1 * wood_piece_kg)) ** 0.5
        / (1.0 + 8.0 * wood_water / (wood + 1e-6))
    )  # fmt: skip
    volatiles = (1.0 - wood_char_frac) * charring
    flamed = flame * volatiles
    smoke = volatiles - flamed
    # volatiles: C 0.40, H 0.075, O 0.525 by mass; 13.1 MJ per kg of oxygen (Huggett 1980)
    flame_o2 = 1.1359 * flamed
    flame_w = 13.1e6 * flame_o2

    # Heat of the bed.
    burning = coal_o2 / (lit_m2 + 1e-9)
    bare = ash_cover_frac + (1.0 - ash_cover_frac) * burning / (burning + ash_cover_kg_per_m2s)
    glow = 5.670374e-8 * glow_frac * bare * lit_m2
    lit_4 = lit_k**4
    bowl_4 = bowl_k**4
    lid_4 = lid_k**4
    ambient_4 = ambient_k**4
    sky_4 = (ambient_k - sky_depression_k) ** 4
    glow_bowl = glow * glow_to_bowl_frac * (lit_4 - bowl_4)
    glow_grate = glow * glow_to_grate_frac * (lit_4 - grate_k**4)
    glow_up = glow * (1.0 - glow_to_bowl_frac - glow_to_grate_frac)
    glow_lid = lid_on * glow_up * (lit_4 - lid_4)
    glow_sky = lid_off * glow_up * (lit_4 - sky_4)
    touched = bare * lit_m2 * diffusion  # Lewis: heat leaves over the same film as oxygen comes
    swept = 1010.0 * through * touched / (touched + through) * (lit_k - gas_k)
    contact = lit * unlit / ((lit + unlit) * (lit + unlit) + 0.01)
    conducted = (bed_conduction_w_per_k + bed_contact_w_per_k * contact) * bare * (lit_k - unlit_k)
    unlit_gas = unlit_to_gas_w_per_k * (unlit_k - gas_k)
    lit_sensible = coal_capacity_j_per_kgk * (lit_k - REFERENCE_K)
    unlit_sensible = coal_capacity_j_per_kgk * (unlit_k - REFERENCE_K)
    burnt_sensible = burnt * lit_sensible
    wood_w = 2.6e6 * wood_drying + wood_heat_j_per_kg * charring
    lit_w = (
        coal_w - glow_bowl - glow_grate - glow_lid - glow_sky - swept - conducted - burnt_sensible
        + spread * unlit_sensible - die * lit_sensible - 2.6e6 * coal_drying - wood_w
    )  # fmt: skip
    unlit_bowl = unlit_to_bowl_w_per_k * (unlit_k - bowl_k)
    unlit_w = (
        conducted
        - unlit_gas
        - unlit_bowl
        - spread * unlit_sensible
        + die * lit_sensible
        - 2.6e6 * coal_drying_slow
    )

    # Food: a slab open on both faces, four cells from the surface to the core.
    food_m2 = 2.0 * food_kg / (food_density_kg_per_m3 * food_thickness_m)
    cell_m = 0.125 * food_thickness_m
    cell_j = food_density_kg_per_m3 * food_capacity_j_per_kgk * cell_m  # per m2 of face and K
    wall_k = bowl_k + 0.5 * lid_on * (lid_k - bowl_k)
    pit_k = wall_k + pit_frac * (gas_k - wall_k)
    to_food = (pit_k - food_0) / (1.0 / food_inside_w_per_m2k + 0.5 * cell_m / food_conductivity_w_per_mk)
    sat_pa = 610.94 * math.exp(17.625 * (food_0 - 273.15) / (food_0 - 30.11))
    sat_frac = 0.622 * sat_pa / (101325.0 - 0.378 * sat_pa) if sat_pa < 100000.0 else 1.6
    lost_frac = y[17] / (food_kg + 1e-9) if food_kg > 1e-6 else 0.0
    wetness = 1.0 / (1.0 + (lost_frac / food_dry_frac) ** 2)
    evaporated = food_convection_w_per_m2k / 1010.0 * wetness * (sat_frac - h2o_frac)  # per m2, Lewis
    if evaporated < 0.0 or food_0 > 373.15:
        evaporated = 0.0
    rate = food_conductivity_w_per_mk / cell_m
    flow_01 = rate * (food_0 - food_1)
    flow_12 = rate * (food_1 - food_2)
    flow_23 = rate * (food_2 - food_3)

    # Walls.
    gas_lid = lid_on * inside_lid_w_per_m2k * lid_area_m2 * (gas_k - lid_k)
    gas_bowl = inside_bowl_w_per_m2k * bowl_area_m2 * (gas_k - bowl_k)
    gas_grate = inside_grate_w_per_k * (gas_k - grate_k)
    bowl_lid = lid_on * 5.670374e-8 * wall_radiation_m2 * (bowl_4 - lid_4)
    bowl_sky = lid_off * 5.670374e-8 * wall_radiation_m2 * (bowl_4 - sky_4)
    outside = outside_still_w_per_m2k + outside_wind_w_per_m2k * local_wind**0.8
    radiated = 5.670374e-8 * emissivity
    lid_excess = lid_k - ambient_k
    rain_w = 0.0
    if rain_kg_per_m2s > 0.0 and lid_excess > 0.0:
        # a film that runs off warm and partly evaporates
        rain_w = (
            rain_kg_per_m2s * 0.7 * lid_area_m2
            * (4186.0 * lid_excess + 2.4e6 * (1.0 - math.exp(-lid_excess / 60.0)))
        )  # fmt: skip
    lid_lost = lid_area_m2 * (outside * lid_excess + radiated * (lid_4 - 0.5 * (ambient_4 + sky_4))) + rain_w
    sun_w = absorptivity_sun * 0.7 * lid_area_m2 * sun_w_per_m2
    bowl_lost = bowl_area_m2 * (outside * (bowl_k - ambient_k) + radiated * (bowl_4 - ambient_4))
    gas_lost = 1010.0 * (gas_k - ambient_k) * ((1.0 + exhaust_excess_frac) * draught + pumped + top_exchange)
    gas_w = (
        swept + burnt_sensible + flame_w + unlit_gas - gas_lid - gas_bowl - gas_grate - gas_lost
        - to_food * food_m2
    )  # fmt: skip

    # Gases of the chamber; its mass stays, so what is made drives out as much.
    coal_steam = coal_drying + coal_drying_slow
    steam = coal_steam + wood_drying + evaporated * food_m2 + 0.6703 * flamed
    outflow = inflow + carbon + coal_steam + wood_drying + evaporated * food_m2 + volatiles
    o2_in = OXYGEN_AIR * inflow
    o2_out = outflow * o2_frac
    o2_used = coal_o2 + flame_o2
    co2_in = CO2_AIR * inflow
    co2_made = 3.664 * carbon * (1.0 - co_frac) + 1.4656 * flamed
    co2_out = outflow * co2_frac
    h2o_in = humidity * inflow
    h2o_out = outflow * h2o_frac

    # its own line: numba compiles no branch inside the long tuple
    core_k = food_3 if food_kg > 0.0 else ambient_k
    return (
        spread - die - burnt,
        die - spread + wood_char_frac * charring,
        -coal_steam,
        burnt * (1.0 - carbon_frac),
        -charring,
        -wood_drying,
        lit_w,
        unlit_w,
        gas_w / gas_capacity_j_per_k,
        (gas_lid + glow_lid + bowl_lid + sun_w - lid_lost) / lid_capacity_j_per_k,
        (gas_bowl + glow_bowl + unlit_bowl - bowl_lid - bowl_sky - bowl_lost) / bowl_capacity_j_per_k,
        (gas_grate + glow_grate) / grate_capacity_j_per_k,
        (to_food - 2.45e6 * evaporated - flow_01) / cell_j,
        (flow_01 - flow_12) / cell_j,
        (flow_12 - flow_23) / cell_j,
        flow_23 / cell_j,
        0.0,
        evaporated * food_m2,
        o2_in - o2_out - o2_used,
        co2_in + co2_made - co2_out,
        h2o_in + steam - h2o_out,
        (pit_k - y[21]) / pit_probe_s,
        (wall_k + pit_2_frac * (gas_k - wall_k) - y[22]) / pit_probe_s,
        (gas_k + dome_excess_frac * (gas_k - wall_k) - y[23]) / dome_probe_s,
        (core_k - y[24]) / food_probe_s,
        coal_w + flame_w,
        lid_lost + bowl_lost + gas_lost + glow_sky + bowl_sky,
        2.6e6 * (coal_steam + wood_drying) + wood_heat_j_per_kg * charring + 2.45e6 * evaporated * food_m2,
        sun_w,
        o2_in,
        o2_out,
        o2_used,
        co2_in,
        co2_out,
        co2_made,
        h2o_in,
        h2o_out,
        steam,
        carbon * co_frac,
        smoke,
        flamed,
        burnt,
    )


def midpoint(
    rhs: Callable[[Sequence[float], tuple[float, ...], tuple[float, ...]], tuple[float, ...]],
    y: MutableSequence[float],
    half: MutableSequence[float],
    p: tuple[float, ...],
    u: tuple[float, ...],
    step_s: float,
) -> None:
    """One explicit midpoint step of `step_s`, in place; `half` is scratch of the same length.

    Second order, and exact for every linear balance. `rhs` is `derivatives` or a compiled copy of it.
    """
    slope = rhs(y, p, u)
    for i in range(SIZE):
        half[i] = y[i] + 0.5 * step_s * slope[i]
    slope = rhs(half, p, u)
    for i in range(SIZE):
        y[i] += step_s * slope[i]
