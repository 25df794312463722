"""A panel whose modulus falls with plastic strain: elements that have flowed are handed from the
bundles to the full kernel. Truth: the full kernel for all elements, IDENTITY; balance of energy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simkit.inspection.sampling import point_on
from simkit.inspection.sheetmaps import sheet_maps
from simkit.material.grades import load_grade
from simkit.material.hardening import ModulusFall
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.tool.bodies import ball

PLAIN = load_grade("DC04").sheet()
FALLS = replace(PLAIN, modulus_fall=ModulusFall(0.8, 60.0))


def struck(sheet):
    """A small panel struck by a ball and let go."""
    patch = rectangle_patch((-60.0, 60.0), (-50.0, 50.0), Curvature(900.0, 700.0), 8.0, 8.0)
    model = build_model(patch, sheet, 0.8, dict.fromkeys(SIDES, HELD))
    state = model.virgin()
    at, normal = point_on(model, state, 0.0, 0.0)
    tip = set_tip(model, state, ball(20.0), at, -normal, 8.0)
    return model, advance(model, state, Load(tip, 4.0), AdvanceSettings(largest_mm=0.5))


@pytest.fixture(scope="module")
def done():
    return {name: struck(sheet) for name, sheet in
            (("plain", PLAIN), ("falls", FALLS),
             ("share 1", replace(PLAIN, modulus_fall=ModulusFall(1.0, 60.0))))}


def test_bundles_hand_over_what_has_flowed(done):
    model, after = done["falls"]
    state = after.state
    assert (state.points[..., 3] > 1e-3).any()
    moved = 1.001 * state.displacement
    for elastic in (None, model.elastic_law()):
        quick = model.internal(moved, state, False, elastic=elastic)
        full = model.internal(moved, state, True, elastic=elastic)
        assert np.abs(quick.force - full.force).max() < 1e-9 * np.abs(full.force).max()
        assert quick.stored == pytest.approx(full.stored, rel=1e-10)


def test_books_balance_and_the_panel_comes_back_further(done):
    depth = {name: float(-after.state.displacement[:, 2].min())
             for name, (_, after) in done.items()}
    assert abs(done["falls"][1].energy_error_pct) < 1.0
    assert depth["falls"] < 0.99 * depth["plain"]
    assert depth["share 1"] == pytest.approx(depth["plain"], rel=2e-3)


def test_the_map_of_stress_knows_the_fallen_modulus(done):
    """Residual stress by the map against E(p) / E times that with the modulus at rest."""
    model, after = done["falls"]
    plain = replace(model, sheet=PLAIN)
    one, other = (sheet_maps(m, after.state)["residual_outer_MPa"] for m in (model, plain))
    assert (one <= other * (1.0 + 1e-12)).all()
    assert one.max() < 0.99 * other.max()
    assert (one >= 0.8 * other - 1e-9).all()
