"""Maps of what is in the sheet, against states with a known answer."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import logm

from simkit.inspection.sheetmaps import log_strain_of, sheet_maps
from simkit.material.grades import load_grade
from simkit.mechanics.model import State, build_model
from simkit.panel.edges import EDGES, SIDES
from simkit.panel.surface import Curvature, rectangle_patch

THICKNESS = 0.8


def flat_model():
    patch = rectangle_patch((-30.0, 30.0), (-20.0, 20.0), Curvature(), 10.0, 10.0)
    return build_model(patch, load_grade("DC04").sheet(), THICKNESS,
                       dict.fromkeys(SIDES, EDGES["held"]), layers=5)


def test_the_virgin_sheet_holds_nothing():
    model = flat_model()
    for name, values in sheet_maps(model, model.virgin()).items():
        assert np.abs(values).max() < 1e-9, name
        assert values.shape == (6, 4)


def test_even_stretch_is_the_closed_form():
    """Even biaxial stretch 1 + e of an elastic sheet: log strain ln(1 + e) both ways, stress
    E / (1 - nu) of it, which is also the von Mises stress; Green-Lagrange strain e + e^2 / 2."""
    model, e = flat_model(), 4e-4
    displacement = np.zeros_like(model.patch.control)
    displacement[:, :2] = e * model.patch.control[:, :2]
    maps = sheet_maps(model, State(displacement, model.virgin().points.copy()))
    stress = model.sheet.E_MPa / (1.0 - model.sheet.nu) * np.log1p(e)
    for side in ("outer", "inner"):
        assert maps[f"residual_{side}_MPa"] == pytest.approx(np.full((6, 4), stress), rel=1e-9)
    assert maps["paint_strain"] == pytest.approx(np.full((6, 4), e + 0.5 * e * e), rel=1e-9)


def test_thinning_is_the_loss_of_an_incompressible_sheet():
    """Area grown by a tenth, volume kept: the thickness falls by 1 - 1 / 1.1."""
    model = flat_model()
    points = model.virgin().points.copy()
    points[..., 0] = np.log(1.1)
    points[2, 1, 3, 3] = 0.07
    maps = sheet_maps(model, State(np.zeros_like(model.patch.control), points))
    assert maps["thinning_pct"] == pytest.approx(np.full((6, 4), 100.0 * (1.0 - 1.0 / 1.1)))
    assert maps["plastic_strain"][0, 2] == 0.07
    assert np.count_nonzero(maps["plastic_strain"]) == 1


def test_log_strain_is_half_the_matrix_logarithm():
    """ln(I + 2E) / 2 by scipy."""
    rng = np.random.default_rng(3)
    for size in (1e-6, 1e-3, 0.1):
        a = size * rng.standard_normal((2, 2))
        E = 0.5 * (a + a.T)
        H = 0.5 * logm(np.eye(2) + 2.0 * E)
        found = log_strain_of(np.array([E[0, 0] + E[1, 1], E[0, 0] - E[1, 1], 2.0 * E[0, 1]]))
        wanted = [H[0, 0] + H[1, 1], H[0, 0] - H[1, 1], 2.0 * H[0, 1]]
        assert found == pytest.approx(wanted, rel=1e-6)
