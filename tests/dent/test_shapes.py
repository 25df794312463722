"""Described shapes against their own promises, found by an independent search (scipy.optimize)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from simkit.dent import Bowl, Crease
from simkit.dent.shapes import bowl_radius
from simkit.errors import InputError
from simkit.measurement.read import field_of_shapes

SHAPES = [
    Bowl(12.0, -7.0, 4.0, 100.0, 100.0, 0.0, 0.3),
    Bowl(12.0, -7.0, 2.5, 150.0, 90.0, 35.0, 0.12),
    Bowl(0.0, 0.0, 1.0, 60.0, 40.0, -70.0, 0.0),
    Crease(5.0, 3.0, 1.8, 160.0, 44.0, 20.0, 0.15, 10.0),
    Crease(5.0, 3.0, 1.8, 160.0, 44.0, 20.0, 0.0, 8.0),
    Crease(5.0, 3.0, 1.2, 120.0, 30.0, 90.0, 0.1),
]


def section(shape, across):
    """d along the length (or across it) through the centre, as a function of one distance."""
    angle = np.radians(shape.angle_deg + (90.0 if across else 0.0))
    c, s = np.cos(angle), np.sin(angle)
    return lambda t: float(shape(np.asarray(shape.x_mm + t * c), np.asarray(shape.y_mm + t * s)))


@pytest.mark.parametrize("shape", SHAPES)
def test_depth_is_exact_and_lowest_at_the_centre(shape):
    field = field_of_shapes([shape])
    assert float(field(shape.x_mm, shape.y_mm)) == pytest.approx(-shape.depth_mm, rel=1e-14)
    assert field.lowest_mm >= -shape.depth_mm * (1 + 1e-12)


@pytest.mark.parametrize("shape", [s for s in SHAPES if s.crown_mm > 0])
@pytest.mark.parametrize("across", [False, True])
def test_zero_crossing_and_crown_on_both_axes(shape, across):
    d = section(shape, across)
    size = shape.width_mm if across else shape.length_mm
    assert brentq(d, 0.1 * size, 0.7 * size, xtol=1e-12) == pytest.approx(0.5 * size, rel=1e-10)
    top = minimize_scalar(lambda t: -d(t), bounds=(0.5 * size, 2.0 * size), method="bounded",
                          options={"xatol": 1e-8})
    assert -top.fun == pytest.approx(shape.crown_mm, rel=1e-9)
    beyond = np.linspace(0.5 * size, 10.0 * size, 2001)
    values = np.array([d(t) for t in beyond])
    assert values.min() >= -1e-12
    assert values[-1] < 1e-4 * shape.depth_mm


@pytest.mark.parametrize("shape", [s for s in SHAPES if s.crown_mm == 0])
def test_without_a_crown_the_rim_is_reached_with_two_zero_derivatives(shape):
    for across in (False, True):
        d = section(shape, across)
        rim = 0.5 * (shape.width_mm if across else shape.length_mm)
        # A cubic contact: one h inside the rim, d is of order h^3, so d/h^2 falls with h.
        shares = [abs(d(rim - h)) / h**2 for h in (0.1, 0.05)]
        assert shares[1] == pytest.approx(0.5 * shares[0], rel=0.1)
        assert d(rim + 1e-9) == 0.0
        assert d(rim - 1.0) < 0.0


@pytest.mark.parametrize("shape", [s for s in SHAPES if isinstance(s, Crease)])
def test_crease_bottom_radius(shape):
    d = section(shape, across=True)
    wanted = shape.radius_mm if shape.radius_mm is not None else 0.25 * bowl_radius(shape)
    # Richardson extrapolation of the second difference.
    coarse, fine = (((d(h) - 2 * d(0) + d(-h)) / h**2) for h in (0.02, 0.01))
    assert 1.0 / ((4 * fine - coarse) / 3) == pytest.approx(wanted, rel=1e-5)


def test_bowl_radius_is_the_bowls():
    shape = Bowl(0.0, 0.0, 2.0, 120.0, 50.0, 0.0, 0.1)
    d = section(shape, across=True)
    h = 1e-2
    assert h**2 / (d(h) - 2 * d(0) + d(-h)) == pytest.approx(bowl_radius(shape), rel=1e-5)


def test_shapes_add_up_and_the_box_holds_them():
    a, b = SHAPES[0], Crease(140.0, 60.0, 1.0, 80.0, 30.0, 10.0, 0.05, 9.0)
    field = field_of_shapes([a, b], noise_mm=0.01)
    rng = np.random.default_rng(0)
    x, y = rng.uniform(-100, 250, 50), rng.uniform(-100, 150, 50)
    np.testing.assert_allclose(field(x, y), a(x, y) + b(x, y), rtol=1e-14)
    x, y = np.meshgrid(np.linspace(-300, 500, 401), np.linspace(-300, 400, 351))
    x0, x1, y0, y1 = field.box_mm
    outside = (x < x0 - 3) | (x > x1 + 3) | (y < y0 - 3) | (y > y1 + 3)
    assert np.abs(field(x, y)[outside]).max() < 0.021
    assert x0 < a.x_mm - 50 < b.x_mm + 39 < x1


@pytest.mark.parametrize(("change", "key"), [
    ({"depth_mm": 0.0}, "depth_mm"),
    ({"depth_mm": 60.0}, "depth_mm"),
    ({"width_mm": -5.0}, "width_mm"),
    ({"length_mm": float("nan")}, "length_mm"),
    ({"crown_mm": 1.5}, "crown_mm"),
    ({"crown_mm": -0.1}, "crown_mm"),
    ({"radius_mm": 0.0}, "radius_mm"),
    ({"radius_mm": 300.0}, "radius_mm"),
])
def test_unreasonable_shapes_are_refused(change, key):
    good = {"x_mm": 0.0, "y_mm": 0.0, "depth_mm": 1.8, "length_mm": 160.0, "width_mm": 44.0,
            "crown_mm": 0.1, "radius_mm": 8.0}
    field_of_shapes([Crease(**good)])
    with pytest.raises(InputError) as error:
        field_of_shapes([Crease(**{**good, **change})])
    assert error.value.key == f"dent.shapes[0].{key}"
