"""Small caps that snap, and tools of the tests' own: a ring that goes its way, a dead force."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from simkit.material.grades import load_grade
from simkit.mechanics.contact.engagement import Reading, Withdrawal
from simkit.mechanics.model import build_model
from simkit.mechanics.points import sheet_points
from simkit.panel.edges import HINGED, SYMMETRIC
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.shell.springs import SpringSet

DOWN = np.array([0.0, 0.0, -1.0])


@cache
def quarter_cap(radius_mm=800.0, half_mm=80.0, element_mm=8.0, thickness_mm=0.7):
    """Quarter of a shallow hinged cap on a square plan."""
    side = (0.0, half_mm)
    patch = rectangle_patch(side, side, Curvature(radius_mm, radius_mm), element_mm, element_mm)
    edges = {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": HINGED, "top": HINGED}
    return build_model(patch, load_grade("DC04").sheet(), thickness_mm, edges)


@dataclass(frozen=True)
class Ring:
    """A stiff ring bonded to the sheet that travels along -z."""

    springs: SpringSet
    unknowns: int = 0
    withdrawal = Withdrawal.DRAWN_BACK

    @property
    def direction(self):
        return DOWN

    def add(self, model, x, own, travel, force, data, tangent):
        moved = self.springs.moved(self.springs.rest + travel * DOWN)
        held = moved.add(x, model.element_points, model.layout.places, force, data, tangent)
        opening = moved.rest - moved.places_of(x, model.element_points)
        pull = np.einsum("mrc,mc->mr", moved.stiffness, opening)
        return Reading(float((pull @ DOWN).sum()), own, held_Nmm=held)

    def border(self, model):
        return np.empty((model.layout.count, 0)), np.empty((0, 0))


def ring(model, radius_mm, width_mm=8.0, stiffness_N_per_mm3=20.0):
    points = sheet_points(model.patch, np.arange(model.geometry.elements), 4)
    away = np.hypot(points.place[:, 0], points.place[:, 1])
    points = points.select(np.abs(away - radius_mm) < 0.5 * width_mm)
    along = np.multiply.outer(DOWN, DOWN)
    return Ring(SpringSet(points.element, points.shape,
                          stiffness_N_per_mm3 * points.area[:, None, None] * along,
                          points.place, np.broadcast_to(DOWN, points.place.shape)))


@dataclass(frozen=True)
class DeadPush:
    """A nodal force that grows with the travel: N per unit."""

    nodal: np.ndarray
    unknowns: int = 0
    withdrawal = Withdrawal.FADES

    @property
    def direction(self):
        return DOWN

    def add(self, model, x, own, travel, force, data, tangent):
        force -= travel * self.nodal
        return Reading(travel * float((self.nodal @ DOWN).sum()), own)

    def border(self, model):
        return np.empty((model.layout.count, 0)), np.empty((0, 0))


def disc_points(model, radius_mm):
    """Points of the sheet within a radius in plan."""
    points = sheet_points(model.patch, np.arange(model.geometry.elements), 4)
    return points.select(np.hypot(points.place[:, 0], points.place[:, 1]) < radius_mm)


def dead_push(model, radius_mm):
    """One newton per unit of travel, even over a disc."""
    points = disc_points(model, radius_mm)
    nodal = np.zeros_like(model.patch.control)
    share = points.shape * points.area[:, None] / points.area.sum()
    np.add.at(nodal, model.element_points[points.element], share[:, :, None] * DOWN)
    return DeadPush(nodal)
