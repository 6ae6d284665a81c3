"""Settings section `food`: which plan the daemon follows, and the kitchen it belongs to."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat


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
