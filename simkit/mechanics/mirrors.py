"""Planes of symmetry of a model, and the force on the whole panel from that on its modelled part.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import number, numbers
from simkit.mechanics.model import Model
from simkit.panel.edges import side_points, symmetry_axis

Array = NDArray[np.float64]
SAME_PLANE_SHARE = 1e-6
"""Distance from a plane of symmetry, over the size of the panel, below which it counts as zero."""


def mirror_planes(model: Model) -> list[tuple[int, float]]:
    """Planes of symmetry at the sides of the model: (axis normal to the plane, coordinate, mm)."""
    planes = []
    for side, edge in model.edges.items():
        if edge.symmetric:
            axis = symmetry_axis(model.patch, side)
            at = model.patch.control[side_points(model.patch, side), axis]
            planes.append((axis, float(at.mean())))
    return planes


def whole_force(model: Model, force_N: float, place: Array) -> float:
    """Force of the whole tool, N, of which ``force_N`` acts on the modelled part of the panel.

    A tool whose axis lies in a plane of symmetry acts on both sides of it. The force is doubled for
    each plane that contains ``place`` (3,), a point of the tool axis in mm: a quarter panel that is
    pressed in the middle carries a quarter of the force. A tool away from the planes has all its
    force on the modelled part; the other parts have mirror images of the tool.
    """
    at, size = numbers("place", place, (3,)), float(np.ptp(model.patch.control, axis=0).max())
    over = sum(abs(at[axis] - where) <= SAME_PLANE_SHARE * size
               for axis, where in mirror_planes(model))
    return float(number("force_N", force_N) * 2**over)
