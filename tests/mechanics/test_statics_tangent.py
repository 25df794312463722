"""Tangents against finite differences of residuals, 1e-6 relative. Truth: identity."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.material.criterion import yld2000
from simkit.material.hardening import Backstress, Sheet, Swift
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.edge_loads import EdgeMoment
from simkit.mechanics.loads import Pressure
from simkit.mechanics.model import State, build_model
from simkit.mechanics.statics import StaticSystem
from simkit.mechanics.stepping.system import SheetSystem
from simkit.panel.edges import FREE, HELD, HINGED, SIDES, SYMMETRIC, Edge
from simkit.panel.shapes import mapped_patch
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.solve.nonlinear.newton import NewtonSettings, newton
from simkit.tool.bodies import RigidBody

SWIFT = Sheet("swift", 206000.0, 0.3, Swift(560.0, 0.006, 0.24))
RECOVERING = Sheet("recovering", 206000.0, 0.3, Swift(480.0, 0.006, 0.24),
                   backstress=(Backstress(6000.0, 120.0),))
ROLLED = Sheet("rolled", 206000.0, 0.3, Swift(480.0, 0.006, 0.24), (Backstress(6000.0, 120.0),),
               criterion=yld2000([0.9, 1.05, 0.9, 1.0, 1.02, 0.95, 0.93, 1.2]), rolling_rad=0.5)


def stiffness(layout, data):
    """Dense symmetric matrix of the compressed upper triangle."""
    full = np.zeros((layout.count, layout.count))
    full[np.repeat(np.arange(layout.count), np.diff(layout.indptr)), layout.indices] = data
    return full + np.triu(full, 1).T


def differences(residual, x, step):
    """Full matrix of central differences."""
    columns = []
    for i in range(x.size):
        shift = np.zeros_like(x)
        shift[i] = step
        columns.append((residual(x + shift) - residual(x - shift)) / (2 * step))
    return np.array(columns).T


def dented(sheet, degree, travel_mm):
    """A shallow panel with a ball pressed in step by step until it flows; the last system."""
    patch = rectangle_patch((-30.0, 30.0), (-24.0, 24.0), Curvature(300.0, 500.0), 8.0, 8.0,
                            degree)
    edges = {"left": HELD, "right": HINGED, "bottom": FREE,
             "top": Edge((True, True, True), rotation_N=400.0)}
    model = build_model(patch, sheet, 0.8, edges)
    state, x = model.virgin(), np.zeros(model.layout.count)
    tip = set_tip(model, state, RigidBody("point", 12.7), np.array([3.0, 2.0, 0.0]),
                  np.array([0.1, 0.0, -1.0]), travel_mm)
    last = x
    for travel in np.linspace(0.0, travel_mm, 31)[1:]:
        system = SheetSystem(model, state, tip, travel)
        result = newton(system, 2.0 * x - last, NewtonSettings(iterations=40))
        assert result.converged
        begin, last, x = state, x, result.x
        state = State(model.layout.spread(x), system.internal.points)
    return SheetSystem(model, begin, tip, travel_mm), x, state


@pytest.mark.parametrize(("sheet", "degree"),
                         [(SWIFT, 2), (SWIFT, 3), (RECOVERING, 2), (ROLLED, 2)],
                         ids=["swift-2", "swift-3", "backstress-2", "rolled-2"])
def test_whole_tangent_with_plasticity_and_contact(sheet, degree):
    system, x, _state = dented(sheet, degree, 3.0)
    # a little off balance, so that no symmetry of the solution helps
    x = x + np.random.default_rng(4).normal(0.0, 2e-5, x.size)
    system.evaluate(x, True)
    flowing = system.internal.points[..., 3] > system.state.points[..., 3]
    assert flowing.sum() > 50
    assert system.reading.force_N > 100.0
    assert system.reading.penetration_mm > 0.0
    ours = stiffness(system.model.layout, system.tangent(renew=True))
    # so small a step that no layer point begins to yield or stops yielding within it
    numeric = differences(lambda at: system.evaluate(at, False), x, 5e-8)
    if sheet.backstress:
        # recovery makes the exact tangent unsymmetric; ours is its symmetric part
        assert np.linalg.norm(numeric - numeric.T) > 1e-6 * np.linalg.norm(ours)
        numeric = 0.5 * (numeric + numeric.T)
    assert np.linalg.norm(ours - numeric) < 1e-6 * np.linalg.norm(ours)


def loaded(load, edges):
    """A bent elastic square away from its reference, under a load factor."""
    def map_(u, v):
        return np.stack([20 * u + 2 * v, 18 * v, 2 * u * u - v * v], axis=1)

    breaks = np.array([0.0, 0.3, 0.7, 1.0])
    patch = mapped_patch(map_, breaks, breaks)
    # enough points to integrate the pressure of a biquadratic surface exactly
    model = build_model(patch, SWIFT, 0.5, edges, gauss=4)
    system = StaticSystem(model, model.virgin(), load.on(model))
    return system, np.random.default_rng(8).normal(0.0, 0.02, model.layout.count)


@pytest.mark.parametrize("free", [None, "left", "top"])
def test_pressure_tangent(free):
    """Exact within a held rim (the load has a potential there), symmetric part otherwise."""
    edges = {side: FREE if side == free else HINGED for side in SIDES}
    system, x = loaded(Pressure(50.0), edges)
    system.evaluate(x, 1.0, True)
    ours = stiffness(system.model.layout, system.internal.data)
    numeric = differences(lambda at: system.evaluate(at, 1.0, False), x, 1e-6)
    symmetric = 0.5 * (numeric + numeric.T)
    assert np.linalg.norm(ours - symmetric) < 1e-6 * np.linalg.norm(ours)
    if free is None:
        assert np.linalg.norm(ours - numeric) < 1e-6 * np.linalg.norm(ours)
    # the load's own part counts: without it the match is gone
    bare, _ = loaded(Pressure(0.0), edges)
    bare.evaluate(x, 1.0, True)
    without = stiffness(bare.model.layout, bare.internal.data)
    assert np.linalg.norm(without - symmetric) > 1e-4 * np.linalg.norm(ours)


@pytest.mark.parametrize("side", SIDES)
def test_edge_moment_tangent_and_load(side):
    other = {"left": "right", "right": "left", "bottom": "top", "top": "bottom"}[side]
    edges = {**dict.fromkeys(SIDES, FREE), other: HELD}
    system, x = loaded(EdgeMoment(side, 3e4), edges)
    system.evaluate(x, 1.0, True)
    ours = stiffness(system.model.layout, system.internal.data)
    numeric = differences(lambda at: system.evaluate(at, 1.0, False), x, 1e-6)
    symmetric = 0.5 * (numeric + numeric.T)
    assert np.linalg.norm(ours - symmetric) < 1e-6 * np.linalg.norm(ours)
    load = system.load()
    numeric_load = system.evaluate(x, 0.5, False) - system.evaluate(x, 1.5, False)
    assert np.allclose(load, numeric_load, atol=1e-9 * np.abs(load).max())


def test_symmetric_edge_shares_its_equations():
    """Half a panel with a symmetric edge has the tangent of the folded whole (finite difference
    of its own residual, merged equations included)."""
    patch = rectangle_patch((0.0, 20.0), (0.0, 16.0), Curvature(200.0, 300.0), 5.0, 5.0)
    model = build_model(patch, SWIFT, 0.7, {"left": SYMMETRIC, "bottom": SYMMETRIC,
                                            "right": HELD, "top": FREE})
    system = StaticSystem(model, model.virgin(), Pressure(2.0).on(model))
    x = np.random.default_rng(8).normal(0.0, 0.01, model.layout.count)
    system.evaluate(x, 1.0, True)
    ours = stiffness(model.layout, system.internal.data)
    numeric = differences(lambda at: system.evaluate(at, 1.0, False), x, 1e-7)
    numeric = 0.5 * (numeric + numeric.T)
    assert np.linalg.norm(ours - numeric) < 1e-6 * np.linalg.norm(ours)


@pytest.mark.parametrize("degree", [2, 3])
@pytest.mark.parametrize("sheet", [SWIFT, Sheet("elastic", 2e5, 0.3, Swift(1e9, 0.5, 0.1))],
                         ids=["plastic", "elastic"])
def test_tangent_of_a_strongly_bent_thick_sheet(sheet, degree):
    """Rolled to a radius of four thicknesses, so that every term of moment times curvature
    weighs in the tangent."""
    breaks = np.array([0.0, 0.3, 0.7, 1.0])

    def roll(u, v):
        turn = 2.5 * u
        return np.stack([4.0 * np.sin(turn), 6.0 * v, 4.0 - 4.0 * np.cos(turn) + v * v], axis=1)

    patch = mapped_patch(lambda u, v: np.stack([10 * u, 6 * v + u, 0 * u], axis=1), breaks,
                         breaks, degree)
    rolled = mapped_patch(roll, breaks, breaks, degree)
    model = build_model(patch, sheet, 1.0, {})
    system = StaticSystem(model, model.virgin(), None)
    x = model.layout.gather(rolled.control - patch.control)
    x = x + np.random.default_rng(3).normal(0.0, 0.01, x.size)
    system.evaluate(x, 1.0, True)
    ours = stiffness(model.layout, system.internal.data)
    numeric = differences(lambda at: system.evaluate(at, 1.0, False), x, 2e-7)
    assert np.linalg.norm(ours - numeric) < 1e-6 * np.linalg.norm(ours)
