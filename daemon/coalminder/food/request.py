"""What a cook asks for: the food, the wish, the day, the grill. Checked once, here.

Owns: PlanRequest with its defaults and ranges. Must not know: how a plan is made.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from coalminder.errors import UserError
from coalminder.food.checks import in_range
from coalminder.food.doneness import DONE_RULES, DoneRule
from coalminder.food.species import Species, species

# Water-phase salt to aim at after smoking, by kind: taste, not safety [practice].
TASTE_WPS_PCT = {"oily_fish": 3.0, "lean_fish": 2.8, "shellfish": 2.2, "poultry": 1.8, "pork": 2.0}

TEXTURES = {"moist": 0.10, "firm": 0.16}
"""Weight lost from raw to done, drying and smoking together [practice]."""


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """All in SI with the unit in the name; None takes the default of the species or the day.

    serve_at must carry a time zone. salt_wps_pct: water-phase salt wanted after smoking. brine_frac: salt in
    the brine by weight; None lets the plan choose, weaker when it has to lie overnight. equilibrium: weigh
    salt for food and water together instead of a strong brine.
    """

    serve_at: datetime
    food: str = "char"
    mass_kg: float = 1.6
    pieces: int = 4
    thickness_m: float | None = None
    skin_on: bool | None = None
    frozen: bool = False
    frozen_before: bool = False
    salt_wps_pct: float | None = None
    brine_frac: float | None = None
    sugar_frac: float = 0.03
    equilibrium: bool = False
    brine_c: float = 3.0
    brine_reused: bool = False
    texture: str = "moist"
    rule: str | None = None
    set_point_c: float = 93.0
    kettle_cm: float = 57.0
    ambient_c: float = 15.0
    humidity_frac: float = 0.65
    wind_m_s: float = 3.0
    rain: bool = False
    dry_c: float | None = None
    dry_speed_m_s: float = 1.0
    wood_moisture_frac: float = 0.18
    wood_soaked: bool = False
    smoke_min: float = 90.0
    fridge_c: float = 3.0

    def __post_init__(self) -> None:
        """Refuse nonsense with one line that names the accepted range."""
        kind = self.species
        if self.serve_at.tzinfo is None:
            raise ValueError("serve_at needs a time zone")
        in_range("weight", self.mass_kg, 0.02, 50.0, "kg")
        in_range("pieces", self.pieces, 1, 200)
        in_range("thickness", 1000 * self.thick_m, 3.0, 150.0, "mm", "measure the thickest piece")
        in_range("salt target (water phase)", self.wps_pct, 0.5, 6.0, "%", "3 % is usual for fish")
        in_range("sugar in brine", 100 * self.sugar_frac, 0.0, 20.0, "%")
        if self.brine_frac is not None:
            strongest = math.floor(260.0 * (1.0 - self.sugar_frac)) / 10.0  # sugar takes its place
            in_range("salt in brine", 100 * self.brine_frac, 2.0, strongest, "%", "15 to 20 % is usual")
            if self.equilibrium:
                raise UserError(
                    f"salt in brine {100 * self.brine_frac:g} % with an equilibrium brine: give one of them; "
                    "an equilibrium brine is as strong as the salt wanted"
                )
        in_range("brine temperature", self.brine_c, -5.0, 30.0, "°C", "3 °C or below is right")
        in_range("set point", self.set_point_c, 60.0, 121.0, "°C", "80 to 105 °C smokes fish")
        in_range("kettle", self.kettle_cm, 30.0, 90.0, "cm")
        in_range("outdoor temperature", self.ambient_c, -30.0, 45.0, "°C")
        in_range("relative humidity", 100 * self.humidity_frac, 10.0, 98.0, "%")
        in_range("wind", self.wind_m_s, 0.0, 20.0, "m/s", "do not light a fire in a gale")
        in_range("drying air", self.drying_c, 0.0, 30.0, "°C", "12 °C or less is best")
        in_range("air speed at drying", self.dry_speed_m_s, 0.0, 6.0, "m/s", "a small fan gives 1 to 2")
        in_range("wood moisture", 100 * self.wood_moisture_frac, 0.0, 60.0, "%", "below 20 % is right")
        in_range("smoke", self.smoke_min, 0.0, 240.0, "min", "about 90 min is plenty for fish")
        in_range("refrigerator", self.fridge_c, -2.0, 10.0, "°C", "3 °C or below keeps smoked fish")
        if self.texture not in TEXTURES:
            raise UserError(f"texture '{self.texture}' is unknown: accepted {', '.join(TEXTURES)}")
        if self.rule is not None and self.rule not in kind.rules:
            raise UserError(
                f"done rule '{self.rule}' does not fit {kind.name}: accepted {', '.join(kind.rules)}"
            )
        if self.mass_kg / self.pieces > 15.0:
            raise UserError(
                f"{self.mass_kg / self.pieces:.0f} kg a piece is more than fits: accepted up to 15 kg"
            )

    @property
    def species(self) -> Species:
        """The row of the species table."""
        return species(self.food)

    @property
    def thick_m(self) -> float:
        """Thickness asked for, or the usual one."""
        return self.species.thickness_mm / 1000.0 if self.thickness_m is None else self.thickness_m

    @property
    def skin(self) -> bool:
        """Whether skin closes one side."""
        return self.species.skin if self.skin_on is None else self.skin_on

    @property
    def wps_pct(self) -> float:
        """Water-phase salt wanted after smoking."""
        return TASTE_WPS_PCT[self.species.kind] if self.salt_wps_pct is None else self.salt_wps_pct

    @property
    def done_rule(self) -> DoneRule:
        """The rule chosen, or the stricter default of the kind."""
        return DONE_RULES[self.species.rules[0] if self.rule is None else self.rule]

    @property
    def drying_c(self) -> float:
        """Air for drying: asked for, or the day's within 2 to 12 °C (a cool room)."""
        return min(12.0, max(2.0, self.ambient_c)) if self.dry_c is None else self.dry_c

    @property
    def loss_frac(self) -> float:
        """Weight lost in all."""
        return TEXTURES[self.texture]
