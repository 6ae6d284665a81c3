"""What one kettle and its fuel are like: every number the equations need, with unit and source.

Owns the parameters and their flat form for `equations.derivatives`. Knows nothing of time or state.
Sources: [H] handbook value (named), [S] follows from stoichiometry, geometry or another value,
[P] set so that the model meets common practice (docs/grill.md lists those checks), [E] estimate.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass


@dataclass(frozen=True, slots=True)
class KettleParameters:
    """A 57 cm enamelled kettle and its fuel. The order of the fields is the order of `flat()`."""

    # Draught
    stack_height_m: float = 0.50  # [E] lower to upper vent
    discharge_coefficient: float = 0.61  # [H, from memory] sharp-edged orifice, 0.60-0.61
    leak_low_m2: float = 0.8e-4  # [P] ash can and shut lower plate; feeds the coals
    leak_rim_m2: float = 2.0e-4  # [P] lid rim, half in, half out; feeds the chamber
    plugged_frac: float = 0.0  # share of the lower vent closed by ash or grease
    ash_clog_per_kg: float = 3.0  # [E] 1/kg: ash in the bowl narrows the lower way
    wind_shelter_frac: float = 0.5  # [E] wind at the kettle / wind at 10 m
    wind_pressure_coefficient: float = 0.15  # [E] net Cp from lower to upper vent
    draught_floor_pa: float = 0.03  # [E] eddies when nothing else drives
    gust_exchange_frac: float = 0.02  # [E] share of local wind that pumps through the gaps
    # Chamber
    gas_kg: float = 0.10  # [S] 0.11 m3 at 100 C
    gas_capacity_j_per_k: float = 140.0  # [E] that air, smoke and thin wire
    lid_capacity_j_per_k: float = 1600.0  # [H] 3.3 kg enamelled steel at 480 J/kgK
    bowl_capacity_j_per_k: float = 2600.0  # [H] 5.4 kg
    grate_capacity_j_per_k: float = 650.0  # [H] cooking grate, 1.35 kg
    lid_area_m2: float = 0.36  # [S] cap 0.57 m wide, 0.18 m high
    bowl_area_m2: float = 0.46  # [S] cap 0.57 m wide, 0.25 m deep
    inside_lid_w_per_m2k: float = 12.0  # [E] plume under the lid with gas radiation
    inside_bowl_w_per_m2k: float = 6.0  # [E] natural convection
    inside_grate_w_per_k: float = 4.0  # [E] wires in the stream
    wall_radiation_m2: float = 0.22  # [E] bowl to lid, area x exchange factor
    outside_still_w_per_m2k: float = 5.8  # [P] a smooth sphere has 4.5 (Churchill); legs, ash can, lugs
    outside_wind_w_per_m2k: float = 5.5  # [P] x (m/s)^0.8; a turbulent plate this long has 6.6
    emissivity: float = 0.91  # [H, from memory] porcelain enamel 0.90-0.92
    absorptivity_sun: float = 0.9  # [E] black enamel
    sky_depression_k: float = 10.0  # [E] sky below air, half cloudy
    exhaust_excess_frac: float = 0.4  # [E] rise of the gas that leaves / rise of mean gas - 1
    pit_frac: float = 0.60  # [E] pit = walls + this x (gas - walls): air comes down along them
    pit_2_frac: float = 0.70  # [E] the same, nearer the coals
    dome_excess_frac: float = 0.0  # [E] dome = gas + this x (gas - walls)
    lid_exchange_kg_per_s: float = 0.014  # [P] through the open top in still air
    lid_exchange_wind_kg_per_m: float = 0.002  # [E] more per m/s of local wind
    lid_feed_frac: float = 1.5  # [P] extra chamber gas to the coals with the lid off
    # The bed
    carbon_frac: float = 0.92  # [H] carbon equivalent, 30 MJ/kg dry; lump is 29-33 gross
    coal_capacity_j_per_kgk: float = 1300.0  # [H, from memory] char at 300-700 C
    lit_capacity_j_per_k: float = 120.0  # [E] ash and wire that glow with the coals
    unlit_capacity_j_per_k: float = 500.0  # [E] charcoal grate, ash
    reacting_area_m2_per_kg: float = 0.205  # [S] 6/(density x size): 42 mm, 700 kg/m3
    transfer_kg_per_m2s: float = 0.0175  # [E] gas flow that oxygen transfer equals, Sh about 5
    transfer_flow_boost: float = 0.7  # [P] x sqrt(g/s): blown coals burn faster
    ash_film: float = 1.5  # [E] resistance per (ash / fuel)
    kinetic_k: float = 9000.0  # [H, from memory] char oxidation, 75-160 kJ/mol
    kinetic_even_k: float = 675.0  # [P] chemistry as slow as transfer in still air
    bed_contact_frac: float = 0.95  # [E] share of the low air that a big lit bed meets
    bed_reach_kg: float = 0.15  # [E] lit coals that meet half of that
    recirculation_kg_per_m2s: float = 0.007  # [E] chamber gas drawn through the lit area
    co_lean_frac: float = 0.10  # [E] carbon that leaves as CO with plenty of air
    co_rich_frac: float = 0.40  # [E] more when starved
    spread_per_s: float = 3.8e-3  # [P] fastest spread, in dry coals
    spread_at_k: float = 880.0  # [P] half of that
    spread_width_k: float = 45.0  # [E] of that step
    damp_slows: float = 5.0  # [E] spread / (1 + this x water per dry charcoal)
    die_per_s: float = 0.7e-3  # [P] lit coals that go out when too cold
    die_at_k: float = 610.0  # [P] half of that, as the mean of the bed
    die_width_k: float = 22.0  # [E] of that step
    glow_frac: float = 0.36  # [P] radiating share of the lit area x emissivity 0.95
    ash_cover_frac: float = 0.05  # [P] still bare when starved: coals glow on under ash
    ash_cover_kg_per_m2s: float = 0.5e-3  # [P] oxygen use at which half of the cover is gone
    glow_to_bowl_frac: float = 0.65  # [E] of the radiation
    glow_to_grate_frac: float = 0.08  # [E] the rest goes to the lid
    bed_conduction_w_per_k: float = 0.08  # [P] lit coals to grate
    bed_contact_w_per_k: float = 3.5  # [E] lit to unlit coals, x lit unlit / all^2
    unlit_to_gas_w_per_k: float = 0.5  # [E] unlit coals to chamber gas
    unlit_to_bowl_w_per_k: float = 1.0  # [E] unlit coals to bowl
    coal_drying_per_s: float = 3.0e-4  # [E] unlit coals over 100 C
    # Wood
    wood_char_frac: float = 0.25  # [H] slow pyrolysis
    wood_drying_per_s: float = 4.0e-3  # [P] on hot coals
    wood_pyrolysis_per_s: float = 1.2e-3  # [P] of one piece
    wood_piece_kg: float = 0.08  # [P] the piece that the rate is for
    wood_needs_k: float = 620.0  # [E] bed that chars wood
    wood_flame_o2_frac: float = 0.165  # [H] by mass, 15 % by volume: flaming limit
    wood_flame_width: float = 0.006  # [E] of that limit
    wood_heat_j_per_kg: float = 0.45e6  # [E] to warm and char dry wood
    # Food
    food_thickness_m: float = 0.022  # a side of char
    food_conductivity_w_per_mk: float = 0.48  # [H] fatty fish, Choi & Okos 1986
    food_capacity_j_per_kgk: float = 3450.0  # [H] the same
    food_density_kg_per_m3: float = 1042.0  # [H] the same
    food_inside_w_per_m2k: float = 14.0  # [E] convection and radiation of the walls
    food_convection_w_per_m2k: float = 8.0  # [E] the part that also carries vapour (Lewis)
    food_dry_frac: float = 0.025  # [E] water loss at which the surface is half dry
    # Probes
    pit_probe_s: float = 12.0  # [E] thermistor or couple in moving air
    dome_probe_s: float = 40.0  # [E] dial
    food_probe_s: float = 8.0  # [E] needle

    def flat(self) -> tuple[float, ...]:
        """The fields as a tuple of floats, for `equations.derivatives`."""
        return tuple(float(value) for value in astuple(self))


@dataclass(frozen=True, slots=True)
class Fittings:
    """Vents, servos and probes: what lies between the daemon and the fire. All [E]."""

    lower_m2: float = 70e-4  # slots of the bowl, wide open
    lower_dead_frac: float = 0.01  # overlap of the plate
    lower_shape: float = 1.1  # exponent of the start; 1 is a slot
    lower_ease: float = 0.4  # flattening towards the end
    upper_m2: float = 28e-4  # round holes of the lid
    upper_dead_frac: float = 0.01  # overlap of the plate
    upper_shape: float = 1.3  # 1.5 is a round hole behind a round shutter
    upper_ease: float = 0.4  # flattening towards the end
    upper_fixed: float | None = None  # upper vent left by hand at this position; None: a servo turns it
    servo_strokes_per_s: float = 0.8  # 60 degrees in 0.2 s, geared down
    backlash_frac: float = 0.0  # play of the linkage, whole width
    stiction_frac: float = 0.0  # smallest move that breaks loose
    pit_noise_c: float = 0.15  # standard deviation, pit probes
    dome_noise_c: float = 0.3  # the same, dome probe
    food_noise_c: float = 0.1  # the same, food probe
