"""Shell identities and rates: rigid motion, patch tests, scaling, convergence.

Truth: identities of mechanics, and Navier's series for the simply supported square plate
(w = 0.00406235 q a^4 / D: Felippa and Bergan 1986, seen in a public transcription, and
recomputed). EXACT.
"""

from __future__ import annotations

import numpy as np
import pytest

from simkit.material.hardening import Sheet, Voce
from simkit.mechanics.loads import AreaLoad
from simkit.mechanics.model import build_model
from simkit.mechanics.statics import solve_linear, solve_static
from simkit.panel.edges import FREE, HINGED, SIDES, SYMMETRIC, Edge, side_points
from simkit.panel.shapes import cylinder_patch, mapped_patch, sphere_patch

STEEL = Sheet("elastic", 200000.0, 0.3, Voce(1e9, 1e9, 1.0))
LOOSE = dict.fromkeys(SIDES, FREE)


def wavy(u, v):
    """A doubly curved, skewed, unevenly parametrised surface."""
    x = 100 * u + 12 * v + 6 * np.sin(2 * v)
    y = 80 * v + 9 * u * v + 5 * np.cos(2 * u)
    return np.stack([x, y, 15 * np.cos(1.2 * u) * np.cos(v)], axis=1)


def distorted(u, v):
    """A flat quadrilateral with curved parameter lines."""
    x = 100 * u + 14 * np.sin(2.5 * v) * u * (1.2 - u) + 8 * v
    y = 90 * v + 12 * np.sin(3.0 * u) * (v + 0.3)
    return np.stack([x, y, 0 * u], axis=1)


UNEVEN = np.array([0.0, 0.15, 0.4, 0.6, 0.85, 1.0])


def rotation(axis, angle):
    axis = np.asarray(axis, float) / np.linalg.norm(axis)
    k = np.cross(np.eye(3), -axis)
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * k @ k


@pytest.mark.parametrize("degree", [2, 3])
@pytest.mark.parametrize("angle", [0.3, 2.0, np.pi])
def test_rigid_motion_costs_nothing(degree, angle):
    patch = mapped_patch(wavy, UNEVEN, UNEVEN, degree)
    model = build_model(patch, STEEL, 0.8, LOOSE)
    turn = rotation([0.3, -1.0, 0.5], angle)
    moved = patch.control @ turn.T + np.array([30.0, -7.0, 11.0]) - patch.control
    rigid = model.internal(moved, model.virgin(), False)
    # yardstick: stretching by one part in a thousand
    stretched = model.internal(1e-3 * patch.control, model.virgin(), False)
    assert rigid.stored < 1e-18 * stretched.stored
    assert np.abs(rigid.force).max() < 1e-9 * np.abs(stretched.force).max()


@pytest.mark.parametrize("degree", [2, 3])
def test_rotated_frame_gives_rotated_forces(degree):
    patch = mapped_patch(wavy, UNEVEN, UNEVEN, degree)
    model = build_model(patch, STEEL, 0.8, LOOSE)
    generator = np.random.default_rng(2)
    u = generator.normal(0, 0.3, patch.control.shape)
    turn = rotation([1.0, 2.0, -0.7], 1.1)
    plain = model.internal(u, model.virgin(), False)
    turned = model.internal((patch.control + u) @ turn.T - patch.control, model.virgin(), False)
    assert turned.stored == pytest.approx(plain.stored, rel=1e-10)
    assert np.allclose(turned.force, plain.force @ turn.T, atol=1e-9 * np.abs(plain.force).max())


