"""A state carried to a finer mesh.

Truth: EXACT. A spline on larger elements is a spline on parts of them; a linear field between the
Gauss points is carried exactly; on the same mesh nothing changes. Convergence: what a finer mesh
changes falls as the first one is made finer.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.inspection.sampling import point_on, probe_at
from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import Model, State, build_model
from simkit.mechanics.refining import carried, refined
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import EDGES
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.spline.basis import joined_breaks
from simkit.tool.bodies import ball

EDGES_HELD = dict.fromkeys(("left", "right", "bottom", "top"), EDGES["held"])
AT = (7.0, -4.0)


def panel(size_mm: float, layers: int = 3, degree: int = 2) -> Model:
    patch = rectangle_patch((-60.0, 60.0), (-50.0, 50.0), Curvature(600.0, 900.0), size_mm, size_mm,
                            degree)
    return build_model(patch, load_grade("DC04").sheet(), 0.8, EDGES_HELD, layers)


def pushed(model: Model) -> State:
    """The panel after a ball was pushed in by 3 mm beside its middle, released."""
    return driven(model, model.virgin(), 20.0, -1.0, 3.0)


def driven(model: Model, state: State, radius_mm: float, way: float, travel_mm: float) -> State:
    """The panel after a ball was driven inward (-1) or outward (+1), released."""
    place, normal = point_on(model, state, *AT)
    tip = set_tip(model, state, ball(radius_mm), place, way * normal, travel_mm)
    done = advance(model, state, Load(tip, travel_mm), AdvanceSettings())
    assert done.outcome.valid
    return done.state


@pytest.fixture(scope="module")
def dented() -> tuple[Model, State]:
    model = panel(10.0)
    return model, pushed(model)


def test_on_the_same_mesh_nothing_changes(dented: tuple[Model, State]) -> None:
    model, state = dented
    done = refined(model, state, panel(10.0))
    assert done.converged
    assert done.moved_mm < 1e-4
    assert done.after_Nmm == pytest.approx(done.before_Nmm, rel=1e-4)
    np.testing.assert_allclose(done.state.points, state.points, rtol=1e-3, atol=1e-5)


@pytest.mark.parametrize("degree", [2, 3])
def test_displacements_are_carried_exactly(degree: int) -> None:
    coarse, fine = panel(20.0, degree=degree), panel(5.0, degree=degree)
    rng = np.random.default_rng(4)
    moved = rng.normal(size=coarse.patch.control.shape)
    state = replace(coarse.virgin(), displacement=moved)
    there = carried(coarse, state, fine)
    u, v = rng.uniform(-60.0, 60.0, 50), rng.uniform(-50.0, 50.0, 50)
    np.testing.assert_allclose(fine.patch.evaluation(u, v) @ there.displacement,
                               coarse.patch.evaluation(u, v) @ moved, atol=1e-10)


def test_a_linear_field_of_the_layers_is_carried_exactly_inside_an_element() -> None:
    coarse, fine = panel(20.0), panel(20.0 / 3.0)
    virgin = coarse.virgin()
    points = virgin.points.copy()
    points[...] = (0.3 * coarse.geometry.place[..., 0] - 0.2 * coarse.geometry.place[..., 1]
                   )[:, :, None, None]
    there = carried(coarse, replace(virgin, points=points), fine)
    expected = 0.3 * fine.geometry.place[..., 0] - 0.2 * fine.geometry.place[..., 1]
    # between the parent's Gauss points exactly; beyond them the nearest value of the parent
    assert np.abs(there.points - expected[:, :, None, None]).max() < 0.3 * 4.3 + 0.2 * 4.3
    middle = np.abs(there.points[..., 0, 0] - expected) < 1e-9
    assert 0.1 < middle.mean() < 0.9


def test_no_plastic_strain_appears_where_there_was_none(dented: tuple[Model, State]) -> None:
    model, state = dented
    there = carried(model, state, panel(5.0))
    assert there.points[..., 3].min() >= 0.0
    assert there.points[..., 3].max() <= state.points[..., 3].max() + 1e-15


def test_the_finer_mesh_changes_less_the_finer_the_first_was(
        dented: tuple[Model, State]) -> None:
    first = refined(*dented, panel(5.0))
    model = panel(5.0)
    second = refined(model, pushed(model), panel(2.5))
    assert first.converged
    assert second.converged
    gained = [(one.carried_Nmm - one.before_Nmm) / one.before_Nmm for one in (first, second)]
    assert 0.0 < gained[1] < 0.6 * gained[0] < 0.05
    assert second.moved_mm < first.moved_mm < 0.03
    # equilibrium is where the energy is least, and little of it is spent on the way
    assert first.after_Nmm < first.carried_Nmm
    assert (first.plastic_after_Nmm - first.plastic_before_Nmm
            < 0.02 * first.plastic_before_Nmm)


def test_the_next_push_is_that_of_the_finer_mesh(dented: tuple[Model, State]) -> None:
    model, state = dented
    fine = panel(5.0)
    probe = probe_at(fine, *AT)
    left = []
    for begin in (refined(model, state, fine).state, pushed(fine)):
        end = driven(fine, begin, 12.0, 1.0, 2.0)
        left.append(probe.read(end.displacement) - probe.read(begin.displacement))
    assert left[0] == pytest.approx(left[1], rel=0.1)


def test_meshes_that_do_not_fit_are_refused(dented: tuple[Model, State]) -> None:
    model, state = dented
    with pytest.raises(InputError, match="crosses a border"):
        refined(model, state, panel(7.0))
    with pytest.raises(InputError, match="another degree or number of layers"):
        refined(model, state, panel(5.0, layers=5))
    with pytest.raises(InputError, match="another degree"):
        refined(model, state, panel(5.0, degree=3))


def test_elements_are_joined_up_to_a_size() -> None:
    breaks = np.array([0.0, 4.0, 8.0, 12.0, 16.0, 20.0, 30.0, 31.0])
    np.testing.assert_array_equal(joined_breaks(breaks, 8.0), [0, 8, 16, 20, 30, 31])
    np.testing.assert_array_equal(joined_breaks(breaks, 8.0, [(9.0, 11.0, 4.0)]),
                                  [0, 8, 12, 20, 30, 31])
    np.testing.assert_array_equal(joined_breaks(breaks, 1.0), breaks)
    np.testing.assert_array_equal(joined_breaks(breaks, 100.0), [0, 31])
