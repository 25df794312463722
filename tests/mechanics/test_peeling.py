"""Whether the glue or the panel gave way under a tab.

Truth: exact; a fall of force without loss of glue is the panel's.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from simkit.mechanics.contact.engagement import GluedTab
from simkit.mechanics.stepping import parting

NONE = np.zeros((0, 3))


def tab(peak_damage: float) -> GluedTab:
    """A tab that has met 200 N, its glue having lost a share of its strength by then."""
    return GluedTab(points=None, law=NONE, rest=NONE, modes=NONE, bending=np.zeros((0, 0)),
                    axis=np.array([0.0, 0.0, 1.0]), frame=np.eye(3), damage=np.zeros(0),
                    peak_N=200.0, peak_damage=peak_damage)


@pytest.mark.parametrize(("force_N", "damage", "peeled"), [
    (90.0, 0.001, False),  # the panel goes over: a point of the rim has hardly been hurt
    (90.0, 0.30, True),
    (190.0, 0.30, False),  # still carries
])
def test_a_panel_that_goes_over_is_no_peeling(force_N: float, damage: float,
                                              peeled: bool) -> None:
    now = SimpleNamespace(reading=SimpleNamespace(force_N=force_N, damage=damage))
    assert parting.peeled_off(tab(0.0), now) is peeled