@pytest.mark.parametrize("degree", [2, 3])
def test_patch_test_of_constant_strain(degree):
    """Homogeneous finite deformation, prescribed on the rim, is found inside exactly."""
    patch = mapped_patch(distorted, UNEVEN, UNEVEN, degree)
    edges = dict.fromkeys(SIDES, HINGED)
    model = build_model(patch, STEEL, 0.8, edges)
    gradient = np.array([[0.26, 0.08, 0.0], [-0.06, 0.12, 0.0], [0.0, 0.0, 0.0]])
    exact = patch.control @ gradient.T
    path = np.where(model.layout.equation < 0, exact, 0.0)
    found = solve_static(model, None, [1.0], np.array([[0.5, 0.5]]), path=path)
    assert found.converged
    error = found.state.displacement - exact
    assert np.abs(error).max() < 1e-7 * np.abs(exact).max()
    # energy of the constant strain: H = ln(U), t E / (1 - nu^2) (H11^2 + H22^2 + 2 nu H11 H22) / 2
    # in principal axes, times the area
    stretch = np.linalg.svd(np.eye(2) + gradient[:2, :2])[1]
    h1, h2 = np.log(stretch)
    nu, young = STEEL.nu, STEEL.E_MPa
    density = 0.5 * young / (1 - nu**2) * (h1 * h1 + h2 * h2 + 2 * nu * h1 * h2)
    area = model.geometry.area.sum()
    assert found.stored[-1] == pytest.approx(0.8 * density * area, rel=1e-9)


def bent_inside(patch, degree):
    """Linear answer to w = quadratic prescribed on the two outer rows of control points: found
    and exact deflection at points inside."""
    def w(x, y):
        return 1e-4 * (0.7 * x**2 - 0.4 * y**2 + 0.5 * x * y)

    model = build_model(patch, STEEL, 0.8, LOOSE)
    zero = model.virgin()
    data = model.internal(zero.displacement, zero, True).data
    lay = model.layout
    n = lay.count
    full = np.zeros((n, n))
    rows = np.repeat(np.arange(n), np.diff(lay.indptr))
    full[rows, lay.indices] = data
    full += np.triu(full, 1).T
    w_equations = lay.equation[:, 2]
    stiffness = full[np.ix_(w_equations, w_equations)]
    # control values of w by interpolation at the Greville points
    gu, gv = patch.basis_u.greville(), patch.basis_v.greville()
    uu, vv = (a.ravel() for a in np.meshgrid(gu, gv, indexing="ij"))
    at = patch.evaluation(uu, vv).toarray()
    places = patch.points(uu, vv)
    exact = np.linalg.solve(at, w(places[:, 0], places[:, 1]))
    rim = np.unique(np.concatenate([side_points(patch, s, r) for s in SIDES for r in (0, 1)]))
    inside = np.setdiff1d(np.arange(w_equations.size), rim)
    value = exact.copy()
    value[inside] = np.linalg.solve(stiffness[np.ix_(inside, inside)],
                                    -stiffness[np.ix_(inside, rim)] @ exact[rim])
    u, v = np.random.default_rng(1).uniform(0.2, 0.8, (2, 60))
    points = patch.points(u, v)
    return patch.evaluation(u, v) @ value, w(points[:, 0], points[:, 1])


@pytest.mark.parametrize("degree", [2, 3])
def test_patch_test_of_constant_curvature_on_a_skew_map(degree):
    def skew(u, v):
        return np.stack([100 * u + 35 * v, 80 * v - 10 * u, 0 * u], axis=1)

    found, exact = bent_inside(mapped_patch(skew, UNEVEN, UNEVEN, degree), degree)
    assert np.abs(found - exact).max() < 1e-9 * np.abs(exact).max()


@pytest.mark.parametrize(("degree", "rate"), [(2, 1.8), (3, 2.8)])
def test_constant_curvature_on_a_distorted_map_converges(degree, rate):
    """x^2 of a curved map is no spline, so the patch test holds in the limit. Order: that of
    the slopes prescribed by interpolation on the rim, h^degree (2 and 3)."""
    errors = []
    for n in (10, 20):
        found, exact = bent_inside(mapped_patch(distorted, np.linspace(0, 1, n + 1),
                                                np.linspace(0, 1, n + 1), degree), degree)
        errors.append(np.sqrt(((found - exact) ** 2).mean()) / np.abs(exact).max())
    assert errors[1] < 3e-4
    assert np.log2(errors[0] / errors[1]) > rate


