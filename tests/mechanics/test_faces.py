"""Where the faces of a thinned sheet lie. Truth: plastic flow keeps the volume. EXACT."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from simkit.material.hardening import Sheet, Swift
from simkit.mechanics.contact.tips import face_offset
from simkit.mechanics.model import State, build_model
from simkit.panel.edges import FREE, SIDES
from simkit.panel.shapes import height_patch

THICKNESS_MM = 0.8


@pytest.mark.parametrize("stretch", [1.05, 0.97])
def test_plastic_area_strain_thins_the_sheet_by_as_much(stretch):
    """Equal biaxial strain h each way beyond yield: 2 h = p + 2 (1 - nu) q(p) / E, where the
    plastic area strain and, the volume being kept, the plastic loss of thickness are p, with the
    sign of h."""
    law = Swift(560.0, 0.006, 0.24)
    sheet = Sheet("swift", 206000.0, 0.3, law)
    patch = height_patch(lambda x, y: 0 * x, np.linspace(0, 40, 5), np.linspace(0, 30, 4))
    model = build_model(patch, sheet, THICKNESS_MM, dict.fromkeys(SIDES, FREE))
    field = patch.control * np.array([stretch - 1.0, stretch - 1.0, 0.0])
    part = model.internal(field, model.virgin(), False)
    half = face_offset(model, State(field, part.points), np.arange(model.geometry.elements))

    def excess(p):
        flow = 560.0 * (0.006 + p) ** 0.24
        return p + 2.0 * 0.7 * flow / 206000.0 - 2.0 * abs(np.log(stretch))

    p = brentq(excess, 0.0, 0.2, xtol=1e-14)
    assert p > 0.04
    expected = 0.5 * THICKNESS_MM * np.exp(-np.sign(stretch - 1.0) * p)
    assert half == pytest.approx(expected, rel=1e-8)
