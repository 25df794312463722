"""Rigid bodies against brute force and plain geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.tool.bodies import RigidBody, ball, blade, block, flat_nose, rounded_cylinder

BODIES = {
    "ball": ball(12.0),
    "cylinder": rounded_cylinder(6.0, 40.0),
    "blade": blade(2.0, 30.0),
    "flat": flat_nose(12.0, 3.0),
    "block": block(40.0, 20.0, 4.0),
}


def core_samples(body: RigidBody, count: int = 241) -> np.ndarray:
    """Many points of the core, shape (m, 3): the definition the distance is checked against."""
    line = np.linspace(-1.0, 1.0, count)
    if body.core == "disc":
        radius, angle = np.meshgrid(np.linspace(0, body.core_radius_mm, 61),
                                    np.linspace(0, 2 * np.pi, count))
        x, y = radius * np.cos(angle), radius * np.sin(angle)
    else:
        x, y = np.meshgrid(line * body.half_length_mm,
                           line[::2] * body.half_width_mm if body.half_width_mm else [0.0])
    return np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)


@pytest.mark.parametrize("name", BODIES)
def test_distance_against_brute_force(name):
    """Exact: distance to the core's nearest sampled point less the nose radius."""
    body = BODIES[name]
    points = np.random.default_rng(3).uniform(-35, 35, (60, 3))
    samples = core_samples(body)
    gaps = np.linalg.norm(points[:, None, :] - samples[None], axis=2).min(axis=1)
    np.testing.assert_allclose(body.signed_distance(points), gaps - body.nose_radius_mm, atol=2e-2)


@pytest.mark.parametrize("name", BODIES)
def test_distance_grows_by_one_per_mm_away_from_the_body(name):
    """Exact: a distance function has a gradient of length one outside and inside the skin."""
    body = BODIES[name]
    points = np.random.default_rng(5).uniform(-30, 30, (40, 3))
    step = 1e-5
    gradient = np.stack([
        (body.signed_distance(points + step * axis) - body.signed_distance(points - step * axis))
        / (2 * step) for axis in np.eye(3)], axis=1)
    np.testing.assert_allclose(np.linalg.norm(gradient, axis=1), 1.0, atol=1e-5)


@pytest.mark.parametrize(("body", "on_surface"), [
    (ball(12.0), [(0, 0, -12), (12, 0, 0), (0, -12, 0)]),
    (rounded_cylinder(6.0, 40.0), [(0, 0, -6), (14, 0, -6), (20, 0, 0), (0, 6, 0)]),
    (blade(2.0, 30.0), [(0, 0, -2), (15, 0, 0), (-13, 0, -2)]),
    (flat_nose(12.0, 3.0), [(0, 0, -3), (9, 0, -3), (12, 0, 0), (0, -12, 0)]),
    (block(40.0, 20.0, 4.0), [(0, 0, -4), (16, 6, -4), (20, 0, 0), (0, 10, 0),
                              (16 + 4 / math.sqrt(2), 6 + 4 / math.sqrt(2), 0)]),
])
def test_sizes_are_over_all(body, on_surface):
    """Exact: points of the named outer sizes lie on the surface, their insides inside."""
    points = np.array(on_surface, dtype=float)
    np.testing.assert_allclose(body.signed_distance(points), 0.0, atol=1e-12)
    assert bool((body.signed_distance(0.9 * points) < 0).all())
    assert bool((body.signed_distance(1.1 * points) > 0).all())
    assert np.linalg.norm(points, axis=1).max() <= body.reach_mm + 1e-12


def test_packed_for_the_kernel():
    assert [body.code for body in BODIES.values()] == [0, 1, 1, 2, 3]
    assert block(40.0, 20.0, 4.0).packed().tolist() == [4.0, 16.0, 6.0, 0.0]
    assert flat_nose(12.0, 3.0).packed().tolist() == [3.0, 0.0, 0.0, 9.0]
    assert ball(12.0).packed().dtype == np.float64


@pytest.mark.parametrize("make", [
    lambda: ball(0.0), lambda: ball(math.nan), lambda: rounded_cylinder(6.0, 12.0),
    lambda: flat_nose(3.0, 3.0), lambda: block(40.0, 7.0, 4.0), lambda: blade(-1.0, 30.0),
    lambda: RigidBody("cone", 1.0), lambda: RigidBody("point", 1.0, half_length_mm=2.0),
    lambda: RigidBody("rectangle", 1.0, half_length_mm=2.0),
])
def test_impossible_bodies_are_refused(make):
    with pytest.raises(InputError):
        make()
