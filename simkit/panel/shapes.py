"""Mapped patches beside the plan-rectangular ones: cylinders, spheres, sectors, height maps.

Every builder takes the element borders ("breaks") of both parameters, so that grading is the
caller's. Angles in radians, lengths in mm. Normals point outward (up for flat ones).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from simkit.panel.surface import Curvature
from simkit.spline.basis import Basis
from simkit.spline.patch import Patch, SurfaceMap

Array = NDArray[np.float64]
Height = Callable[[Array, Array], Array]
"""Takes plan positions x, y (n,), mm; gives z (n,), mm."""


def mapped_patch(mapping: SurfaceMap, breaks_u: Array, breaks_v: Array, degree: int = 2) -> Patch:
    """Patch of any smooth map of the parameters (u, v), interpolated at the Greville points."""
    return Patch.from_map(mapping, Basis.from_breaks(breaks_u, degree),
                          Basis.from_breaks(breaks_v, degree))


def height_patch(height: Height, breaks_x: Array, breaks_y: Array, degree: int = 2) -> Patch:
    """Surface z = height(x, y) over a rectangle; parameters are x and y."""
    def surface(x: Array, y: Array) -> Array:
        return np.stack([x, y, height(x, y)], axis=1)

    return mapped_patch(surface, breaks_x, breaks_y, degree)


def hypar_patch(breaks_x: Array, breaks_y: Array, scale_mm: float, degree: int = 2) -> Patch:
    """Hyperbolic paraboloid z = (x^2 - y^2) / scale; exact in degree 2 and above."""
    return height_patch(lambda x, y: (x**2 - y**2) / scale_mm, breaks_x, breaks_y, degree)


def cylinder_patch(radius_mm: float, angles: Array, breaks_y: Array, degree: int = 2) -> Patch:
    """Circular cylinder about the y axis; u is the angle from the crown (0, y, radius).

    x = R sin u, z = R cos u.
    """
    def surface(angle: Array, y: Array) -> Array:
        return np.stack([radius_mm * np.sin(angle), y, radius_mm * np.cos(angle)], axis=1)

    return mapped_patch(surface, angles, breaks_y, degree)


def sphere_patch(radius_mm: float, polar: Array, azimuth: Array, degree: int = 2) -> Patch:
    """Sphere about the origin; u is the angle from the z axis, v the azimuth from x.

    Where u begins at 0 the left side is a pole (:data:`simkit.panel.edges.POLE`).
    """
    def surface(u: Array, v: Array) -> Array:
        ring = radius_mm * np.sin(u)
        return np.stack([ring * np.cos(v), ring * np.sin(v), radius_mm * np.cos(u)], axis=1)

    return mapped_patch(surface, polar, azimuth, degree)


def polar_patch(radii: Array, azimuth: Array, curvature: Curvature | None = None,
                degree: int = 2) -> Patch:
    """Annulus, disc or sector in plan: u is the radius, v the azimuth from x.

    Where the radii begin at 0 the left side is a pole; ``curvature`` lifts it off the plane.
    """
    bulge = curvature or Curvature()

    def surface(r: Array, angle: Array) -> Array:
        x, y = r * np.cos(angle), r * np.sin(angle)
        return np.stack([x, y, bulge.height(x, y)], axis=1)

    return mapped_patch(surface, radii, azimuth, degree)
