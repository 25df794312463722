"""Layered solids and the ball: volume, planes, normals against exact geometry."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.panel.surface import Curvature
from simkit.verification.peer.pressed import PressedPanel, SolidMesh, middle_levels, panel_grid
from simkit.verification.peer.solids import (
    HexGrid,
    ball_cap,
    hex_grid,
    layered_panel,
    panel_normal,
    smallest_jacobian,
)


def volume(grid: HexGrid) -> float:
    """Sum over elements by the corner map, 2 x 2 x 2 Gauss points."""
    corner = grid.place[grid.elements[:, :8] - 1]
    signs = np.array([(-1, -1, -1), (1, -1, -1), (1, 1, -1), (-1, 1, -1),
                      (-1, -1, 1), (1, -1, 1), (1, 1, 1), (-1, 1, 1)], dtype=float)
    total = 0.0
    for point in signs / np.sqrt(3.0):
        one = 1.0 + signs * point
        slope = np.stack([0.125 * signs[:, d] * np.delete(one, d, axis=1).prod(axis=1)
                          for d in range(3)])
        total += float(np.linalg.det(np.einsum("dk,ekc->edc", slope, corner)).sum())
    return total


@pytest.mark.parametrize("order", [1, 2])
def test_a_flat_sheet_has_its_volume_and_counts(order):
    breaks = np.array([0.0, 1.0, 2.5, 5.0])
    grid = layered_panel(breaks, breaks[:3], Curvature(), 0.8, 2, order)
    assert volume(grid) == pytest.approx(5.0 * 2.5 * 0.8, rel=1e-12)
    assert grid.elements.shape == (3 * 2 * 2, 8 if order == 1 else 20)
    corners, edges = 4 * 3 * 3, 3 * 3 * 3 + 4 * 2 * 3 + 4 * 3 * 2
    assert len(grid.place) == corners + (edges if order == 2 else 0)
    assert sorted(np.unique(grid.elements)) == list(range(1, len(grid.place) + 1))


def test_middle_nodes_lie_between_the_corners_calculix_expects():
    """Order of the 20-node brick in the CalculiX manual (section on C3D20)."""
    grid = hex_grid((1, 1, 1), 2, lambda a, b, c: np.stack([a, b, c], axis=1))
    at = grid.place[grid.elements[0] - 1]
    pairs = [(1, 2), (2, 3), (3, 4), (4, 1), (5, 6), (6, 7), (7, 8), (8, 5),
             (1, 5), (2, 6), (3, 7), (4, 8)]
    for node, (a, b) in zip(range(9, 21), pairs, strict=True):
        assert at[node - 1] == pytest.approx(0.5 * (at[a - 1] + at[b - 1]))


def test_a_spherical_sheet_has_the_volume_of_a_shell():
    """Cap over a square: area by the exact surface integral, computed here on a fine raster."""
    radius, half, t = 200.0, 60.0, 2.0
    breaks = np.linspace(0.0, half, 41)
    grid = layered_panel(breaks, breaks, Curvature(radius, radius, True), t, 2, 1)
    x = (np.arange(2000) + 0.5) * half / 2000
    area = np.sum(radius / np.sqrt(radius**2 - x[:, None]**2 - x**2)) * (half / 2000) ** 2
    # a shell between R - t/2 and R + t/2: area times t (1 + (t/2R)^2 / 3)
    assert volume(grid) == pytest.approx(area * t, rel=2e-4)
    r = np.linalg.norm(grid.place + [0.0, 0.0, radius], axis=1)
    assert np.abs(r - radius).max() == pytest.approx(0.5 * t, abs=1e-9)


def test_normals_are_those_of_the_surface():
    panel, step = Curvature(1200.0, 600.0), 1e-4
    x, y = np.array([10.0, -70.0]), np.array([40.0, 55.0])
    slope_x = (panel.height(x + step, y) - panel.height(x - step, y)) / (2.0 * step)
    slope_y = (panel.height(x, y + step) - panel.height(x, y - step)) / (2.0 * step)
    normal = panel_normal(panel, x, y)
    assert normal[:, :2] / normal[:, 2:] == pytest.approx(-np.stack([slope_x, slope_y], 1),
                                                          abs=1e-8)


def test_the_quarter_panel_of_the_comparison_is_sound():
    case = PressedPanel()
    grid = panel_grid(case, SolidMesh(20.0, 3))
    assert smallest_jacobian(grid) > 0.0
    assert grid.place[grid.nodes((0, slice(None), slice(None))) - 1][:, 0] == pytest.approx(0.0)
    assert grid.place[grid.nodes((slice(None), 0, slice(None))) - 1][:, 1] == pytest.approx(0.0)
    assert middle_levels(grid) == [3]
    assert middle_levels(panel_grid(case, SolidMesh(20.0, 3, 1))) == [2, 4]
    assert middle_levels(panel_grid(case, SolidMesh(20.0, 2))) == [2]


def test_the_ball_is_round_and_right_side_out():
    centre = np.array([0.0, 0.0, 25.0])
    grid = ball_cap(25.0, centre, np.radians(45.0), 6)
    assert smallest_jacobian(grid) > 0.0
    outer = grid.place[grid.nodes((slice(None), slice(None), -1)) - 1]
    assert np.linalg.norm(outer - centre, axis=1) == pytest.approx(25.0)
    assert outer[:, 2].min() == pytest.approx(0.0)
    assert (outer[:, :2] >= -1e-12).all()


def test_an_element_inside_out_is_noticed():
    grid = hex_grid((1, 1, 1), 1, lambda a, b, c: np.stack([a, b, -c], axis=1))
    assert smallest_jacobian(grid) < 0.0
