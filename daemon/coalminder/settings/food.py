"""Settings section `food`: which plan the daemon follows, and the kitchen it belongs to."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, field_validator

from coalminder.errors import SettingsError, UserError
from coalminder.food.foodplan import FoodPlan
from coalminder.food.species import species
from coalminder.settings.quantities import place


class FoodSettings(BaseModel):
    """`[food]`. Without a plan the daemon follows plain food: thickness, rule and refrigerator from here."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    plan_file: str = Field(
        default="",
        description="Plan written by `coalminder plan --json FILE`; empty: no plan, only the food below.",
    )
    species: str = Field(
        default="char", description="Food when there is no plan: a code of `coalminder plan --foods`."
    )
    thickness_mm: FiniteFloat = Field(
        default=22.0, ge=3.0, le=150.0, description="Thickest piece, mm, without a plan."
    )
    mass_kg: FiniteFloat = Field(
        default=1.6, ge=0.02, le=50.0, description="Weight of the food, kg, without a plan."
    )
    done_rule: Literal["", "home-71", "guidance-63", "poultry-74", "meat-71"] = Field(
        default="", description="Done rule without a plan; empty: the stricter one of the food's kind."
    )
    fridge_c: FiniteFloat = Field(
        default=3.0, ge=-2.0, le=10.0, description="Refrigerator, °C; 3.3 or below is right."
    )

    @field_validator("plan_file")
    @classmethod
    def _place(cls, plan_file: str) -> str:
        return str(place(Path(plan_file))) if plan_file else ""

    def plan(self, set_point_c: float = 93.0, ambient_c: float = 15.0) -> FoodPlan:
        """The plan to follow: the file's, or plain food of this section.

        Times are Unix seconds (FoodPlan.on_clock moves them). UserError: the file, the food or its rule
        cannot be used.
        """
        if self.plan_file:
            try:
                text = Path(self.plan_file).read_text(encoding="utf-8")
            except (OSError, UnicodeDecodeError) as error:
                raise SettingsError(
                    f"food.plan_file {self.plan_file}: cannot be read ({error}); make one with "
                    "`coalminder plan --json FILE`, put it where the service can read it (/etc/coalminder, "
                    "no home), or leave it empty"
                ) from error
            return FoodPlan.from_json(text, self.plan_file)
        try:
            kind = species(self.species)
        except UserError as error:
            raise SettingsError(f"food.species: {error}") from None
        if self.done_rule and self.done_rule not in kind.rules:
            raise SettingsError(
                f"food.done_rule '{self.done_rule}' does not fit {kind.name}: "
                f"accepted {', '.join(kind.rules)}"
            )
        return FoodPlan(
            name=kind.name,
            species=kind.code,
            mass_kg=self.mass_kg,
            thickness_m=self.thickness_mm / 1000.0,
            water_frac=kind.composition.water_frac,
            protein_frac=kind.composition.protein_frac,
            fat_frac=kind.composition.fat_frac,
            set_point_c=set_point_c,
            ambient_c=ambient_c,
            fridge_c=self.fridge_c,
            rule=self.done_rule or kind.rules[0],
            scombroid=kind.scombroid,
        )
