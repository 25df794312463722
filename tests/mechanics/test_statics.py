"""Static problems: resultants of loads, linear and stepped answers, paths, books of energy.

Truth: equilibrium (resultants and moments of resultants), closed forms of beams and membranes
stated beside each test.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from simkit.errors import InputError
from simkit.material.hardening import Sheet, TableLaw, Voce
from simkit.mechanics.edge_loads import EdgeMoment, LineLoad
from simkit.mechanics.loads import AreaLoad, Loads, PointLoad, Pressure
from simkit.mechanics.model import build_model
from simkit.mechanics.statics import StaticSystem, solve_linear, solve_static, trace_path
from simkit.panel.edges import FREE, HELD, HINGED, SIDES, SYMMETRIC, side_points
from simkit.panel.shapes import cylinder_patch, height_patch, sphere_patch
from simkit.solve.nonlinear.arc import ArcEnding, ArcSettings
from simkit.solve.nonlinear.newton import Ending
from simkit.solve.nonlinear.stepping import StepSettings

ELASTIC = Sheet("elastic", 200000.0, 0.3, Voce(1e9, 1e9, 1.0))
BEAM = Sheet("beam", 200000.0, 0.0, Voce(1e9, 1e9, 1.0))


def flat(length=40.0, width=10.0, elements=8, degree=2):
    return height_patch(lambda x, y: 0.0 * x, np.linspace(0.0, length, elements + 1),
                        np.linspace(0.0, width, 4), degree)


def nodal(model, load, u=None):
    """Force on every control point at unit factor."""
    force = np.zeros_like(model.patch.control)
    u = np.zeros_like(force) if u is None else u
    load.on(model).add(model, model.patch.control + u, 1.0, force, np.empty(1), False)
    return -force


def test_dead_loads_have_their_resultants():
    model = build_model(flat(), ELASTIC, 0.8, dict.fromkeys(SIDES, FREE))
    q, p = np.array([0.1, -0.2, 0.5]), np.array([3.0, 1.0, -7.0])
    assert nodal(model, AreaLoad(q)).sum(0) == pytest.approx(400.0 * q)
    half = nodal(model, AreaLoad(q, lambda at: (at[:, 0] < 20.0) * 1.0))
    assert half.sum(0) == pytest.approx(200.0 * q)
    assert nodal(model, PointLoad(11.0, 7.0, p)).sum(0) == pytest.approx(p)
    # the force acts where it was put: moment about the origin
    moment = np.cross(model.patch.control, nodal(model, PointLoad(11.0, 7.0, p))).sum(0)
    assert moment == pytest.approx(np.cross([11.0, 7.0, 0.0], p))
    assert nodal(model, LineLoad("top", q)).sum(0) == pytest.approx(40.0 * q)
    both = nodal(model, Loads((AreaLoad(q), LineLoad("left", p))))
    assert both.sum(0) == pytest.approx(400.0 * q + 10.0 * p)


def test_pressure_on_a_closed_surface_of_revolution_follows_it():
    """Pressure on a spherical cap has the resultant p pi a^2 of its rim circle (divergence
    theorem), also after the cap has been turned."""
    patch = sphere_patch(50.0, np.linspace(0.0, 0.9, 9), np.linspace(0.0, 2.0 * np.pi, 25), 3)
    model = build_model(patch, ELASTIC, 0.8, {})
    wanted = 2.0 * np.pi * (50.0 * np.sin(0.9)) ** 2
    force = nodal(model, Pressure(2.0))
    assert np.abs(force.sum(0) - [0.0, 0.0, wanted]).max() < 1e-3 * wanted
    turn = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
    turned = nodal(model, Pressure(2.0), patch.control @ turn.T - patch.control)
    assert turned == pytest.approx(force @ turn.T, abs=1e-9 * wanted)


@pytest.mark.parametrize("side", SIDES)
def test_edge_moment_is_a_couple(side):
    """No resultant force; moment m times the side's length about the side, lifting it towards
    the normal; on a flat sheet."""
    model = build_model(flat(), ELASTIC, 0.8, {})
    force = nodal(model, EdgeMoment(side, 5.0))
    assert np.abs(force.sum(0)).max() < 1e-9
    length = 10.0 if side in ("left", "right") else 40.0
    axis = {"left": (0, 1, 0), "right": (0, -1, 0), "bottom": (-1, 0, 0), "top": (1, 0, 0)}[side]
    moment = np.cross(model.patch.control, force).sum(0)
    assert moment == pytest.approx(5.0 * length * np.array(axis), abs=1e-9)
    # work on a field that lifts the side: m theta l
    lift = {"left": (10.0 - model.patch.control[:, 0]), "right": model.patch.control[:, 0],
            "bottom": 10.0 - model.patch.control[:, 1], "top": model.patch.control[:, 1]}[side]
    assert (force[:, 2] * lift * 1e-3).sum() == pytest.approx(5.0 * length * 1e-3)


def test_unknown_side_is_refused():
    model = build_model(flat(), ELASTIC, 0.8, {})
    with pytest.raises(InputError, match="side 'upper'"):
        LineLoad("upper", np.ones(3)).on(model)


def test_cantilever_by_linear_theory():
    """w = P L^3 / 3 E I at the tip of a beam (nu = 0, KL shell: no shear); energy = P w / 2."""
    model = build_model(flat(degree=3), BEAM, 0.8, {"left": HELD})
    found = solve_linear(model, LineLoad("right", np.array([0.0, 0.0, 1e-3])),
                         np.array([[40.0, 5.0]]))
    w = 1e-2 * 40.0**3 / (3.0 * 200000.0 * 10.0 * 0.8**3 / 12.0)
    assert found.displacement[0, 2] == pytest.approx(w, rel=1e-3)
    assert found.energy == pytest.approx(0.5e-2 * w, rel=1e-3)


def test_a_loose_panel_is_refused():
    model = build_model(flat(), ELASTIC, 0.8, {})
    with pytest.raises(InputError, match="panel"):
        solve_linear(model, AreaLoad(np.ones(3)), np.zeros((1, 2)))


def test_stepped_answer_tends_to_the_linear_one():
    edges = dict.fromkeys(SIDES, HELD)
    model = build_model(flat(20.0, 20.0), ELASTIC, 0.8, edges)
    load, at = AreaLoad(np.array([0.0, 0.0, 1e-4])), np.array([[10.0, 10.0]])
    linear = solve_linear(model, load, at).displacement[0, 2]
    stepped = solve_static(model, load, [1.0, 2.0], at)
    assert stepped.converged
    assert stepped.displacement[:, 0, 2] == pytest.approx([linear, 2 * linear], rel=1e-5)
    assert stepped.stored[1] == pytest.approx(4 * stepped.stored[0], rel=1e-5)


def test_reactions_balance_the_load():
    model = build_model(flat(20.0, 20.0), ELASTIC, 0.8, dict.fromkeys(SIDES, HINGED))
    result = solve_static(model, AreaLoad(np.array([0.0, 0.0, 0.5])), [1.0],
                          np.array([[10.0, 10.0]]))
    rim = np.unique(np.concatenate([side_points(model.patch, s) for s in SIDES]))
    # at held points the internal force is reaction plus the load that fell on them
    total = result.force[rim].sum(0)
    inside = nodal(model, AreaLoad(np.array([0.0, 0.0, 0.5])))
    free = np.setdiff1d(np.arange(inside.shape[0]), rim)
    assert total[2] + inside[free, 2].sum() == pytest.approx(0.0, abs=1e-4 * 200.0)


def test_plastic_work_and_stored_energy_are_the_work_of_the_load():
    """Elastic-plastic plate loaded in small steps: work of the force = stored + plastic, 1 %;
    unloaded, some deflection stays."""
    steel = Sheet("steel", 200000.0, 0.3, TableLaw(np.array([0.0, 0.1]), np.array([150.0, 300.0])))
    model = build_model(flat(40.0, 40.0), steel, 0.8, dict.fromkeys(SIDES, HELD), layers=5)
    at = np.array([[20.0, 20.0]])
    levels = list(np.linspace(0.05, 1.0, 20))
    result = solve_static(model, PointLoad(20.0, 20.0, np.array([0.0, 0.0, -900.0])),
                          [*levels, 0.0], at, StepSettings(first=0.05))
    assert result.converged
    w = -np.append(0.0, result.displacement[:20, 0, 2])
    force = 900.0 * np.append(0.0, levels)
    work = float(np.sum(0.5 * (force[1:] + force[:-1]) * np.diff(w)))
    assert result.plastic_work[19] > 0.2 * work
    assert result.stored[19] + result.plastic_work[19] == pytest.approx(work, rel=0.01)
    assert 0.05 < result.displacement[-1, 0, 2] / result.displacement[19, 0, 2] < 0.95
    assert np.all(np.diff(result.plastic_work) >= -1e-9)
    assert result.state.points.flags.writeable is False


def test_a_path_may_move_held_points_only():
    model = build_model(flat(), ELASTIC, 0.8, {"left": HELD})
    with pytest.raises(InputError, match="prescribed path"):
        solve_static(model, None, [1.0], np.zeros((1, 2)), path=np.ones_like(model.patch.control))


def test_a_failed_walk_keeps_what_was_reached():
    """A perfectly plastic bar in tension has no balance above its yield force sy A."""
    bar = Sheet("bar", 200000.0, 0.3, TableLaw(np.array([0.0, 1.0]), np.array([100.0, 100.0])))
    model = build_model(flat(), bar, 1.0, {"left": HELD})
    load = LineLoad("right", np.array([1.0, 0.0, 0.0]))
    result = solve_static(model, load, [50.0, 90.0, 125.0], np.array([[40.0, 5.0]]),
                          StepSettings(smallest=1e-2))
    assert not result.converged
    assert result.ending is not Ending.CONVERGED
    assert list(result.factors) == [50.0, 90.0]
    assert result.displacement[1, 0, 0] == pytest.approx(90.0 / 200000.0 * 40.0, rel=0.02)


def test_path_control_by_displacement_and_by_arc_agree():
    """Shallow hinged roof through its snap (h = 12.7, coarse): both ways give one curve."""
    patch = cylinder_patch(2540.0, np.linspace(0.0, 0.1, 6), np.linspace(0.0, 254.0, 6), 2)
    sheet = Sheet("roof", 3102.75, 0.3, Voce(1e9, 1e9, 1.0))
    model = build_model(patch, sheet, 12.7, {"left": SYMMETRIC, "bottom": SYMMETRIC,
                                             "right": HINGED, "top": FREE}, layers=2)
    load, at = PointLoad(0.0, 0.0, np.array([0.0, 0.0, -750.0])), np.array([[0.0, 0.0]])
    arc = trace_path(model, load, ArcSettings(0.3, 1e-3, 0.8), at, lambda u, f: f > 1.0)
    assert arc.ending is ArcEnding.STOPPED
    # odd number of negative pivots exactly where the load falls
    falling = np.diff(arc.factors) < 0.0
    odd = np.array([(n or 0) % 2 == 1 for n in arc.negative_pivots])
    agree = (odd[1:-1] == falling[1:]) | (falling[1:] != falling[:-1])
    assert agree.all()
    assert falling.any()
    # no path is found twice: the crown goes down monotonically here
    down = -arc.displacement[:, 0, 2]
    assert np.all(np.diff(down) > 0.0)
    driven = trace_path(model, load, ArcSettings(1.0, 1e-2, 1.0), at,
                        lambda u, f: u[0, 2] < -28.0, control=(0, np.array([0.0, 0.0, -1.0])))
    assert driven.ending is ArcEnding.STOPPED
    common = -driven.displacement[:, 0, 2]
    inside = common < down[-1]
    between = PchipInterpolator(down, arc.factors)(common[inside])
    assert np.abs(driven.factors[inside] - between).max() < 0.003


def test_load_is_minus_the_derivative_of_the_residual():
    model = build_model(flat(20.0, 20.0), ELASTIC, 0.8, {"left": HELD})
    system = StaticSystem(model, model.virgin(), Loads((
        Pressure(0.3), EdgeMoment("right", 4.0))).on(model))
    x = np.random.default_rng(0).normal(0.0, 0.05, model.layout.count)
    low, high = system.evaluate(x, 0.5, False), system.evaluate(x, 1.5, False)
    assert system.load() == pytest.approx(low - high, abs=1e-9)
