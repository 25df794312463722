"""What a panel's radii may be."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.panel.surface import Curvature


@pytest.mark.parametrize("radii", [(0.0, 500.0), (500.0, -1.0), (float("nan"), 500.0)])
def test_a_radius_that_is_none_is_refused(radii):
    with pytest.raises(InputError, match="radius_"):
        Curvature(*radii)


def test_a_straight_section_has_no_height():
    x = np.linspace(-50.0, 50.0, 5)
    assert Curvature(np.inf, 300.0).height(x, 0.0 * x) == pytest.approx(0.0 * x)
