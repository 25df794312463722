"""Reflection lines against closed forms, and what of a dent they show."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.optics.bench import Pose, make_bench
from simkit.optics.reflect import (
    far_angle,
    isophote,
    lamp_coordinate,
    line_shift_mm,
    shift_of_slope_mm,
    slope_error_mrad,
    stripes,
)
from simkit.panel.surface import Curvature
from simkit.spline.basis import Basis
from simkit.spline.patch import Patch

UP = np.array([0.0, 0.0, 1.0])
ORIGIN = np.zeros(3)


def surface(x, y, height, slope_x, slope_y):
    """Points and exact normals of a height map on a grid (ny, nx)."""
    points = np.stack([x, y, height], axis=-1)
    normal = np.stack([-slope_x, -slope_y, np.ones_like(x)], axis=-1)
    return points, normal / np.linalg.norm(normal, axis=-1, keepdims=True)


def plan(half=60.0, count=481):
    line = np.linspace(-half, half, count)
    return np.meshgrid(line, line)


def dented(depth_mm, width_mm=40.0, radius_mm=1500.0):
    """Double-curved panel, undamaged and with a dent of compact support: (1 - r^2)^3 profile."""
    x, y = plan()
    r2 = (x**2 + y**2) / (0.5 * width_mm) ** 2
    inside = np.maximum(1.0 - r2, 0.0)
    crown = -(x**2 + y**2) / (2.0 * radius_mm)
    fall = 6.0 * depth_mm * inside**2 / (0.5 * width_mm) ** 2
    plain = surface(x, y, crown, -x / radius_mm, -y / radius_mm)
    dent = surface(x, y, crown - depth_mm * inside**3,
                   -x / radius_mm + fall * x, -y / radius_mm + fall * y)
    return plain, dent


@pytest.mark.parametrize("radius", [400.0, 1500.0])
def test_lines_on_a_cylinder_are_where_the_closed_form_puts_them(radius):
    """Plane problem square to the axis, solved by angles: at the arc angle u the normal makes u
    with the vertical, the ray arrives at angle b from the eye, and leaves at 2 u - b."""
    u = np.linspace(-0.12, 0.12, 7)
    points = np.stack([radius * np.sin(u), 0.0 * u, radius * (np.cos(u) - 1.0)], axis=-1)
    normals = np.stack([np.sin(u), 0.0 * u, np.cos(u)], axis=-1)
    eye, lamp = 900.0, 1300.0
    bench = make_bench(Pose(eye_mm=eye, lamp_mm=lamp, view_deg=0.0), ORIGIN, UP)
    from_eye = np.arctan2(0.0 - points[:, 0], eye - points[:, 2])
    leaving = 2.0 * u - from_eye
    board = points[:, 0] + (lamp - points[:, 2]) * np.tan(leaving)
    found = lamp_coordinate(points, normals, bench)
    assert np.allclose(np.abs(found), np.abs(board), atol=1e-9)
    assert np.all(np.diff(found / np.sign(found[-1] * board[-1]) - board) < 1e-9)


def test_far_lamps_on_a_cylinder():
    """Eye far above: the ray turns by twice the angle of the normal (law of reflection)."""
    u = np.linspace(-0.3, 0.3, 9)
    points = np.stack([500.0 * np.sin(u), 0.0 * u, 500.0 * np.cos(u)], axis=-1)
    normals = points / 500.0
    theta = far_angle(points, normals, np.array([0.0, 0.0, 1e9]), np.array([0.0, 1.0, 0.0]))
    turned = np.unwrap(theta)
    turned = turned - turned[4]
    assert np.allclose(np.abs(turned), np.abs(2.0 * u), atol=1e-6)


@pytest.mark.parametrize(("radius", "eye", "lamp"), [(1500.0, 1000.0, 1000.0),
                                                     (600.0, 800.0, 1500.0),
                                                     (np.inf, 1000.0, 700.0)])
def test_shift_by_a_slope_error_is_near_the_short_formula(radius, eye, lamp):
    """0.1 mrad at R 1500, eye and lamp at 1 m: 0.06 mm; formula good to 2 % near normal view."""
    x, y = plan(8.0, 161)
    slope = 1e-4
    curve = 0.0 if np.isinf(radius) else 1.0 / radius
    flat = surface(x, y, -0.5 * curve * x**2, -curve * x, 0.0 * x)
    tilted = surface(x, y, -0.5 * curve * x**2, -curve * x + slope, 0.0 * x)
    bench = make_bench(Pose(eye_mm=eye, lamp_mm=lamp, view_deg=0.0), ORIGIN, UP)
    shift = line_shift_mm(lamp_coordinate(*tilted, bench), lamp_coordinate(*flat, bench), flat[0])
    wanted = shift_of_slope_mm(0.1, radius, eye, lamp)
    assert abs(shift[80, 80]) == pytest.approx(wanted, rel=0.02)
    assert slope_error_mrad(tilted[1], flat[1])[80, 80] == pytest.approx(0.1, rel=1e-3)


def test_that_formula_gives_the_number_of_the_design():
    assert shift_of_slope_mm(0.1, 1500.0, 1000.0, 1000.0) == pytest.approx(0.06)


@pytest.mark.parametrize("view", [0.0, 30.0, 50.0])
def test_a_dent_of_five_hundredths_is_seen_and_one_of_two_thousandths_is_not(view):
    """0.5 mm at 1 m counts as seen."""
    pose = Pose(view_deg=view)
    largest = []
    for depth in (0.05, 0.002):
        plain, dent = dented(depth)
        bench = make_bench(pose, plain[0][240, 240], UP)
        shift = line_shift_mm(lamp_coordinate(*dent, bench), lamp_coordinate(*plain, bench),
                              plain[0])
        largest.append(np.abs(shift).max())
        assert np.abs(shift[:40]).max() < 1e-6  # and nothing moves outside the dent
    assert largest[0] > bench.seen_mm > largest[1]


def test_picture_and_number_agree():
    """Rising edges of the drawn stripes move by what the number says (which is of first order:
    the shift, here 0.6 mm, has to be small against the dent)."""
    plain, dent = dented(0.012)
    bench = make_bench(Pose(view_deg=0.0, spacing_mm=20.0), ORIGIN, UP)
    here, before = lamp_coordinate(*dent, bench), lamp_coordinate(*plain, bench)
    number = line_shift_mm(here, before, plain[0])
    x = plain[0][240, :, 0]
    moved, foreseen = [], []
    rows = [stripes(c, bench.spacing_mm, bench.lit)[240] for c in (here, before)]
    edges = [_edges(x, row) for row in rows]
    for at in edges[1]:
        nearest = edges[0][np.argmin(np.abs(edges[0] - at))]
        moved.append(nearest - at)
        foreseen.append(np.interp(at, x, number[240]))
    moved, foreseen = np.array(moved), np.array(foreseen)
    assert np.abs(foreseen).max() > bench.seen_mm
    assert np.allclose(moved, foreseen, atol=0.1 * np.abs(foreseen).max())


def _edges(x, row):
    """Places where the brightness rises through one half."""
    k = np.flatnonzero((row[:-1] < 0.5) & (row[1:] >= 0.5))
    return x[k] + (0.5 - row[k]) / (row[k + 1] - row[k]) * (x[k + 1] - x[k])


def test_lines_of_an_undented_double_curved_panel_are_smooth():
    """B-spline panel against the exact sphere it stands for: no line is off by what is seen."""
    radius = 900.0
    breaks = np.concatenate([np.arange(-200.0, -60.0, 20.0), np.arange(-60.0, 61.0, 5.0),
                             np.arange(80.0, 201.0, 20.0)])
    basis = Basis.from_breaks(breaks, 2)
    cap = Curvature(radius, radius, round_cap=True)
    patch = Patch.from_map(lambda u, v: np.stack([u, v, cap.height(u, v)], axis=1), basis, basis)
    x, y = plan(150.0, 181)
    shape = (*x.shape, 3)
    points = patch.points(x.ravel(), y.ravel()).reshape(shape)
    normals = patch.normals(x.ravel(), y.ravel()).reshape(shape)
    z = np.sqrt(radius**2 - x**2 - y**2)
    exact = np.stack([x, y, z], axis=-1) / radius
    bench = make_bench(Pose(), ORIGIN, UP)
    shift = line_shift_mm(lamp_coordinate(points, normals, bench),
                          lamp_coordinate(np.stack([x, y, z - radius], axis=-1), exact, bench),
                          points)
    assert np.abs(shift).max() < 0.1 * bench.seen_mm


def test_stripes_keep_their_mean_when_the_grid_is_too_coarse():
    fine = stripes(np.tile(np.linspace(0.0, 400.0, 4001), (3, 1)), 40.0, 0.3)
    coarse = stripes(np.tile(np.arange(0.0, 4000.0, 97.3), (3, 1)), 40.0, 0.3)
    assert fine.mean() == pytest.approx(0.3, abs=0.01)
    assert set(np.round(fine[1], 3)) >= {0.0, 1.0}
    assert coarse.mean() == pytest.approx(0.3, abs=0.05)


def test_isophotes_are_circles_on_a_sphere():
    """Cosine to a light on the axis is the cosine of the polar angle."""
    polar = np.linspace(0.0, 0.5, 5)
    normals = np.stack([np.sin(polar), 0.0 * polar, np.cos(polar)], axis=-1)
    assert np.allclose(isophote(normals, UP), np.cos(polar))


def test_tilting_the_panel_moves_the_lines_as_its_tilt_says():
    """A mirror turned by a turns the ray by 2 a: on a board at 1 m, 2 m x tan of it (Heron)."""
    bench = make_bench(Pose(view_deg=0.0, lines_deg=90.0, tilt_y_deg=1.0), ORIGIN, UP)
    start = lamp_coordinate(ORIGIN[None], UP[None], bench)[0]
    # both eye (by 1 degree one way) and board have turned: the ray meets the board off its middle
    assert abs(start) == pytest.approx(1000.0 * np.tan(np.radians(2.0)), rel=1e-6)


@pytest.mark.parametrize("wrong", [{"eye_mm": 0.0}, {"lamp_mm": -1.0}, {"view_deg": 90.0},
                                   {"spacing_mm": float("nan")}, {"lit": 1.0}])
def test_impossible_set_ups_are_refused(wrong):
    with pytest.raises(InputError):
        make_bench(Pose(**wrong), ORIGIN, UP)
