"""A panel whose sheet has a rolling direction. Truth: identities of rotation, IDENTITY.

Forces of a given shape: no equilibrium is sought, so that the identities hold to rounding.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simkit.material.criterion import hill48, yld2000
from simkit.material.grades import load_grade
from simkit.mechanics.model import build_model
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, rectangle_patch

ROLLED = load_grade("AA6016-T4-rolled").sheet()


def panel(sheet, turned=False):
    """A panel of unlike sides and radii; turned: by a quarter turn about z."""
    sides, radii = ((-60.0, 60.0), (-40.0, 40.0)), (900.0, 400.0)
    if turned:
        sides, radii = sides[::-1], radii[::-1]
    patch = rectangle_patch(*sides, Curvature(*radii), 10.0, 10.0)
    return build_model(patch, sheet, 0.8, dict.fromkeys(SIDES, HELD))


def bowl(x, y):
    return -2.5 * np.exp(-((x - 12.0) ** 2 + 1.7 * (y + 6.0) ** 2) / 400.0)


def forces(sheet, turned=False):
    """Forces on the control points as (rows, columns, 3) in the axes of the unturned panel."""
    model = panel(sheet, turned)
    u, v = model.patch.shape
    grid = model.patch.control.reshape(u, v, 3)
    shape = np.zeros_like(grid)
    # turned by +90 degrees: x' = -y, y' = x
    x, y = (grid[..., 1], -grid[..., 0]) if turned else (grid[..., 0], grid[..., 1])
    shape[..., 2] = bowl(x, y)
    found = model.internal(shape.reshape(-1, 3), model.virgin(), False)
    force = found.force.reshape(u, v, 3)
    if turned:
        force = np.stack([force[..., 1], -force[..., 0], force[..., 2]], axis=-1)
        force = np.flip(force, axis=0).transpose(1, 0, 2)
    return force, found


@pytest.mark.parametrize("degrees", [0.0, 30.0, 90.0])
def test_turning_panel_and_rolling_direction_together_changes_nothing(degrees):
    here, one = forces(replace(ROLLED, rolling_rad=np.radians(degrees)))
    there, two = forces(replace(ROLLED, rolling_rad=np.radians(degrees + 90.0)), turned=True)
    assert one.plastic_work > 0.0
    assert two.plastic_work == pytest.approx(one.plastic_work, rel=1e-10)
    assert np.abs(there - here).max() < 1e-9 * np.abs(here).max()


def test_turning_the_rolling_direction_alone_changes_the_forces():
    here, _ = forces(ROLLED)
    there, _ = forces(replace(ROLLED, rolling_rad=np.radians(45.0)))
    assert np.abs(there - here).max() > 10.0  # N; most of the forces are elastic
    half, _ = forces(replace(ROLLED, rolling_rad=np.pi))
    assert np.abs(half - here).max() < 1e-9 * np.abs(here).max()


@pytest.mark.parametrize("criterion", [yld2000(np.ones(8), 2), hill48(1.0, 1.0, 1.0)])
def test_criteria_that_are_mises_give_its_forces(criterion):
    plain, one = forces(replace(ROLLED, criterion=None))
    same, two = forces(replace(ROLLED, criterion=criterion, rolling_rad=0.7))
    assert two.plastic_work == pytest.approx(one.plastic_work, rel=1e-8)
    assert np.abs(same - plain).max() < 1e-8 * np.abs(plain).max()
