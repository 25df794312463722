"""Laws and kinematics at one point: identities that hold for any strain.

Truth: EXACT. Logarithmic strain of principal stretches; a turned frame turns the answer; what
yields meets its flow stress; plastic work is never given back.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.material.hardening import Backstress, Sheet, Swift, Voce
from simkit.material.j2 import BACKSTRESS_OFFSET, state_size, update_point
from simkit.material.packing import pack_sheet
from simkit.shell.logstrain import log_strain

SHEETS = [Sheet("swift", 206000.0, 0.3, Swift(500.0, 0.005, 0.2)),
          Sheet("voce, two backstresses", 70000.0, 0.33, Voce(120.0, 250.0, 12.0, 30.0),
                (Backstress(9000.0, 200.0), Backstress(900.0, 15.0)))]
STRAIN = st.tuples(*[st.floats(-0.03, 0.03)] * 3)
ANGLE = st.floats(-np.pi, np.pi)
FEW = settings(max_examples=40, deadline=None)


def turned(triple, angle):
    """(s, d, g) of a frame turned by an angle: the deviator turns twice as far."""
    s, d, g = triple
    c, n = np.cos(2.0 * angle), np.sin(2.0 * angle)
    return np.array([s, c * d + n * g, c * g - n * d])


def point(law, strain, old=None):
    """Stress, tangent and new state of a point."""
    old = np.zeros(state_size(law)) if old is None else old
    new, stress, tangent = np.empty_like(old), np.empty(3), np.empty((3, 3))
    update_point(np.asarray(strain, dtype=float), old, new, stress, tangent, law, np.empty(9),
                 True, True)
    return stress, tangent, new


def mises(stress, state, law):
    """Von Mises size of stress less backstress; the stress comes as work conjugates."""
    s, d, g = 2.0 * stress[0], 2.0 * stress[1], stress[2]
    for term in range(int(law[3])):
        back = state[BACKSTRESS_OFFSET + 3 * term:BACKSTRESS_OFFSET + 3 * term + 3]
        s, d, g = s - back[0], d - back[1], g - back[2]
    return np.sqrt(0.25 * s * s + 0.75 * d * d + 3.0 * g * g)


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.name)
@FEW
@given(strain=STRAIN, angle=ANGLE)
def test_a_point(sheet, strain, angle):
    law = pack_sheet(sheet)
    stress, tangent, new = point(law, strain)
    flow = float(sheet.hardening.stress(np.array([new[3]]))[0])
    assert new[3] >= 0.0
    assert new[4] >= 0.0
    assert mises(stress, new, law) <= flow * (1.0 + 1e-9)
    if new[3] > 0.0:
        assert mises(stress, new, law) == pytest.approx(flow, rel=1e-9)
        assert new[4] > 0.0
    assert tangent == pytest.approx(tangent.T)
    assert np.linalg.eigvalsh(tangent).min() > 0.0
    again, _, same = point(law, strain, new)  # nothing moves: nothing more yields
    assert again == pytest.approx(stress, rel=1e-9, abs=1e-9)
    assert same == pytest.approx(new, rel=1e-9, abs=1e-12)
    other, _, there = point(law, turned(strain, angle))
    assert other == pytest.approx(turned(stress, angle), rel=1e-8, abs=1e-7)
    assert there[3:5] == pytest.approx(new[3:5], rel=1e-8, abs=1e-12)


@FEW
@given(st.floats(0.7, 1.5), st.floats(0.7, 1.5), ANGLE)
def test_logarithmic_strain_of_principal_stretches(one, two, angle):
    green = np.array([0.5 * (one**2 - 1.0), 0.5 * (two**2 - 1.0)])
    strain = turned((green.sum(), green[0] - green[1], 0.0), angle)
    found, first = np.empty(3), np.empty((3, 3))
    assert log_strain(strain, found, first)[0] > 0.0
    wanted = turned((np.log(one * two), np.log(one / two), 0.0), angle)
    assert found == pytest.approx(wanted, rel=1e-9, abs=1e-12)
    step = 1e-6
    for k in range(3):
        moved = strain + step * np.eye(3)[k]
        back, _ = np.empty(3), log_strain(strain - step * np.eye(3)[k], found, np.empty((3, 3)))
        log_strain(moved, back, np.empty((3, 3)))
        assert first[:, k] == pytest.approx((back - found) / (2.0 * step), rel=1e-5, abs=1e-6)
