"""A surface that closes on itself: no seam in the geometry, none in the answer.

Truth: EXACT. A long thin cylinder under pressure between fixed ends (Timoshenko and
Woinowsky-Krieger, Theory of Plates and Shells, chapter 15; MEMORY): with
beta^4 = 3 (1 - nu^2) / (R t)^2,

    w = R (p R - nu N) / (E t) (1 - exp(-beta y) (cos beta y + sin beta y)),

y from either end, and the axial force N per length such that the ends do not come together.
"""

from __future__ import annotations

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.material.hardening import Sheet, Swift
from simkit.mechanics.loads import Pressure
from simkit.mechanics.model import build_model
from simkit.mechanics.statics import solve_linear
from simkit.panel.edges import HELD
from simkit.panel.shapes import closed_cylinder_patch
from simkit.spline.basis import Basis, graded_breaks

STEEL = Sheet("steel", 206000.0, 0.3, Swift(500.0, 0.005, 0.2))
RADIUS, THICKNESS, HALF, PRESSURE = 100.0, 1.0, 80.0, 0.1


def breaks():
    """Small elements at both ends, where the sheet bends over 1 / beta = 7.8 mm."""
    low = graded_breaks(-HALF, 0.0, -HALF, -HALF + 25.0, 1.6, 6.0)
    return np.concatenate([low, -low[-2::-1]])


@pytest.fixture(scope="module")
def model():
    return build_model(closed_cylinder_patch(RADIUS, 32, breaks()), STEEL, THICKNESS,
                       {"bottom": HELD, "top": HELD}, 3)


def test_no_seam_in_the_geometry(model):
    patch = model.patch
    angle, y = np.linspace(0.0, 2.0 * np.pi, 97), np.full(97, 3.0)
    radius = np.hypot(*patch.points(angle, y)[:, [0, 2]].T)
    assert np.abs(radius - RADIUS).max() < 1e-3 * RADIUS  # h^3 of a quadratic, 32 around
    ends = np.array([0.0, 2.0 * np.pi])
    for order in ((0, 0), (1, 0), (0, 1)):
        rows = patch.evaluation(ends, y[:2], *order) @ patch.control
        assert np.allclose(rows[0], rows[1], atol=1e-12 * RADIUS)
    area = model.geometry.area.sum()
    assert area == pytest.approx(2.0 * np.pi * RADIUS * 2.0 * HALF, rel=2e-3)


def closed_form(y):
    """Radial displacement, mm, at places y from the middle."""
    E, nu = STEEL.E_MPa, STEEL.nu
    beta = (3.0 * (1.0 - nu**2)) ** 0.25 / np.sqrt(RADIUS * THICKNESS)
    mean = 1.0 - 1.0 / (beta * HALF)  # of the bracket over the half length
    share = nu**2 / (1.0 - nu**2) * mean
    axial = PRESSURE * RADIUS * share / (nu * (1.0 + share))
    free = RADIUS * (PRESSURE * RADIUS - nu * axial) / (E * THICKNESS)
    s = beta * (HALF - np.abs(y))
    return free * (1.0 - np.exp(-s) * (np.cos(s) + np.sin(s)))


def test_a_cylinder_under_pressure_bends_at_its_ends(model):
    y = np.concatenate([np.linspace(0.0, HALF, 41), np.linspace(-HALF, 0.0, 11)])
    angle = np.linspace(0.0, 2.0 * np.pi, y.size)
    probes = np.stack([angle, y], axis=1)
    moved = solve_linear(model, Pressure(PRESSURE), probes).displacement
    radial = moved[:, 0] * np.sin(angle) + moved[:, 2] * np.cos(angle)
    wanted = closed_form(y)
    # thin shell theory leaves out t / R = 1 %; the mesh at the ends adds less
    assert np.abs(radial - wanted).max() < 0.01 * wanted.max()
    around = moved[:, 0] * np.cos(angle) - moved[:, 2] * np.sin(angle)
    assert np.abs(around).max() < 1e-3 * wanted.max()


def test_turned_by_an_element_the_answer_is_the_same(model):
    angles = np.array([0.1, 0.1 + 2.0 * np.pi * 29 / 32])
    probes = np.stack([angles, np.full(2, 70.0)], axis=1)
    moved = solve_linear(model, Pressure(PRESSURE), probes).displacement
    radial = moved[:, 0] * np.sin(angles) + moved[:, 2] * np.cos(angles)
    assert radial[1] == pytest.approx(radial[0], rel=1e-9)


@pytest.mark.parametrize("degree", [2, 3])
def test_a_closed_basis_reproduces_periodic_splines(degree):
    basis = Basis.closed_from_breaks(np.array([0.0, 1.0, 2.5, 3.0, 4.5, 6.0]), degree)
    rng = np.random.default_rng(3)
    own = rng.standard_normal((basis.elements, 2))
    control = np.concatenate([own, own[:degree]])
    ends = basis.collocation(np.array([0.0, 6.0]), 1) @ control
    assert np.allclose(ends[0], ends[1])
    at = basis.greville()
    values = basis.collocation(at % 6.0) @ control
    assert np.allclose(basis.interpolating(values), control)


def test_bad_calls():
    with pytest.raises(InputError, match="elements around"):
        Basis.closed_from_breaks(np.array([0.0, 1.0, 2.0]), 2)
    with pytest.raises(InputError, match="elements"):
        closed_cylinder_patch(RADIUS, 2, breaks())
    with pytest.raises(InputError, match="closed there"):
        build_model(closed_cylinder_patch(RADIUS, 8, breaks()), STEEL, 1.0, {"left": HELD})
