"""The bundles of elements give what the full kernel gives.

Truth: the full kernel, whose tangent, patch tests and rates are checked in tests/shell and in
test_statics_tangent. OTHER (own, independent of the bundles).
"""

from __future__ import annotations

import numpy as np
import pytest

from simkit.equilibrium.model import State, build_model
from simkit.panel.edges import FREE, HELD, SIDES, SYMMETRIC
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.sheet.hardening import (
    Backstress,
    Sheet,
    Swift,
    TableLaw,
    Voce,
    split_isotropic,
)

STEEL = Sheet("steel", 206000.0, 0.3, Swift(500.0, 0.005, 0.2))
RECOVERING = Sheet("recovering", 206000.0, 0.3, Swift(450.0, 0.005, 0.2),
                   (Backstress(8000.0, 90.0),))
SATURATING = Sheet("saturating", 70000.0, 0.33, Voce(120.0, 250.0, 12.0, 30.0),
                   (Backstress(9000.0, 200.0), Backstress(900.0, 15.0)))
SHARE = split_isotropic(Swift(500.0, 0.002, 0.2), (Backstress(1600.0, 40.0),))
TABLED = Sheet("tabled", 206000.0, 0.3, SHARE, (Backstress(1600.0, 40.0),))
LEVEL = Sheet("level after a little", 206000.0, 0.3, TableLaw((0.0, 0.001, 0.004),
                                                             (150.0, 160.0, 170.0)))
LAWS = [STEEL, RECOVERING, SATURATING, TABLED, LEVEL]
"""Every kind of law, none to two backstress terms, strains within a table and beyond it."""


def panel(sheet, threads=1, elements=(21, 9), edges=None):
    """A curved panel whose rows do not fill the bundles."""
    nu, nv = elements
    patch = rectangle_patch((-5.0 * nu, 5.0 * nu), (-4.0 * nv, 4.0 * nv), Curvature(900.0, 400.0),
                            10.0, 8.0)
    return build_model(patch, sheet, 0.8, edges or dict.fromkeys(SIDES, HELD), threads=threads)


def bent(model, deep_mm, at=(12.0, -6.0)):
    """A smooth bowl."""
    x, y = model.patch.control[:, 0] - at[0], model.patch.control[:, 1] - at[1]
    field = np.zeros_like(model.patch.control)
    field[:, 2] = -deep_mm * np.exp(-(x * x + y * y) / 400.0)
    return field


def full(model, displacement, state):
    """By the full kernel: it forms tangents, so everything goes through it."""
    return model.internal(displacement, state, True)


@pytest.mark.parametrize("sheet", LAWS, ids=lambda sheet: sheet.name)
@pytest.mark.parametrize("threads", [1, 2])
def test_side_by_side_equals_one_by_one(sheet, threads):
    model = panel(sheet, threads)
    begin = full(model, bent(model, 2.5), model.virgin())
    state = State(bent(model, 2.5), begin.points.copy())
    for deep in (2.45, 2.9, 1.0):
        quick = model.internal(bent(model, deep), state, False)
        slow = full(model, bent(model, deep), state)
        share = quick.flowing.size / model.geometry.elements
        assert 0.0 <= share < 0.9
        assert np.abs(quick.force - slow.force).max() < 1e-9 * np.abs(slow.force).max()
        assert quick.stored == pytest.approx(slow.stored, rel=1e-11)
        assert quick.plastic_work == pytest.approx(slow.plastic_work, rel=1e-11)
        assert np.abs(quick.points - slow.points).max() < 1e-9 * np.abs(slow.points).max()


def test_some_elements_flow_and_some_do_not():
    model = panel(STEEL)
    quick = model.internal(bent(model, 2.5), model.virgin(), False)
    assert 10 < quick.flowing.size < 0.7 * model.geometry.elements


SHARED = {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": HELD, "top": FREE}
"""Symmetric sides merge equations, so some element entries fall on a diagonal twice."""


@pytest.mark.parametrize("edges", [None, SHARED], ids=["held", "symmetric"])
@pytest.mark.parametrize("sheet", LAWS, ids=lambda sheet: sheet.name)
def test_a_kept_tangent_is_the_exact_one_where_it_was_formed(edges, sheet):
    model = panel(sheet, edges=edges)
    u, state = bent(model, 2.5), model.virgin()
    kept = model.tangent(u, state, model.internal(u, state, False), None, "test")
    exact = full(model, u, state).data
    assert np.abs(kept - exact).max() < 1e-12 * np.abs(exact).max()


def test_a_kept_tangent_is_renewed_only_where_something_moved():
    model = panel(STEEL)
    state, u = model.virgin(), bent(model, 0.05)
    first = model.tangent(u, state, model.internal(u, state, False), None, "test")
    further = bent(model, 0.25)
    part = model.internal(further, state, False)
    assert part.flowing.size == 0
    second = model.tangent(further, state, part, None, "test")
    changed = np.flatnonzero(first != second).size
    assert 0 < changed < 0.9 * first.size
    exact = full(model, further, state).data
    # what was not renewed is off by no more than the strain or rotation allowed
    assert np.abs(second - exact).max() < 5e-3 * np.abs(exact).max()
    renewed = model.tangent(further, state, part, None, "test", renew=True)
    assert np.abs(renewed - exact).max() < 1e-12 * np.abs(exact).max()


def test_states_packed_by_what_changed_are_those_packed_whole():
    """On to a state, back, aside, on along another branch: each time as a panel that sees the
    state for the first time."""
    model = panel(RECOVERING)
    first = full(model, bent(model, 2.5), model.virgin()).state(bent(model, 2.5))
    deeper = model.internal(bent(model, 2.9), first, False)
    aside = model.internal(bent(model, 2.9, at=(-20.0, 8.0)), first, False)
    assert 0 < deeper.flowing.size < model.geometry.elements
    one, other = deeper.state(bent(model, 2.9)), aside.state(bent(model, 2.9, at=(-20.0, 8.0)))
    assert one.changed(first) is not None
    assert one.changed(other).size > max(deeper.flowing.size, aside.flowing.size)
    for state in (first, one, first, one, other, model.virgin(), other):
        seen = model.internal(bent(model, 1.5), state, False)
        anew = panel(RECOVERING).internal(bent(model, 1.5), State(
            state.displacement, state.points.copy()), False)
        assert np.array_equal(seen.force, anew.force)
        assert np.array_equal(seen.points, anew.points)
