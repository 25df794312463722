"""The finger's check. Truth: EXACT plate theory, and a cap that is known to snap."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.material.hardening import Sheet, Swift
from simkit.mechanics.model import build_model
from simkit.panel.edges import HELD, HINGED, SIDES
from simkit.panel.surface import Curvature, disc_patch
from simkit.repair.finger import finger_check

STEEL = Sheet("elastic", 210000.0, 0.3, Swift(1e6, 0.5, 0.2))


def disc(thickness: float, curvature: Curvature, edge, radius: float = 100.0):
    patch = disc_patch(radius, curvature, 5.0, 10.0, 2, 30.0)
    return build_model(patch, STEEL, thickness, dict.fromkeys(SIDES, edge), 3)


def test_press_on_a_clamped_round_plate():
    """Exact: P even over radius c at the middle of a clamped plate of radius b gives
    P (4 b^2 - 4 c^2 ln(b/c) - 3 c^2) / (64 pi D) (Timoshenko and Woinowsky-Krieger, section 16,
    from memory, checked by its limit P b^2 / (16 pi D) for c = 0)."""
    model = disc(2.0, Curvature(np.inf, np.inf), HELD)
    b, c = 100.0, 7.5
    plate = 210000.0 * 8.0 / (12.0 * 0.91)
    exact = (4 * b**2 - 4 * c**2 * np.log(b / c) - 3 * c**2) / (64 * np.pi * plate)
    check = finger_check(model, model.virgin(), 0.0, 0.0, 5.0)
    assert check.give_mm == pytest.approx(5.0 * exact, rel=0.01)
    assert check.first_N_per_mm == pytest.approx(1.0 / exact, rel=0.01)
    assert not check.snaps


def test_shallow_thin_cap_snaps_and_a_thick_one_does_not():
    """A shallow cap snaps where its geometry parameter is well above four (Budiansky 1959, from
    memory); 0.3 mm: (12 0.91)^(1/4) b / sqrt(R t) = 8.6; 2 mm: 3.3."""
    curvature = Curvature(1500.0, 1500.0, round_cap=True)
    thin = disc(0.3, curvature, HINGED)
    check = finger_check(thin, thin.virgin(), 0.0, 0.0)
    assert check.snaps
    thick = disc(2.0, curvature, HINGED)
    check = finger_check(thick, thick.virgin(), 0.0, 0.0)
    assert not check.snaps
    assert check.force_N == 30.0


def test_bad_press_is_refused():
    model = disc(1.0, Curvature(np.inf, np.inf), HELD)
    with pytest.raises(InputError, match="force_N 0"):
        finger_check(model, model.virgin(), 0.0, 0.0, 0.0)
