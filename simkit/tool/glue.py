"""Glue between tab and panel: a thin elastic layer with a strength."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from simkit.errors import InputError


@dataclass(frozen=True)
class Glue:
    """Glue as a spring bed between tab and panel that lets go.

    Attributes
    ----------
    name : as printed in tables.
    tension_MPa : mean traction over the tab (pull / area) at which it lets go.
    peel_MPa : largest traction at the tab's edge at which it lets go from there.
    shear_MPa : mean shear over the tab at which it lets go.
    normal_stiffness_N_per_mm3 : traction per mm of opening.
    shear_stiffness_N_per_mm3 : shear per mm of slip.
    layer_mm : thickness of the glue.
    coldest_C, warmest_C : temperatures between which the strengths are trusted.
    reference_C : up to here the strengths hold in full; above they fall.
    halves_at_C : where half of them is left.
    """

    name: str
    tension_MPa: float
    peel_MPa: float
    shear_MPa: float
    normal_stiffness_N_per_mm3: float
    shear_stiffness_N_per_mm3: float
    layer_mm: float
    coldest_C: float
    warmest_C: float
    reference_C: float
    halves_at_C: float

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name != "name" and not field.name.endswith("_C") and not 0 < value < math.inf:
                raise InputError(f"glue '{self.name}': {field.name} {value}", "a positive number",
                                 key=field.name)
        if not (self.coldest_C < self.reference_C < self.halves_at_C
                and self.coldest_C < self.warmest_C):
            raise InputError(
                f"glue '{self.name}': temperatures {self.coldest_C:g}, {self.reference_C:g}, "
                f"{self.halves_at_C:g}, {self.warmest_C:g} C",
                "coldest_C < reference_C < halves_at_C and coldest_C < warmest_C")

    def strength_factor(self, temperature_C: float) -> float:
        """Share of the strengths left at a panel temperature, 1 up to `reference_C`.

        Straight line through 1 at `reference_C` and 1/2 at `halves_at_C`, not below 0.

        Raises
        ------
        InputError : colder or warmer than the glue is known for.
        """
        if not self.coldest_C <= temperature_C <= self.warmest_C:
            raise InputError(f"glue '{self.name}' at {temperature_C:g} C",
                             f"{self.coldest_C:g} to {self.warmest_C:g} C", key="temperature_C")
        above = max(temperature_C - self.reference_C, 0.0)
        return max(1.0 - 0.5 * above / (self.halves_at_C - self.reference_C), 0.0)

    def holds_N(self, area_mm2: float, temperature_C: float | None = None) -> float:
        """Straight pull, N, at which a tab of that area lets go by mean traction."""
        factor = 1.0 if temperature_C is None else self.strength_factor(temperature_C)
        return self.tension_MPa * area_mm2 * factor


def layer_stiffness(modulus_MPa: float, layer_mm: float) -> tuple[float, float]:
    """Stiffness (N/mm^3) of a glue layer, normal and shear: E/h and E/(3 h).

    Uniaxial, so a lower bound for the normal one: a thin layer that cannot shrink sideways is
    stiffer. Shear modulus E/3 of an incompressible solid.
    """
    for key, value in (("modulus_MPa", modulus_MPa), ("layer_mm", layer_mm)):
        if not 0 < value < math.inf:
            raise InputError(f"glue {key} {value}", "a positive number", key=key)
    return modulus_MPa / layer_mm, modulus_MPa / (3.0 * layer_mm)
