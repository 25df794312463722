"""Moving mass of a sheet, energy of a blow. Truth: EXACT, Rayleigh's shapes and momentum.

A hinged beam struck at mid-span counts 17/35 of its mass, a clamped round plate struck at its
centre the integral of its deflection squared; perfectly plastic impact keeps the momentum.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from simkit.errors import InputError
from simkit.material.hardening import Sheet, Swift
from simkit.mechanics.impact import moving_mass_g, received_mJ, speed_of_drop
from simkit.mechanics.model import build_model
from simkit.panel.edges import FREE, HELD, HINGED, SIDES
from simkit.panel.surface import Curvature, disc_patch, rectangle_patch

FLAT = Curvature(np.inf, np.inf)


def struck(model, at):
    """1 N at the control points next to a place, outwards, and the elastic tangent."""
    u, v, _ = model.patch.locate(np.array([at[0]]), np.array([at[1]]))
    row = model.patch.evaluation(u, v)
    nodal = np.zeros_like(model.patch.control)
    nodal[row.indices, 2] = row.data
    state, elastic = model.virgin(), model.elastic_law()
    part = model.internal(state.displacement, state, False, elastic=elastic)
    data = model.tangent(state.displacement, state, part, elastic, "impact", renew=True)
    solver = model.factorisation("impact")
    solver.factor(data)
    return moving_mass_g(model, nodal, solver)


def test_a_hinged_beam_counts_seventeen_thirty_fifths():
    sheet = Sheet("plain", 200000.0, 0.0, Swift(1e9, 0.5, 0.1), density_kg_m3=5000.0)
    patch = rectangle_patch((-80.0, 80.0), (-3.0, 3.0), FLAT, 4.0, 3.0)
    model = build_model(patch, sheet, 1.0, {"left": HINGED, "right": HINGED, "bottom": FREE,
                                            "top": FREE}, 3)

    def shape(x):  # deflection of the left half over that of the middle, x from the end over L
        return 3.0 * x - 4.0 * x**3

    share = 2.0 * quad(lambda x: shape(x) ** 2, 0.0, 0.5)[0]
    assert share == pytest.approx(17.0 / 35.0, rel=1e-12)
    whole = 5000.0e-6 * 160.0 * 6.0
    assert struck(model, (0.0, 0.0)) == pytest.approx(share * whole, rel=0.01)


def test_a_clamped_round_plate_counts_its_deflection_squared():
    """w = 1 - s + s ln s with s = (r/a)^2 under a central point force (Kirchhoff's plate)."""
    sheet = Sheet("steel", 206000.0, 0.3, Swift(500.0, 0.005, 0.2))
    patch = disc_patch(60.0, FLAT, 5.0, 5.0, 2, 60.0)
    model = build_model(patch, sheet, 0.5, dict.fromkeys(SIDES, HELD), 3)
    share = quad(lambda s: (1.0 - s + s * np.log(s)) ** 2, 0.0, 1.0)[0]
    whole = 7850.0e-6 * np.pi * 60.0**2 * 0.5
    assert share == pytest.approx(7.0 / 54.0, rel=1e-6)
    assert struck(model, (0.0, 0.0)) == pytest.approx(share * whole, rel=0.03)


def test_a_curved_panel_moves_less_of_itself():
    sheet = Sheet("steel", 206000.0, 0.3, Swift(500.0, 0.005, 0.2))
    found = []
    for radius in (np.inf, 600.0):
        patch = rectangle_patch((-100.0, 100.0), (-80.0, 80.0), Curvature(radius, radius), 8.0, 8.0)
        model = build_model(patch, sheet, 0.8, dict.fromkeys(SIDES, HELD), 3)
        found.append(struck(model, (5.0, 3.0)))
    assert found[1] < 0.5 * found[0]


def test_the_impact_keeps_the_momentum_and_loses_the_rest():
    kept, lost = received_mJ(200.0, 0.5, 40.0, 10.0)
    after = 200.0 * 0.5 / 250.0
    assert kept == pytest.approx(0.5 * 250.0 * after**2, rel=1e-12)
    assert kept + lost == pytest.approx(0.5 * 200.0 * 0.5**2, rel=1e-12)
    assert received_mJ(200.0, 0.5, 0.0, 0.0)[1] == pytest.approx(0.0, abs=1e-12)
    assert speed_of_drop(100.0) == pytest.approx(np.sqrt(2.0 * 9.80665 * 0.1), rel=1e-12)
    for wrong in ((0.0, 0.5, 0.0, 0.0), (200.0, 0.0, 0.0, 0.0), (200.0, 0.5, -1.0, 0.0)):
        with pytest.raises(InputError):
            received_mJ(*wrong)
