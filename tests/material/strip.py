"""A strip cut at an angle to the rolling direction and pulled, by the law of rolled sheet."""

from __future__ import annotations

import numpy as np

from simkit.material.anisotropic import update_anisotropic
from simkit.material.j2 import state_size
from simkit.material.packing import pack_sheet


def pulled(sheet, angle, strain, steps):
    """Stress and r of a strip cut at an angle and pulled to a strain in equal steps."""
    packed = pack_sheet(sheet)
    state, e = np.zeros(state_size(packed)), np.zeros(3)
    c2, s2 = np.cos(2 * angle), np.sin(2 * angle)
    axial = np.array([0.5, 0.5 * c2, 0.5 * s2])  # strain along the strip
    across = np.array([0.5, -0.5 * c2, -0.5 * s2])
    free = np.array([[1.0, -c2, -s2], [0.0, -s2, c2]])  # stress across and in shear
    for wanted in np.linspace(0.0, strain, steps + 1)[1:]:
        for _ in range(60):
            new, t, c = np.empty_like(state), np.empty(3), np.empty((3, 3))
            update_anisotropic(e, state, new, t, c, packed, False, True)
            gap = np.append(free @ t, axial @ e - wanted)
            if np.abs(gap).max() < 1e-9:
                break
            e = e - np.linalg.solve(np.vstack([free @ c, axial]), gap)
        assert np.abs(gap).max() < 1e-8
        state = new
    wide, thick = across @ state[:3], -state[0]
    return t[0] + c2 * t[1] + s2 * t[2], wide / thick
