"""How much strain a depth field must have cost, from its shape alone.

A quick look before any simulation. With the slopes g = grad d, the second derivatives H, the
first fundamental form I + g g^T and the curvature H / sqrt(1 + |g|^2):

    bending   t/2 * largest |principal curvature|             at the faces of the sheet
    membrane  largest principal value of (g g^T)/2 = |g|^2/2  if every point moved straight in

The panel is taken as flat beside the dent. The sheet slides in-plane, so the membrane value is
high for its place; neither sees strain that has been undone. Differential geometry of a graph.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.dent.field import Array, DepthField


@dataclass(frozen=True)
class ShapeStrain:
    """Strains estimated from the shape on a grid: x_mm (nx,), y_mm (ny,), the rest (ny, nx).

    ``bending`` at the faces, ``membrane`` of the mid-surface, both unsigned, no unit.
    """

    x_mm: Array
    y_mm: Array
    bending: Array
    membrane: Array

    @property
    def largest(self) -> float:
        """Largest sum of bending and membrane strain anywhere."""
        return float((self.bending + self.membrane).max())

    @property
    def largest_xy_mm(self) -> tuple[float, float]:
        """Where `largest` stands."""
        total = self.bending + self.membrane
        row, column = np.unravel_index(int(np.argmax(total)), total.shape)
        return float(self.x_mm[column]), float(self.y_mm[row])


def strain_from_shape(field: DepthField, thickness_mm: float, n: int = 121) -> ShapeStrain:
    """Bending and membrane strain of a depth field in a sheet of ``thickness_mm``.

    Central differences on an n x n grid over the damage's box, with a step of half the grid's.
    """
    x0, x1, y0, y1 = field.box_mm
    x, y = np.linspace(x0, x1, n), np.linspace(y0, y1, n)
    step = 0.5 * min(x[1] - x[0], y[1] - y[0])
    xx, yy = np.meshgrid(x, y)
    d = {(i, j): field(xx + i * step, yy + j * step) for i in (-1, 0, 1) for j in (-1, 0, 1)}
    gx, gy = (d[1, 0] - d[-1, 0]) / (2 * step), (d[0, 1] - d[0, -1]) / (2 * step)
    hxx = (d[1, 0] - 2 * d[0, 0] + d[-1, 0]) / step**2
    hyy = (d[0, 1] - 2 * d[0, 0] + d[0, -1]) / step**2
    hxy = (d[1, 1] - d[1, -1] - d[-1, 1] + d[-1, -1]) / (4 * step**2)
    square = 1.0 + gx**2 + gy**2
    mean = ((1 + gy**2) * hxx - 2 * gx * gy * hxy + (1 + gx**2) * hyy) / (2 * square**1.5)
    gauss = (hxx * hyy - hxy**2) / square**2
    curvature = np.abs(mean) + np.sqrt(np.clip(mean**2 - gauss, 0.0, None))
    return ShapeStrain(x, y, 0.5 * thickness_mm * curvature, 0.5 * (square - 1.0))
