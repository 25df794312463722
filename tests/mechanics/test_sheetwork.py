"""The bundles of elements give what the full kernel gives.

Truth: the full kernel, whose tangent, patch tests and rates are checked in tests/shell and in
test_statics_tangent. OTHER (own, independent of the bundles).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simkit.material.criterion import yld2000
from simkit.material.hardening import (
    Backstress,
    Sheet,
    Swift,
    TableLaw,
    Voce,
    split_isotropic,
)
from simkit.mechanics.model import State, build_model
from simkit.panel.edges import FREE, HELD, SIDES, SYMMETRIC
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.shell.bundle.walk import strips_apart

STEEL = Sheet("steel", 206000.0, 0.3, Swift(500.0, 0.005, 0.2))
RECOVERING = Sheet("recovering", 206000.0, 0.3, Swift(450.0, 0.005, 0.2),
                   (Backstress(8000.0, 90.0),))
SATURATING = Sheet("saturating", 70000.0, 0.33, Voce(120.0, 250.0, 12.0, 30.0),
                   (Backstress(9000.0, 200.0), Backstress(900.0, 15.0)))
SHARE = split_isotropic(Swift(500.0, 0.002, 0.2), (Backstress(1600.0, 40.0),))
TABLED = Sheet("tabled", 206000.0, 0.3, SHARE, (Backstress(1600.0, 40.0),))
LEVEL = Sheet("level after a little", 206000.0, 0.3, TableLaw((0.0, 0.001, 0.004),
                                                             (150.0, 160.0, 170.0)))
ROLLED = replace(SATURATING, name="rolled", rolling_rad=0.4,
                 criterion=yld2000([0.9, 1.05, 0.9, 1.0, 1.02, 0.95, 0.93, 1.2]))
LAWS = [STEEL, RECOVERING, SATURATING, TABLED, LEVEL, ROLLED]
"""Every kind of law, none to two backstress terms, strains within a table and beyond it; a rolling
direction."""


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
        assert quick.flowing.size < 0.9 * model.geometry.elements
        assert np.abs(quick.force - slow.force).max() < 1e-9 * np.abs(slow.force).max()
        assert quick.stored == pytest.approx(slow.stored, rel=1e-11)
        assert quick.plastic_work == pytest.approx(slow.plastic_work, rel=1e-11)
        assert np.abs(quick.points - slow.points).max() < 1e-9 * np.abs(slow.points).max()


def test_some_elements_flow_and_some_do_not():
    model = panel(STEEL)
    quick = model.internal(bent(model, 2.5), model.virgin(), False)
    assert 10 < quick.flowing.size < 0.7 * model.geometry.elements


@pytest.mark.parametrize("elements", [(21, 9), (4, 3)], ids=["some", "all flow"])
def test_elements_beyond_the_series_are_left_to_the_full_kernel(elements):
    """Stretched far on one side: those elements go one by one, in their places."""
    model = panel(RECOVERING, elements=elements, edges=dict.fromkeys(SIDES, FREE))
    u, x = np.zeros_like(model.patch.control), model.patch.control[:, 0]
    u[:, 0] = 0.02 * x + 0.5 * np.maximum(x, 0.0)
    u[:, 2] = 0.01 * x * x
    state = model.virgin()
    quick, slow = model.internal(u, state, False), full(model, u, state)
    assert quick.flowing.size > 0
    assert np.all(np.diff(quick.flowing) > 0)
    assert np.abs(quick.force - slow.force).max() < 1e-9 * np.abs(slow.force).max()
    assert np.abs(quick.points - slow.points).max() < 1e-9 * np.abs(slow.points).max()
    left = model.sheet_work()._in_bundles(
        np.ones(model.geometry.elements, bool), model.patch.control + u, state, False, None).left
    assert 0 < np.count_nonzero(left) < left.size
    for _ in range(2):  # the second time by what has changed
        kept = model.tangent(u, state, quick, None, "test")
        assert np.abs(kept - slow.data).max() < 1e-12 * np.abs(slow.data).max()
        u = u * 0.9
        quick, slow = model.internal(u, state, False), full(model, u, state)


@pytest.mark.parametrize("edges", [None, {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": HELD,
                                          "top": FREE}], ids=["held", "symmetric"])
def test_any_number_of_threads_gives_the_same_bits(edges):
    """Strips of rows are taken by whoever comes first; no sum hangs on who that is."""
    found = []
    for threads in (1, 2, 3):
        model = panel(RECOVERING, threads, elements=(40, 9), edges=edges)
        assert model.sheet_work().strips.size > 4
        state = model.virgin()
        for deep in (2.5, 2.9, 2.6):
            part = model.internal(bent(model, deep), state, False)
            data = model.tangent(bent(model, deep), state, part, None, "test")
            found.append((threads, deep, part.force, part.points, data))
    for (_, deep, *arrays) in found[3:]:
        first = next(f for f in found if f[1] == deep)
        assert all(np.array_equal(a, b) for a, b in zip(arrays, first[2:], strict=True))


def test_strips_that_meet_are_one():
    """A side that is one point: every row of elements changes the same entries of the matrix."""
    model = panel(STEEL, elements=(40, 9))
    strips, along = model.sheet_work().strips, model.patch.basis_v.elements
    assert strips.size == 6
    assert strips_apart(model.layout.places, strips, 2, along)
    assert not strips_apart(model.layout.places, strips, 1, along)
    shared = model.layout.places.copy()
    shared[:, 0] = 0
    assert not strips_apart(shared, strips, 2, along)
    assert strips_apart(shared, np.array([0, 40]), 2, along)


def test_other_springs_are_in_the_sum_when_they_are_in_the_model():
    """Tangents are kept with those of springs; a model with others begins anew."""
    model = panel(STEEL)
    u, state = bent(model, 0.5), model.virgin()
    stiffer = replace(model, springs=tuple(s.scaled(3.0) for s in model.springs))
    for one in (model, stiffer, model, stiffer):
        part = one.internal(u, state, False)
        kept = one.tangent(u, state, part, None, "test")
        exact = full(one, u, state).data
        assert np.abs(kept - exact).max() < 1e-12 * np.abs(exact).max()


SHARED = {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": HELD, "top": FREE}
"""Symmetric sides merge equations, so some element entries fall on a diagonal twice."""


@pytest.mark.parametrize("edges", [None, SHARED], ids=["held", "symmetric"])
@pytest.mark.parametrize("sheet", LAWS, ids=lambda sheet: sheet.name)
@pytest.mark.parametrize("threads", [1, 3])
def test_a_kept_tangent_is_the_exact_one_where_it_was_formed(edges, sheet, threads):
    model = panel(sheet, threads, edges=edges)
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
