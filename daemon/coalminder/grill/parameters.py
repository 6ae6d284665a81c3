"""What one kettle and its fuel are like: every number the equations need, with unit and source.

Owns the parameters and their flat form for `equations.derivatives`. Knows nothing of time or state.
Sources: [H] handbook value (named), [S] follows from stoichiometry and heats of formation,
[P] set so that the model meets common practice (docs/grill.md lists those checks), [E] estimate.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass


@dataclass(frozen=True, slots=True)
class KettleParameters:
    """A 57 cm enamelled kettle and its fuel. The order of the fields is the order of `flat()`."""

    # draught
    stack_height_m: float = 0.50  # lower to upper vent [E]
    discharge_coefficient: float = 0.61  # sharp-edged orifice, ISO 5167 family [H, from memory]
    leak_low_m2: float = 0.8e-4  # ash can and lower plate when shut; feeds the coals [P]
    leak_rim_m2: float = 2.0e-4  # lid rim, half of it in, half out; feeds the chamber [P]
    plugged_frac: float = 0.0  # share of the lower vent that ash or grease has closed
    ash_clog_per_kg: float = 3.0  # 1/kg: ash in the bowl narrows the lower way [E]
    wind_shelter_frac: float = 0.5  # wind at the kettle / wind at 10 m [E]
    wind_pressure_coefficient: float = 0.15  # net Cp, lower windward to upper [E]; ASHRAE walls -0.7..+0.8
    draught_floor_pa: float = 0.03  # eddies when nothing else drives [E]
    gust_exchange_frac: float = 0.02  # share of the local wind that pumps through the leaks [E]
    # chamber
    gas_kg: float = 0.10  # 0.11 m3 of air at 100 C [S]
    gas_capacity_j_per_k: float = 140.0  # that air, smoke and thin wire [E]
    lid_capacity_j_per_k: float = 1300.0  # 2.7 kg enamelled steel at 480 J/kgK [H]
    bowl_capacity_j_per_k: float = 2300.0  # 4.8 kg [H]
    grate_capacity_j_per_k: float = 650.0  # cooking grate 1.35 kg [H]
    lid_area_m2: float = 0.36  # spherical cap, 0.57 m wide, 0.18 m high [S]
    bowl_area_m2: float = 0.46  # spherical cap 0.57 m wide, 0.25 m deep [S]
    inside_lid_w_per_m2k: float = 12.0  # plume under the lid with gas radiation [E]
    inside_bowl_w_per_m2k: float = 6.0  # natural convection [E]
    inside_grate_w_per_k: float = 4.0  # wires in the stream [E]
    wall_radiation_m2: float = 0.22  # bowl to lid, area x exchange factor [E]
    outside_still_w_per_m2k: float = 5.0  # natural convection, Churchill's sphere at 50 K [H]
    outside_wind_w_per_m2k: float = 5.5  # x (m/s)^0.8, turbulent plate of this length [H]
    emissivity: float = 0.91  # porcelain enamel 0.90-0.92 [H, from memory]
    absorptivity_sun: float = 0.9  # black enamel [E]
    sky_depression_k: float = 10.0  # sky below air, half cloudy [E]
    exhaust_excess_frac: float = 0.4  # gas at the upper vent over mean gas, of its rise over ambient [E]
    pit_frac: float = 0.80  # pit rise over ambient / mean gas rise: away from the coals [E]
    pit_2_frac: float = 0.85  # second pit probe, nearer the coals [E]
    dome_frac: float = 1.0  # under the lid [E]
    lid_exchange_kg_per_s: float = 0.014  # through the open top in still air [P]
    lid_exchange_wind_kg_per_m: float = 0.002  # more per m/s of local wind [E]
    lid_feed_frac: float = 1.5  # how much more chamber gas reaches the coals with the lid off [P]
    # the bed
    carbon_frac: float = 0.92  # carbon equivalent of dry charcoal: 30 MJ/kg; GCV of lump 29-33 [H]
    coal_capacity_j_per_kgk: float = 1300.0  # char at 300-700 C [H, from memory]
    lit_capacity_j_per_k: float = 120.0  # ash and grate wires that glow with the coals [E]
    unlit_capacity_j_per_k: float = 500.0  # charcoal grate, ash [E]
    reacting_area_m2_per_kg23: float = 0.16  # lit area = this x kg^(2/3); lumps of 40-50 mm [E]
    transfer_kg_per_m2s: float = 0.0115  # oxygen to the coal, as gas flow: Sh about 5 [E]
    transfer_flow_boost: float = 2.2  # x sqrt(g/s): blown coals burn faster [E]
    ash_film: float = 1.5  # resistance per (ash / fuel) [E]
    kinetic_k: float = 9000.0  # activation temperature, char oxidation 75-160 kJ/mol [H, from memory]
    kinetic_even_k: float = 690.0  # chemistry as slow as diffusion [P]
    bed_contact_frac: float = 0.75  # share of the low air that meets coals [E]
    recirculation_kg_per_m2s: float = 0.007  # chamber gas drawn through the lit area [E]
    co_lean_frac: float = 0.10  # carbon that leaves as CO with plenty of air [E]
    co_rich_frac: float = 0.30  # more when starved [E]
    spread_per_s: float = 3.0e-3  # fastest spread [P]
    spread_at_k: float = 880.0  # half of that [P]
    spread_width_k: float = 45.0  # [E]
    die_per_s: float = 0.7e-3  # lit coals that go out when too cold [P]
    die_at_k: float = 650.0  # half of that; glowing char goes out at 350-450 C [P]
    die_width_k: float = 22.0  # [E]
    glow_frac: float = 0.44  # radiating share of the lit area (ash, neighbours) x emissivity 0.95 [P]
    ash_cover_frac: float = (
        0.12  # of the lit surface still bare when nearly starved: coals glow on under ash [P]
    )
    ash_cover_kg_per_m2s: float = 0.5e-3  # oxygen use at which half of the ash cover is gone [P]
    glow_to_bowl_frac: float = 0.65  # of the radiation [E]
    glow_to_grate_frac: float = 0.08  # [E]; the rest goes to the lid
    bed_conduction_w_per_k: float = 0.12  # lit to unlit coals and grate [P]
    unlit_to_gas_w_per_k: float = 0.8  # [E]
    coal_drying_per_s: float = 3.0e-4  # unlit coals over 100 C [E]
    # wood
    wood_char_frac: float = 0.25  # slow pyrolysis [H]
    wood_drying_per_s: float = 4.0e-3  # [P]
    wood_pyrolysis_per_s: float = 1.2e-3  # of an 80 g piece [P]
    wood_piece_kg: float = 0.08
    wood_needs_k: float = 620.0  # bed that chars wood [E]
    wood_flame_o2_frac: float = 0.165  # by mass: 15 % by volume, flaming limit [H]
    wood_flame_width: float = 0.006  # [E]
    wood_heat_j_per_kg: float = 0.45e6  # to warm and char dry wood [E]
    # food
    food_thickness_m: float = 0.022
    food_conductivity_w_per_mk: float = 0.48  # fatty fish, Choi & Okos [H]
    food_capacity_j_per_kgk: float = 3450.0  # [H]
    food_density_kg_per_m3: float = 1042.0  # [H]
    food_inside_w_per_m2k: float = 10.0  # convection and radiation [E]
    food_dry_frac: float = 0.06  # water loss at which the surface dries [E]
    # probes
    pit_probe_s: float = 12.0
    dome_probe_s: float = 40.0
    food_probe_s: float = 8.0

    def flat(self) -> tuple[float, ...]:
        """The fields as a tuple of floats, for `equations.derivatives`."""
        return tuple(float(value) for value in astuple(self))


@dataclass(frozen=True, slots=True)
class Fittings:
    """Vents, servos and probes: what lies between the daemon and the fire."""

    lower_m2: float = 70e-4  # three slots of the bowl, wide open [E]
    lower_dead_frac: float = 0.01  # overlap of the plate [E]
    lower_shape: float = 1.1  # [E]
    lower_ease: float = 0.4  # [E]
    upper_m2: float = 28e-4  # four round holes of 22 mm [E]
    upper_dead_frac: float = 0.01
    upper_shape: float = 1.3
    upper_ease: float = 0.4
    upper_fixed: float | None = None  # upper vent set by hand to this position; None: a servo turns it
    servo_strokes_per_s: float = 0.8  # 60 degrees in 0.2 s, geared down [E]
    backlash_frac: float = 0.0
    stiction_frac: float = 0.0
    pit_noise_c: float = 0.15  # standard deviation [E]
    dome_noise_c: float = 0.3
    food_noise_c: float = 0.1
