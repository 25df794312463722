"""Identities that hold exactly or with a known rate: rigid motion, patch test, convergence."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from simkit.mechanics.loads import AreaLoad
from simkit.mechanics.model import build_model
from simkit.mechanics.statics import solve_linear, solve_static
from simkit.panel.edges import FREE, HINGED, SIDES, SYMMETRIC
from simkit.panel.shapes import mapped_patch
from simkit.verification.problems.check import Array, Check, Status, Truth, elastic_sheet, stiffness

E_MPA, NU, THICKNESS = 200000.0, 0.3, 0.8
UNEVEN = np.array([0.0, 0.15, 0.4, 0.6, 0.85, 1.0])
IDENTITY = "identity of mechanics"
NAVIER = 0.00406235266
"""Centre deflection of the hinged square plate in q a^4 / D: our sum of Navier's series."""


def wavy(u: Array, v: Array) -> Array:
    """A doubly curved, skewed, unevenly parametrised surface, mm."""
    x = 100 * u + 12 * v + 6 * np.sin(2 * v)
    y = 80 * v + 9 * u * v + 5 * np.cos(2 * u)
    return np.stack([x, y, 15 * np.cos(1.2 * u) * np.cos(v)], axis=1)


def distorted(u: Array, v: Array) -> Array:
    """A flat quadrilateral with curved parameter lines, mm."""
    x = 100 * u + 14 * np.sin(2.5 * v) * u * (1.2 - u) + 8 * v
    y = 90 * v + 12 * np.sin(3.0 * u) * (v + 0.3)
    return np.stack([x, y, 0 * u], axis=1)


def rigid_rotation() -> list[Check]:
    """A large rigid rotation of a wavy panel gives no strain energy. The error is divided by the
    energy of a uniform stretch of 0.1 %."""
    checks = []
    for degree in (2, 3):
        patch = mapped_patch(wavy, UNEVEN, UNEVEN, degree)
        model = build_model(patch, elastic_sheet("elastic", E_MPA, NU), THICKNESS,
                            dict.fromkeys(SIDES, FREE))
        stretched = model.internal(1e-3 * patch.control, model.virgin(), False)
        assert stretched is not None
        for degrees in (17.0, 115.0, 180.0):
            axis = np.array([0.3, -1.0, 0.5])
            turn = Rotation.from_rotvec(np.radians(degrees) * axis / np.linalg.norm(axis))
            moved = turn.apply(patch.control)
            rigid = model.internal(moved - patch.control, model.virgin(), False)
            assert rigid is not None
            checks.append(Check(
                f"turned by {degrees:g} degrees, degree {degree}", "strain energy / yardstick",
                0.0, rigid.stored / stretched.stored, 1e-10, Truth.EXACT, IDENTITY,
                Status.DERIVED, 1.0))
    return checks


def patch_test() -> list[Check]:
    """Displacements of a homogeneous finite strain are prescribed on the edges of a distorted mesh;
    the solution inside must have the same strain.

    Energy density t E / (1 - nu^2) (H11^2 + H22^2 + 2 nu H11 H22) / 2 with H = ln U.
    """
    gradient = np.array([[0.26, 0.08, 0.0], [-0.06, 0.12, 0.0], [0.0, 0.0, 0.0]])
    checks = []
    for degree in (2, 3):
        patch = mapped_patch(distorted, UNEVEN, UNEVEN, degree)
        model = build_model(patch, elastic_sheet("elastic", E_MPA, NU), THICKNESS,
                            dict.fromkeys(SIDES, HINGED))
        exact = patch.control @ gradient.T
        path = np.where(model.layout.equation < 0, exact, 0.0)
        found = solve_static(model, None, [1.0], np.array([[0.5, 0.5]]), path=path)
        error = np.abs(found.state.displacement - exact).max()
        h1, h2 = np.log(np.linalg.svd(np.eye(2) + gradient[:2, :2])[1])
        density = 0.5 * THICKNESS * E_MPA / (1 - NU**2) * (h1 * h1 + h2 * h2 + 2 * NU * h1 * h2)
        area = float(model.geometry.area.sum())
        name = f"constant strain, degree {degree}"
        checks += [
            Check(name, "largest error of displacement, mm", 0.0, float(error), 1e-5, Truth.EXACT,
                  IDENTITY, Status.DERIVED, float(np.abs(exact).max())),
            Check(name, "strain energy, N mm", density * area, float(found.stored[-1]), 1e-6,
                  Truth.EXACT, IDENTITY, Status.DERIVED)]
    return checks


def rates() -> list[Check]:
    """Hinged square plate: deflection converges with order 2 (degree - 1), meshes 4 to 16."""
    checks = []
    for degree, declared in ((2, 2.0), (3, 4.0)):
        errors = [abs(_navier(n, degree) / NAVIER - 1.0) for n in (4, 8, 16)]
        rate = 0.5 * float(np.log2(errors[0] / errors[-1]))
        checks.append(Check(
            f"hinged square plate, degree {degree}", "order of the deflection", declared, rate,
            10.0, Truth.EXACT, "2 (degree - 1): Strang and Fix 1973, from memory", Status.MEMORY))
    return checks


def _navier(elements: int, degree: int) -> float:
    side, t, load = 100.0, 0.5, 1e-6
    breaks = np.linspace(0.0, side / 2, elements + 1)
    flat = mapped_patch(lambda x, y: np.stack([x, y, 0 * x], axis=1), breaks, breaks, degree)
    model = build_model(flat, elastic_sheet("elastic", E_MPA, NU), t, {
        "left": SYMMETRIC, "bottom": SYMMETRIC, "right": HINGED, "top": HINGED})
    moved = solve_linear(model, AreaLoad(np.array([0.0, 0.0, load])), np.zeros((1, 2)))
    return float(moved.displacement[0, 2]) * stiffness(E_MPA, NU, t) / (load * side**4)
