"""Plastic collapse of plates in bending: the load at which a rigid, perfectly plastic plate yields.

The theory neglects membrane forces, which simkit always includes. To keep them small, the plate is
very stiff (E / sy = 1e5) and hardly deflects before it collapses. The path is controlled by the
deflection of the centre; the load is unknown and approaches the collapse load p = c M0 / R^2 or
c M0 / L^2 with M0 = sy t^2 / 4.
"""

from __future__ import annotations

import numpy as np

from simkit.material.hardening import Sheet, Voce
from simkit.mechanics.loads import AreaLoad
from simkit.mechanics.model import Model, build_model
from simkit.mechanics.statics import trace_path
from simkit.panel.edges import SYMMETRIC, Edge
from simkit.panel.shapes import height_patch, polar_patch
from simkit.solve.nonlinear.arc import ArcEnding, ArcSettings
from simkit.verification.problems.check import Check, Status, Truth

YIELD_MPA, THICKNESS, SIZE = 20.0, 10.0, 100.0
STIFF = Sheet("nearly perfectly plastic", 2.0e6, 0.3, Voce(YIELD_MPA, YIELD_MPA, 1.0, 20.0))
"""Hardens by 20 MPa over a strain of 1, 0.1 % at the strains reached, so that the tangent is not
singular."""
LAYERS = 40
"""The stress of a perfectly plastic section jumps at mid-thickness: 40 Gauss layers give M0 within
0.1 %."""
MOMENT = 0.25 * YIELD_MPA * THICKNESS**2
SLIDING = {False: Edge((False, False, True)), True: Edge((False, False, True), rotation_held=True)}
"""Edges that slide freely in the plane, by whether they are clamped: False is hinged."""
HOPKINS = ("von Mises plate, Hopkins and Wang 1954 (6.51 and 12.5 from memory); own solution of "
           "its ordinary differential equation")
SQUARE = "Hodge and Belytschko 1968 (existence seen); own upper bound by conic programming"


def collapse(elements: int = 12, limit_pct: float = 1.0) -> list[Check]:
    """Circular plates, hinged and clamped, and the hinged square under uniform load."""
    scale = SIZE**2 / MOMENT
    checks = [Check(f"{name} circular plate", "collapse load, M0 / R^2", wanted,
                    plateau(_circle(held, elements), far) * scale, limit_pct, Truth.OWN, HOPKINS,
                    Status.RECOMPUTED)
              for name, held, far, wanted in (
                  ("hinged", False, 0.2, 6.516), ("clamped", True, 0.06, 12.552))]
    return [*checks, Check("hinged square plate", "collapse load, M0 / L^2", 25.02,
                           plateau(_square(elements), 0.2) * 4.0 * scale, limit_pct, Truth.OWN,
                           SQUARE, Status.RECOMPUTED)]


def plateau(model: Model, far: float) -> float:
    """Load per area at the deflection ``far`` (mm), where it is constant, MPa; NaN if this
    deflection is not reached."""
    # With this unit of load the load factors are of the order of the collapse coefficients.
    load = AreaLoad(np.array([0.0, 0.0, MOMENT / SIZE**2]))
    # The plateau is flat: the deflection controls the path, since a load could not exceed it.
    settings = ArcSettings(first=far / 300, smallest=far / 30000, largest=far / 25, steps=600,
                           iterations=25, wanted=8, force_tolerance=1e-6)
    path = trace_path(model, load, settings, np.zeros((1, 2)),
                      lambda moved, factor: bool(moved[0, 2] > far),
                      control=(0, np.array([0.0, 0.0, 1.0])))
    if path.ending is not ArcEnding.STOPPED:
        return float("nan")
    return float(path.factors[-1]) * MOMENT / SIZE**2


def _circle(held: bool, elements: int) -> Model:
    # a plastic hinge line forms at a clamped edge: elements become smaller towards it
    radii = SIZE * (1.0 - np.linspace(1.0, 0.0, elements + 1) ** 2.5)
    patch = polar_patch(radii, np.linspace(0.0, np.pi / 2, 4))
    return build_model(patch, STIFF, THICKNESS, {
        "left": Edge((True, True, False), pole=True), "right": SLIDING[held],
        "bottom": SYMMETRIC, "top": SYMMETRIC}, layers=LAYERS)


def _square(elements: int) -> Model:
    breaks = np.linspace(0.0, SIZE, elements + 1)
    patch = height_patch(lambda x, y: 0.0 * x, breaks, breaks)
    return build_model(patch, STIFF, THICKNESS, {
        "left": SYMMETRIC, "bottom": SYMMETRIC, "right": SLIDING[False], "top": SLIDING[False]},
        layers=LAYERS)
