"""Estimate of the strain in a dent from the shape of its depth field alone.

A quick estimate before any simulation. With the slopes g = grad d, the second derivatives H, the
first fundamental form I + g g^T and the curvature H / sqrt(1 + |g|^2):

    bending   t/2 * largest |principal curvature|     at the faces of the sheet
    membrane  the least strain, in the sense of elastic energy, that brings the sheet into the shape

The sheet is assumed free to move in its plane, so a shape with unchanged Gaussian curvature needs
no membrane strain. The remaining membrane strain follows from the change of that curvature alone
(compatibility of a shallow shell, von Karman and Marguerre; Phi is Airy's function over E):

    Phi,xxxx + 2 Phi,xxyy + Phi,yyyy = d,xy^2 - d,xx d,yy + d,yy / R_x + d,xx / R_y

solved on a plan three times as wide with periodic boundary conditions. Held edges increase the
strain. Neither part contains strain that was reversed, such as that of bending and unbending.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.dent.field import Array, DepthField


@dataclass(frozen=True)
class ShapeStrain:
    """Strains estimated from the shape on a grid: x_mm (nx,), y_mm (ny,), the rest (ny, nx).

    ``bending`` at the faces, ``membrane`` of the mid-surface (largest principal value), both
    unsigned, no unit.
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
        """Place of `largest`."""
        total = self.bending + self.membrane
        row, column = np.unravel_index(int(np.argmax(total)), total.shape)
        return float(self.x_mm[column]), float(self.y_mm[row])


POISSON = 0.3
PLAN_WIDTHS = 3
"""Width of the plan in which the sheet is free to move, over that of the damage."""


@dataclass(frozen=True)
class BeyondLaw:
    """A shape whose strain exceeds the range of the hardening law.

    Largest strain, limit of the law, place of the largest strain, share of the damage's box in
    which the limit is exceeded.
    """

    strain: float
    limit: float
    xy_mm: tuple[float, float]
    share: float

    def sentence(self) -> str:
        """One line for people."""
        x, y = self.xy_mm
        return (f"outside the law's range: by its shape the sheet is strained to about "
                f"{self.strain:.2f} near ({x:.0f}, {y:.0f}), the law reaches {self.limit:g}; "
                f"{100.0 * self.share:.2g} % of the damage lies beyond it and its stresses are "
                "extrapolated there")


def beyond_law(strain: ShapeStrain, limit: float) -> BeyondLaw | None:
    """Description of a shape whose strain exceeds the range of the sheet's law; else None."""
    total = strain.bending + strain.membrane
    if strain.largest <= limit:
        return None
    return BeyondLaw(strain.largest, limit, strain.largest_xy_mm, float((total > limit).mean()))


def strain_from_shape(field: DepthField, thickness_mm: float, n: int = 121,
                      radii_mm: tuple[float, float] = (np.inf, np.inf)) -> ShapeStrain:
    """Bending and membrane strain of a depth field in a sheet of ``thickness_mm``.

    ``radii_mm``: section radii of the undamaged panel along x and y, infinite where straight.
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
    # Larger absolute principal curvature: |H| + sqrt(H^2 - K).
    curvature = np.abs(mean) + np.sqrt(np.clip(mean**2 - gauss, 0.0, None))
    membrane = _least_membrane(
        hxy**2 - hxx * hyy + hyy / radii_mm[0] + hxx / radii_mm[1], x[1] - x[0], y[1] - y[0])
    return ShapeStrain(x, y, 0.5 * thickness_mm * curvature, membrane)


def _least_membrane(source: Array, dx: float, dy: float) -> Array:
    """Largest principal membrane strain that a change of Gaussian curvature (ny, nx) leaves a
    sheet that slides freely, unsigned."""
    ny, nx = source.shape
    wide = np.zeros((PLAN_WIDTHS * ny, PLAN_WIDTHS * nx))
    wide[:ny, :nx] = source
    kx = 2.0 * np.pi * np.fft.rfftfreq(PLAN_WIDTHS * nx, dx)[None, :]
    ky = 2.0 * np.pi * np.fft.fftfreq(PLAN_WIDTHS * ny, dy)[:, None]
    square = kx**2 + ky**2
    square[0, 0] = 1.0
    # The biharmonic operator is (kx^2 + ky^2)^2 in Fourier space; the mean of the source has no
    # solution on a periodic plan and is dropped (phi[0, 0] = 0).
    phi = np.fft.rfft2(wide) / square**2
    phi[0, 0] = 0.0
    xx, yy, xy = (-np.fft.irfft2(k * phi, s=wide.shape)[:ny, :nx]
                  for k in (kx**2, ky**2, kx * ky))
    # Hooke's law of plane stress with the stresses over E: s11 = Phi,yy, s22 = Phi,xx,
    # s12 = -Phi,xy. The last line is the larger absolute principal strain (Mohr's circle).
    e11, e22, e12 = yy - POISSON * xx, xx - POISSON * yy, -(1.0 + POISSON) * xy
    return np.abs(0.5 * (e11 + e22)) + np.hypot(0.5 * (e11 - e22), e12)
