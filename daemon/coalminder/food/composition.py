"""Thermal properties of flesh from its composition (Choi and Okos 1986), -40..150 °C.

Owns: the polynomials and the mixing rules. Must not know: species. Fractions are of the whole mass;
they are scaled to sum to 1 up to 5 % (tables rarely close); more than that left open counts as carbohydrate.
"""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.food.checks import in_range

# component: (cp J/kgK, density kg/m3, conductivity W/mK), each (c0, c1, c2) of t in °C [choi-okos, read].
# Water cp: the original's constant 4.1762; a later reprint has 4.1289, which misses water's 4.18.
_Poly = tuple[float, float, float]
_COMPONENTS: dict[str, tuple[_Poly, _Poly, _Poly]] = {
    "water": (
        (4176.2, -9.0864e-2, 5.4731e-3),
        (997.18, 3.1439e-3, -3.7574e-3),
        (0.57109, 1.7625e-3, -6.7036e-6),
    ),
    "protein": ((2008.2, 1.2089, -1.3129e-3), (1329.9, -0.5184, 0.0), (0.17881, 1.1958e-3, -2.7178e-6)),
    "fat": ((1984.2, 1.4733, -4.8008e-3), (925.59, -0.41757, 0.0), (0.18071, -2.7604e-4, -1.7749e-7)),
    "carbohydrate": ((1548.8, 1.9625, -5.9399e-3), (1599.1, -0.31046, 0.0), (0.20141, 1.3874e-3, -4.3312e-6)),
    "ash": ((1092.6, 1.8896, -3.6817e-3), (2423.8, -0.28063, 0.0), (0.32962, 1.4011e-3, -2.9069e-6)),
}


@dataclass(frozen=True, slots=True)
class Composition:
    """Mass fractions 0..1 of raw flesh."""

    water_frac: float
    protein_frac: float
    fat_frac: float
    ash_frac: float = 0.012

    def shares(self) -> dict[str, float]:
        """Component -> mass fraction, scaled to sum to 1."""
        in_range("water", 100 * self.water_frac, 20.0, 95.0, "%")
        in_range("protein", 100 * self.protein_frac, 2.0, 40.0, "%")
        in_range("fat", 100 * self.fat_frac, 0.0, 60.0, "%")
        known = self.water_frac + self.protein_frac + self.fat_frac + self.ash_frac
        rest = 1.0 - known
        shares = {
            "water": self.water_frac,
            "protein": self.protein_frac,
            "fat": self.fat_frac,
            "ash": self.ash_frac,
        }
        if rest > 0.05:
            shares["carbohydrate"] = rest
        total = sum(shares.values())
        return {name: share / total for name, share in shares.items()}


@dataclass(frozen=True, slots=True)
class Thermal:
    """cp_j_kgk, density_kg_m3, conductivity_w_mk, diffusivity_m2_s of flesh."""

    cp_j_kgk: float
    density_kg_m3: float
    conductivity_w_mk: float

    @property
    def diffusivity_m2_s(self) -> float:
        """K / (density cp)."""
        return self.conductivity_w_mk / (self.density_kg_m3 * self.cp_j_kgk)


def _at(poly: _Poly, temp_c: float) -> float:
    return poly[0] + temp_c * (poly[1] + temp_c * poly[2])


def thermal(composition: Composition, temp_c: float = 40.0) -> Thermal:
    """Properties at `temp_c` (0..120), above freezing: cp by mass, density by volume, k in parallel."""
    in_range("food temperature", temp_c, 0.0, 120.0, "°C")
    shares = composition.shares()
    cp = sum(share * _at(_COMPONENTS[name][0], temp_c) for name, share in shares.items())
    volumes = {name: share / _at(_COMPONENTS[name][1], temp_c) for name, share in shares.items()}
    volume = sum(volumes.values())
    k = sum(part / volume * _at(_COMPONENTS[name][2], temp_c) for name, part in volumes.items())
    return Thermal(cp, 1.0 / volume, k)
