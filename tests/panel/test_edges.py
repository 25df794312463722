"""How sides are held: ties between displacements, and elements that lost their area. EXACT."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.material.hardening import Sheet, Voce
from simkit.mechanics.loads import AreaLoad
from simkit.mechanics.model import build_model
from simkit.mechanics.statics import solve_linear
from simkit.panel.edges import FREE, HELD, SIDES, SYMMETRIC, equations
from simkit.panel.shapes import height_patch

STEEL = Sheet("elastic", 200000.0, 0.3, Voce(1e9, 1e9, 1.0))


def flat(elements_x, elements_y):
    return height_patch(lambda x, y: 0 * x, np.linspace(0, 10, elements_x + 1),
                        np.linspace(0, 100, elements_y + 1))


@pytest.mark.parametrize("order", [("left", "right"), ("right", "left")])
def test_one_element_between_two_symmetric_sides_moves_as_one(order):
    patch = flat(1, 8)
    numbers = equations(patch, dict.fromkeys(order, SYMMETRIC)).reshape(3, 10, 3)
    assert (numbers[:, :, 2] == numbers[0, :, 2]).all()
    assert (numbers[:, :, 1] == numbers[0, :, 1]).all()
    assert len(np.unique(numbers[0, :, 2])) == 10


@pytest.mark.parametrize("elements", [1, 2, 5])
def test_a_strip_between_symmetric_sides_bends_as_a_wide_plate(elements):
    """Clamped wide plate under pressure: w = q L^4 / 384 D (beam theory with D for E I)."""
    patch = flat(elements, 48)
    edges = {"left": SYMMETRIC, "right": SYMMETRIC, "bottom": HELD, "top": HELD}
    model = build_model(patch, STEEL, 1.0, edges)
    pressure = 1e-3
    load = AreaLoad(np.array([0.0, 0.0, pressure]))
    deepest = solve_linear(model, load, np.array([[5.0, 50.0]])).displacement[0, 2]
    stiffness = 200000.0 / 12 / (1 - 0.3**2)
    assert deepest == pytest.approx(pressure * 100.0**4 / 384 / stiffness, rel=0.01)


def test_a_surface_without_area_is_refused_not_divided_by():
    patch = flat(2, 2)
    model = build_model(patch, STEEL, 1.0, dict.fromkeys(SIDES, FREE))
    crushed = -patch.control
    assert model.internal(crushed, model.virgin(), True) is None
