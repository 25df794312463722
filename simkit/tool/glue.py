"""Glue between tab and panel: a cohesive layer with strength and fracture energy."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np

from simkit.errors import InputError

Table = tuple[tuple[float, float], ...]
"""(place, share) by rising place; linear interpolation between."""

LEAST_OPENING_RATIO = 1.05
"""Smallest ratio of the opening at full separation to the opening at the strength."""


@dataclass(frozen=True)
class Glue:
    """Glue as a layer with a bilinear law of traction against separation.

    The traction increases linearly to the strength, with the layer's stiffness, and then decreases
    linearly to zero; the area under both lines is the fracture energy.

    Attributes
    ----------
    name : as printed in tables.
    tension_MPa, shear_MPa : strengths, the largest tractions of a small spot of the layer.
    tension_energy_N_per_mm, shear_energy_N_per_mm : fracture energies (1 N/mm = 1 kJ/m^2).
    modulus_MPa : Young's modulus of the set glue.
    layer_mm : thickness of the layer where it is thinnest.
    by_temperature : (degree C, share of strengths and energies), rising; undefined outside.
    by_age : (minutes since the tab was set on, share reached), rising; after the last row, the
        share of the last row.
    """

    name: str
    tension_MPa: float
    shear_MPa: float
    tension_energy_N_per_mm: float
    shear_energy_N_per_mm: float
    modulus_MPa: float
    layer_mm: float
    by_temperature: Table = ()
    by_age: Table = ()

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, float | int) and not 0 < value < math.inf:
                raise InputError(f"glue '{self.name}': {field.name} {value}", "a positive number",
                                 key=field.name)
        for key, table in (("by_temperature", self.by_temperature), ("by_age", self.by_age)):
            places = [place for place, _ in table]
            if any(b <= a for a, b in pairwise(places)):
                raise InputError(f"glue '{self.name}': {key} does not rise", "each once, in order",
                                 key=key)
        normal, shear = layer_stiffness(self.modulus_MPa, self.layer_mm)
        for key, strength, stiffness in (("tension_energy_N_per_mm", self.tension_MPa, normal),
                                         ("shear_energy_N_per_mm", self.shear_MPa, shear)):
            # The elastic energy at the strength, s^2 / (2 k), must be less than the fracture
            # energy; otherwise the softening line would run back to smaller openings.
            least = LEAST_OPENING_RATIO * 0.5 * strength**2 / stiffness
            if getattr(self, key) < least:
                raise InputError(
                    f"glue '{self.name}': {key} {getattr(self, key):g} is less than its layer "
                    "holds when it begins to soften",
                    f"at least {least:.3g} N/mm, or a thinner layer", key=key)

    def at(self, temperature_C: float, age_min: float | None = None) -> Glue:
        """The glue as it is at a panel temperature and an age (None: fully set).

        Raises
        ------
        InputError : a temperature that the table does not cover, or nothing of it set yet.
        """
        share = 1.0
        if self.by_temperature:
            share *= self._share_at(temperature_C)
        if self.by_age and age_min is not None:
            ages, reached = zip(*self.by_age, strict=True)
            share *= float(np.interp(age_min, ages, reached))
        if share <= 0.0:
            raise InputError(f"glue '{self.name}' holds nothing at {temperature_C:g} C"
                             + (f" after {age_min:g} min" if age_min is not None else ""),
                             "another glue, or wait until it has set", key="glue")
        return replace(
            self, tension_MPa=share * self.tension_MPa, shear_MPa=share * self.shear_MPa,
            tension_energy_N_per_mm=share * self.tension_energy_N_per_mm,
            shear_energy_N_per_mm=share * self.shear_energy_N_per_mm)

    def _share_at(self, temperature_C: float) -> float:
        places, shares = zip(*self.by_temperature, strict=True)
        if not places[0] <= temperature_C <= places[-1]:
            raise InputError(f"glue '{self.name}' at {temperature_C:g} C",
                             f"known from {places[0]:g} to {places[-1]:g} C",
                             key="temperature_C")
        return float(np.interp(temperature_C, places, shares))

    def holds_N(self, area_mm2: float) -> float:
        """Strength times area, N: upper bound of the normal pull of any tab of this area.

        Only a small stiff tab reaches it, because its stress is almost uniform.
        """
        return self.tension_MPa * area_mm2


def layer_stiffness(modulus_MPa: float, layer_mm: float) -> tuple[float, float]:
    """Stiffness (N/mm^3) of a glue layer, normal and shear: E/h and E/(3 h).

    Uniaxial, so a lower bound for the normal one: a thin layer that cannot shrink sideways is
    stiffer. Shear modulus E/3 of an incompressible solid.
    """
    for key, value in (("modulus_MPa", modulus_MPa), ("layer_mm", layer_mm)):
        if not 0 < value < math.inf:
            raise InputError(f"glue {key} {value}", "a positive number", key=key)
    return modulus_MPa / layer_mm, modulus_MPa / (3.0 * layer_mm)
