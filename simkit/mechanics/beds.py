"""Spring beds behind the panel: foam, beams and braces that support its inner face."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import not_negative, positive
from simkit.errors import InputError
from simkit.mechanics.points import sheet_points
from simkit.shell.springs import SpringSet
from simkit.spline.patch import Patch

Array = NDArray[np.float64]


def spring_bed(
    patch: Patch, covers, stiffness_N_per_mm3: float, gap_mm: float = 0.0, bonded: bool = False
) -> SpringSet:
    """Spring bed behind the part of the panel where ``covers(x, y)`` is true.

    It presses on the inner face after the sheet has moved inwards by the gap; a bonded bed also
    pulls. The springs act on displacements along the reference normal.

    Raises
    ------
    InputError : a stiffness or gap below zero, or a bed that covers no point of the panel.
    """
    positive("stiffness_N_per_mm3", stiffness_N_per_mm3)
    not_negative("gap_mm", gap_mm)
    count = patch.basis_u.elements * patch.basis_v.elements
    points = sheet_points(patch, np.arange(count), 3)
    points = points.select(covers(points.place[:, 0], points.place[:, 1]))
    if points.area.size == 0:
        raise InputError("a support covers no point of the panel",
                         "a place on the panel, and elements no larger than the support")
    stiffness = (stiffness_N_per_mm3 * points.area)[:, None, None] * (
        points.normal[:, :, None] * points.normal[:, None, :])
    return SpringSet(points.element, points.shape, stiffness, -gap_mm * points.normal,
                     points.normal, one_sided=not bonded)
