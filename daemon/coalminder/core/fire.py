"""What the pit and the vents tell of the fire: heat released, fuel left, starvation.

Lumped energy balance of the kettle: heat = K (lag dT/dt + T - T_ambient), K the loss per kelvin and lag
the kettle's heat capacity over K. Both are nominal, so heat is right to a factor; ratios and trends are
what the core uses, and fuel carries an interval that says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coalminder.core.air import AirState
from coalminder.core.config import AirConfig, FireConfig
from coalminder.frozen import replace
from coalminder.lowpass import low_pass
from coalminder.values import FireEstimate

_SMOOTH_S = 120.0
_RATE_S = 1800.0
_STARVE_S = 600.0
# 90 % of cooks: minutes left between half and four times what is told. Wind and rain double what a kettle
# loses, the sun halves it; a small or thick-walled one loses half as much in any weather, and no probe sees
# any of it (tests/fuel_interval.py).
_AT_LEAST, _AT_MOST = 0.5, 4.0
FAILS = frozenset({"relight", "fire_out", "falling_with_vents_open"})
"""Advice and alarms by which a bed fails: less charcoal is there than was booked."""


@dataclass(frozen=True, slots=True)
class FireState:
    """heat_w smoothed; burn_kg_per_s over half an hour; fuel_kg charcoal left by the account.

    laid_kg: of it, what was laid on while no fire burned: it is still there for the next one.
    """

    fuel_kg: float
    heat_w: float = 0.0
    burn_kg_per_s: float = 0.0
    known: bool = False
    starved_frac: float = 0.0
    laid_kg: float = 0.0


def laid_on(state: FireState, mass_kg: float, burning: bool) -> FireState:
    """Charcoal laid on the bed, over a fire or for the next one."""
    laid_kg = state.laid_kg if burning else state.laid_kg + mass_kg
    return replace(state, fuel_kg=state.fuel_kg + mass_kg, laid_kg=laid_kg)


def lit(state: FireState, config: FireConfig, hot: bool) -> FireState:
    """The fire when lighting starts. hot: it is the last one that goes on; else a bed laid afresh."""
    if hot:
        return replace(state, laid_kg=0.0)
    return FireState(fuel_kg=config.charcoal_kg + state.laid_kg)


def held_rise_c(config: FireConfig, pit_c: float, ambient_c: float, slope_c_per_s: float) -> float:
    """The rise over ambient that the heat now released would hold in the end, in K."""
    return config.lag_s * slope_c_per_s + pit_c - ambient_c


def account(
    state: FireState,
    config: FireConfig,
    pit_c: float,
    ambient_c: float,
    slope_c_per_s: float,
    dt_s: float,
    lighting: bool = False,
) -> FireState:
    """Book one step of burning. With the lid off call it with the last pit: coals burn on.

    lighting: the coals come up, and what they burn meanwhile is not the rate at which they will.
    """
    heat = max(config.loss_w_per_k * held_rise_c(config, pit_c, ambient_c, slope_c_per_s), 0.0)
    smooth = low_pass(state.heat_w, heat, _SMOOTH_S, dt_s)
    burn = smooth / config.heat_j_per_kg
    weight = dt_s / (_RATE_S + dt_s) if state.known and not lighting else 1.0
    rate = state.burn_kg_per_s + (burn - state.burn_kg_per_s) * weight
    return replace(
        state, fuel_kg=max(state.fuel_kg - burn * dt_s, 0.0), heat_w=smooth, burn_kg_per_s=rate, known=True
    )


def starve(
    state: FireState, config: AirConfig, air: AirState, rise_c: float, wanted_rise_c: float, dt_s: float
) -> FireState:
    """How near the bed is to starving: what its heat falls short of what the draught in force should give.

    Expected: the set point's rise times (draught / holding draught)^heat_power.
    """
    expected_c = wanted_rise_c * math.exp(config.heat_power * (air.applied_v - air.hold_v))
    short = 1.0 - max(rise_c, 0.0) / max(expected_c, 5.0)
    short = min(max(short, 0.0), 1.0)
    return replace(state, starved_frac=low_pass(state.starved_frac, short, _STARVE_S, dt_s))


def estimate(state: FireState) -> FireEstimate:
    """What to tell: minutes of tending left at the present rate, with a 90 % interval."""
    if not state.known or state.burn_kg_per_s <= 0.0:
        return FireEstimate(heat_w=state.heat_w if state.known else None)
    left = state.fuel_kg / state.burn_kg_per_s / 60.0
    return FireEstimate(state.heat_w, state.starved_frac, left, left * _AT_LEAST, left * _AT_MOST)


def untold(told: FireEstimate) -> FireEstimate:
    """The same without the minutes left: they are wrong while coals come up, or a bed fails."""
    return replace(told, fuel_left_min=None, fuel_left_low_min=None, fuel_left_high_min=None)