@pytest.mark.parametrize(("degree", "claimed"), [(2, 2.0), (3, 4.0)])
def test_rate_of_the_deflection(degree, claimed):
    """Centre of the simply supported square plate: order 2 (degree - 1), measured."""
    a, t = 100.0, 0.5
    stiffness = STEEL.E_MPa * t**3 / (12 * (1 - STEEL.nu**2))
    errors = []
    for n in (4, 8, 16):
        breaks = np.linspace(0.0, a / 2, n + 1)
        flat = mapped_patch(lambda x, y: np.stack([x, y, 0 * x], axis=1), breaks, breaks, degree)
        model = build_model(flat, STEEL, t, {"left": SYMMETRIC, "bottom": SYMMETRIC,
                                             "right": HINGED, "top": HINGED})
        load = AreaLoad(np.array([0.0, 0.0, 1e-6]))
        w = solve_linear(model, load, np.zeros((1, 2))).displacement[0, 2]
        errors.append(abs(w * stiffness / (1e-6 * a**4) / 0.0040623527 - 1.0))
    rates = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all(np.abs(rates - claimed) < 0.35), (errors, rates)


def test_section_stiffness_scales_with_thickness():
    """Membrane energy rises with t, bending energy with t^3."""
    patch = mapped_patch(distorted, UNEVEN, UNEVEN)
    thin, thick = (build_model(patch, STEEL, t, LOOSE) for t in (0.4, 0.8))
    plane = 1e-4 * patch.control
    bend = np.zeros_like(patch.control)
    bend[:, 2] = 1e-7 * patch.control[:, 0] ** 2
    for field, power in ((plane, 1), (bend, 3)):
        energies = [m.internal(field, m.virgin(), False).stored for m in (thin, thick)]
        assert energies[1] / energies[0] == pytest.approx(2.0**power, rel=1e-4)


def test_tube_and_sphere_under_small_uniform_growth():
    """A radial growth w of a tube costs E' t / 2 (w/R)^2 per area (plus bending, t^2/12R^2 of it);
    a sphere E t / (1 - nu) (w/R)^2."""
    r, w, t = 50.0, 1e-4, 0.5
    young, nu = STEEL.E_MPa, STEEL.nu
    tube = cylinder_patch(r, np.linspace(-0.6, 0.6, 17), np.linspace(0, 40, 5), 3)
    growth = tube.control * np.array([w / r, 0.0, w / r])
    model = build_model(tube, STEEL, t, LOOSE)
    area = model.geometry.area.sum()
    assert area == pytest.approx(1.2 * r * 40.0, rel=1e-6)
    expected = 0.5 * young * t / (1 - nu**2) * (w / r) ** 2 * area
    assert model.internal(growth, model.virgin(), False).stored == pytest.approx(expected, rel=1e-4)
    ball = sphere_patch(r, np.linspace(0.6, 1.5, 13), np.linspace(0, 0.9, 13), 3)
    model = build_model(ball, STEEL, t, LOOSE)
    expected = young * t / (1 - nu) * (w / r) ** 2 * model.geometry.area.sum()
    stored = model.internal(ball.control * w / r, model.virgin(), False).stored
    assert stored == pytest.approx(expected, rel=1e-4)


def test_folds_tighter_than_the_thickness_are_reported():
    patch = mapped_patch(distorted, UNEVEN, UNEVEN)
    model = build_model(patch, STEEL, 0.8, {**LOOSE, "left": Edge((True, True, True))})
    crumpled = np.random.default_rng(0).normal(0.0, 200.0, patch.control.shape)
    assert model.internal(crumpled, model.virgin(), True) is None
