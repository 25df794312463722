"""Elastic-plastic bending of a wide strip: moment, curvature, springback. Exact beam theory.

A perfectly plastic sheet in plane strain (no strain across the strip) is bent by an end moment M.
With E' = E / (1 - nu^2), s0 = 2 sy / sqrt 3, M_y = s0 t^2 / 6, k_y = 2 s0 / (E' t):

    M / M_y = 3/2 (1 - (k_y / k)^2 / 3),     k_left = k - 12 M / (E' t^3),
    R / R_left = 4 x^3 - 3 x + 1,  x = s0 R / (E' t).

In plane strain the whole section yields at the same stress s0 only for nu = 1/2; for smaller nu
yielding is gradual. Therefore nu = 0.4999.
"""

from __future__ import annotations

import numpy as np

from simkit.material.hardening import Sheet, TableLaw
from simkit.mechanics.edge_loads import EdgeMoment
from simkit.mechanics.model import build_model
from simkit.mechanics.statics import solve_static
from simkit.panel.edges import SYMMETRIC, Edge
from simkit.panel.shapes import height_patch
from simkit.solve.nonlinear.newton import NewtonSettings
from simkit.solve.nonlinear.stepping import StepSettings
from simkit.verification.problems.check import Array, Check, Status, Truth

CLASSICAL = "elastic-plastic bending of a wide strip (classical; derived in the module's text)"
SPRINGBACK = "4x^3 - 3x + 1 for elastic, perfectly plastic bending (read on a public tool's page)"


def strip_springback(elements: int = 6, degree: int = 2, layers: int = 25,
                     limit_pct: float = 0.2) -> list[Check]:
    """Strip of t = 1 mm, sy = 200 MPa, bent to M / M_y = 0.9, 1.2, 1.35, 1.44 and released.

    Near the limit moment, small errors of the moment cause large errors of the curvature.
    Therefore the moment is compared at the computed curvature.
    """
    young, nu, t, length = 206000.0, 0.4999, 1.0, 12.0
    plane, s0 = young / (1.0 - nu**2), 2.0 * 200.0 / np.sqrt(3.0)
    first, bent = s0 * t * t / 6.0, 2.0 * s0 / (plane * t)
    steel = Sheet("perfectly plastic", young, nu,
                  TableLaw(np.array([0.0, 1.0]), np.array([200.0, 200.0])))
    patch = height_patch(lambda x, y: 0.0 * x, np.linspace(0.0, length, elements + 1),
                         np.linspace(0.0, 2.0, 3), degree)
    model = build_model(patch, steel, t, {
        "left": Edge((True, True, True), symmetric=True), "bottom": SYMMETRIC,
        "top": SYMMETRIC}, layers=layers)
    along = np.array([[0.0, 1.0], [0.5 * length, 1.0], [length, 1.0]])
    settings = StepSettings(first=0.1, newton=NewtonSettings(iterations=40))
    checks = []
    for share in (0.9, 1.2, 1.35, 1.44):
        result = solve_static(model, EdgeMoment("right", share * first), [1.0, 0.0], along,
                              settings)
        places = result.displacement + patch.points(*along.T)
        loaded, left = (_curvature(p) for p in places) if result.converged else (np.nan, np.nan)
        case = f"strip bent by {share:g} of the first yield moment"
        ratio = loaded / bent
        moment = ratio if ratio < 1.0 else 1.5 * (1.0 - 1.0 / (3.0 * ratio**2))
        x = s0 / (plane * t * loaded)
        back = 4.0 * x**3 - 3.0 * x + 1.0 if ratio > 1.0 else 0.0
        checks += [Check(case, "moment / M_y at the curvature found", moment, share, limit_pct,
                         Truth.EXACT, CLASSICAL, Status.DERIVED),
                   Check(case, "curvature left, 1/mm", loaded - bent * share, left, limit_pct,
                         Truth.EXACT, CLASSICAL, Status.DERIVED, loaded),
                   Check(case, "radius under load / radius left", back, left / loaded, limit_pct,
                         Truth.EXACT, SPRINGBACK, Status.SEEN, 1.0)]
    return checks


def _curvature(places: Array) -> float:
    """Curvature of the circle through three points (3, 3), 1/mm."""
    a, b = places[1] - places[0], places[2] - places[0]
    area = np.linalg.norm(np.cross(a, b))
    # 1/R = 4 area / (product of the sides); the cross product is twice the area.
    sides = np.linalg.norm(a) * np.linalg.norm(b) * np.linalg.norm(b - a)
    return float(2.0 * area / sides)
