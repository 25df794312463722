"""Blow of a mass on the sheet: how much of its energy the sheet receives.

The hammer, the tool between it and the sheet, and the part of the sheet that must move with the
tool meet without rebound (momentum is kept, they go on together), and their common energy is then
the work done on the sheet. The sheet's part is Rayleigh's: it moves as it deflects statically under
the tool (S. Timoshenko, Strength of Materials, on impact with the mass of the struck beam, 17/35 of
it at mid-span; MEMORY, not looked up; the tests integrate it).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import not_negative, positive
from simkit.mechanics.model import Model
from simkit.mechanics.points import sheet_points
from simkit.solve.linear import Factorisation

Array = NDArray[np.float64]
GRAVITY_M_S2 = 9.80665
"""Standard acceleration of gravity (exact by definition; MEMORY)."""
G_PER_MM3 = 1e-6
"""Density in g/mm^3 over that in kg/m^3."""


def speed_of_drop(drop_mm: float) -> float:
    """Speed after a free fall from rest, m/s."""
    return math.sqrt(2.0 * GRAVITY_M_S2 * 1e-3 * drop_mm)


def received_mJ(mass_g: float, speed_m_s: float, tool_g: float,
                sheet_g: float) -> tuple[float, float]:
    """Energy that the sheet receives and energy lost at impact, mJ; their sum is m v^2 / 2.

    Masses of hammer, tool and moving part of the sheet; the last two are at rest before. With
    common speed after the impact the energy kept is the share of the hammer in the whole mass.
    """
    positive("mass_g", mass_g)
    positive("speed_m_s", speed_m_s)
    not_negative("tool_g", tool_g)
    not_negative("sheet_g", sheet_g)
    brought = 0.5 * mass_g * speed_m_s**2  # g (m/s)^2 = mJ
    kept = brought * mass_g / (mass_g + tool_g + sheet_g)
    return kept, brought - kept


def moving_mass_g(model: Model, nodal: Array, factored: Factorisation) -> float:
    """Mass of the sheet that moves with a force, g: that of a point with the same kinetic energy.

    nodal (control points, 3): 1 N in all, spread under the tool; factored: the elastic tangent.
    The velocity is taken as proportional to the static displacement u under this force, and that of
    the tool to u weighted with the force: m = integral of density thickness |u|^2 / (f . u)^2.
    """
    load = model.layout.gather(nodal)
    moved = factored.solve(load)
    u = model.layout.spread(moved)
    points = sheet_points(model.patch, np.arange(model.geometry.elements), 3)
    at = np.einsum("mk,mkc->mc", points.shape, u[model.element_points[points.element]])
    square = float(points.area @ (at**2).sum(axis=1))
    return (model.sheet.density_kg_m3 * G_PER_MM3 * model.thickness_mm * square
            / float(load @ moved) ** 2)
