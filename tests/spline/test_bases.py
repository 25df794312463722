"""B-spline bases and element borders: what holds for any of them.

Truth: EXACT (partition of unity, interpolation of polynomials of the degree, derivatives of a
polynomial; de Boor, A Practical Guide to Splines, MEMORY).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from simkit.errors import InputError
from simkit.spline.basis import Basis, finer_breaks, graded_breaks
from simkit.spline.patch import Patch

SIZES = st.lists(st.floats(0.1, 10.0), min_size=5, max_size=9)
FEW = settings(max_examples=25, deadline=None)


def breaks_of(sizes):
    return np.concatenate([[0.0], np.cumsum(sizes)])


@FEW
@given(SIZES, st.integers(1, 4), st.booleans())
def test_values_and_derivatives_are_those_of_scipy(sizes, degree, closed):
    """Independent code: scipy.interpolate.BSpline."""
    breaks = breaks_of(sizes)
    basis = (Basis.closed_from_breaks if closed else Basis.from_breaks)(breaks, degree)
    at = np.concatenate([np.linspace(breaks[0], breaks[-1], 37), breaks])
    element, values = basis.local(at)
    spline = BSpline(basis.knots, np.eye(basis.count), degree)
    columns = element[:, None] + np.arange(degree + 1)
    for order in range(3):
        wanted = (np.take_along_axis(spline(at, nu=order), columns, axis=1) if order <= degree
                  else np.zeros(columns.shape))
        scale = max(1.0, float(np.abs(wanted).max()))
        np.testing.assert_allclose(values[:, :, order], wanted, atol=1e-12 * scale)


@FEW
@given(SIZES, st.integers(1, 4), st.booleans())
def test_functions_sum_to_one(sizes, degree, closed):
    breaks = breaks_of(sizes)
    make = Basis.closed_from_breaks if closed else Basis.from_breaks
    basis = make(breaks, degree)
    at = np.linspace(breaks[0], breaks[-1], 41)
    element, values = basis.local(at)
    assert values.shape == (41, degree + 1, 3)
    assert np.allclose(values[:, :, 0].sum(axis=1), 1.0, atol=1e-12)
    assert np.allclose(values[:, :, 1].sum(axis=1) * np.ptp(breaks), 0.0, atol=1e-9)
    assert (breaks[element] <= at).all()
    assert (at <= breaks[element + 1]).all()
    assert basis.elements == len(sizes)
    assert basis.count == len(sizes) + degree


@FEW
@given(SIZES, st.integers(2, 4), st.lists(st.floats(-2.0, 2.0), min_size=3, max_size=3))
def test_polynomials_of_the_degree_are_interpolated(sizes, degree, coefficients):
    basis = Basis.from_breaks(breaks_of(sizes), degree)
    line = np.polynomial.Polynomial(coefficients, domain=[0.0, sum(sizes)])
    control = basis.interpolating(line(basis.greville())[:, None])
    at = np.linspace(0.0, sum(sizes), 23)
    for order in range(3):
        wanted = line.deriv(order)(at) if order else line(at)
        found = (basis.collocation(at, order) @ control)[:, 0]
        assert np.allclose(found, wanted, atol=1e-7 * max(1.0, np.abs(wanted).max()))


@FEW
@given(st.floats(10.0, 300.0), st.floats(0.1, 0.6), st.floats(1.0, 8.0), st.floats(1.0, 4.0))
def test_graded_borders_grow_slowly_and_end_where_they_should(length, share, fine, ratio):
    low, high = 0.5 * length * (1.0 - share), 0.5 * length * (1.0 + share)
    breaks = graded_breaks(0.0, length, low, high, fine, ratio * fine)
    assert breaks[0] == pytest.approx(0.0, abs=1e-9)
    assert breaks[-1] == pytest.approx(length)
    sizes = np.diff(breaks)
    assert (sizes > 0.0).all()
    inside = sizes[(breaks[:-1] >= low - 1e-9) & (breaks[1:] <= high + 1e-9)]
    assert np.allclose(inside, inside[0])
    assert inside[0] <= max(1.5 * fine, high - low)


@FEW
@given(st.floats(50.0, 300.0), st.floats(0.2, 0.8), st.floats(0.5, 2.0))
def test_finer_borders_are_as_fine_as_asked(length, place, size):
    even = np.linspace(0.0, length, 11)
    start, end = place * length - 10.0, place * length + 10.0
    breaks = finer_breaks(even, [(start, end, size)])
    assert (breaks[0], breaks[-1]) == (0.0, length)
    sizes = np.diff(breaks)
    assert sizes[(breaks[1:] > start) & (breaks[:-1] < end)].max() <= 1.3 * size
    assert np.array_equal(finer_breaks(even, [(start, end, length)]), even)


def test_a_plan_position_is_found_again():
    basis = Basis.from_breaks(np.linspace(-1.0, 1.0, 7), 2)
    patch = Patch.from_map(lambda u, v: np.stack([100.0 * u + 8.0 * v**2, 60.0 * v, 9.0 * u * v],
                                                 axis=1), basis, basis)
    u, v = np.array([-0.7, 0.1, 0.93]), np.array([0.4, -0.2, -0.85])
    x, y = patch.points(u, v)[:, :2].T
    found_u, found_v, inside = patch.locate(x, y)
    assert inside.all()
    assert np.allclose([found_u, found_v], [u, v], atol=1e-9)
    assert not patch.locate(np.array([500.0]), np.array([0.0]))[2][0]
    for _ in range(2):  # computed, then kept
        one = patch.locate_one(float(x[1]), float(y[1]))
        assert [one[0][0], one[1][0], one[2]] == pytest.approx([0.1, -0.2, True], abs=1e-9)
        one[0][0] = 7.0  # the caller's own copy
    across = (patch.points(u + 1e-6, v) - patch.points(u - 1e-6, v),
              patch.points(u, v + 1e-6) - patch.points(u, v - 1e-6))
    normal = np.cross(*across)
    np.testing.assert_allclose(
        patch.normals(u, v), normal / np.linalg.norm(normal, axis=1, keepdims=True), atol=1e-7)


def test_bad_calls():
    with pytest.raises(InputError, match="degree"):
        Basis.from_breaks(np.array([0.0, 1.0]), 0)
    with pytest.raises(InputError, match="breaks"):
        Basis.from_breaks(np.array([0.0, 2.0, 1.0]), 2)
    with pytest.raises(InputError, match="fine window"):
        graded_breaks(0.0, 10.0, 20.0, 30.0, 1.0, 2.0)
