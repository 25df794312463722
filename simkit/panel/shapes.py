"""Mapped patches beside the plan-rectangular ones: cylinders, spheres, sectors, height maps.

Every builder takes the element borders ("breaks") of both parameters; the caller decides how
element sizes vary. Angles in radians, lengths in mm. Normals point outward (up for flat ones).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import positive, rising, whole
from simkit.errors import InputError
from simkit.panel.surface import Curvature
from simkit.spline.basis import Basis
from simkit.spline.patch import Patch, SurfaceMap

Array = NDArray[np.float64]
Height = Callable[[Array, Array], Array]
"""Takes plan positions x, y (n,), mm; gives z (n,), mm."""


def _turn(name: str, angles: Array, least: float, most: float) -> None:
    """Refuse angles outside [least, most] or over more than one turn, as degrees would be."""
    found = rising(name, angles)
    slack = 1e-9
    if found[0] < least - slack or found[-1] > most + slack or np.ptp(found) > 2 * np.pi + slack:
        raise InputError(f"{name} from {found[0]:g} to {found[-1]:g}",
                         f"radians, between {least:.4g} and {most:.4g}, one turn at most",
                         key=name)


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

    Raises
    ------
    InputError : no radius, angles beyond one turn.
    """
    positive("radius_mm", radius_mm)
    _turn("angles", angles, -np.pi, 2.0 * np.pi)
    def surface(angle: Array, y: Array) -> Array:
        return np.stack([radius_mm * np.sin(angle), y, radius_mm * np.cos(angle)], axis=1)

    return mapped_patch(surface, angles, breaks_y, degree)


def closed_cylinder_patch(radius_mm: float, elements: int, breaks_y: Array,
                          degree: int = 2) -> Patch:
    """Whole circular cylinder about the y axis, closed without a seam: see :func:`cylinder_patch`.

    ``elements`` around, of equal size. Only its ends at the bottom and the top can be held.

    Raises
    ------
    InputError : no radius, too few elements to close the ring.
    """
    positive("radius_mm", radius_mm)
    whole("elements", elements, degree + 2)

    def surface(angle: Array, y: Array) -> Array:
        return np.stack([radius_mm * np.sin(angle), y, radius_mm * np.cos(angle)], axis=1)

    around = Basis.closed_from_breaks(np.linspace(0.0, 2.0 * np.pi, elements + 1), degree)
    return Patch.from_map(surface, around, Basis.from_breaks(breaks_y, degree))


def sphere_patch(radius_mm: float, polar: Array, azimuth: Array, degree: int = 2) -> Patch:
    """Sphere about the origin; u is the angle from the z axis, v the azimuth from x.

    Where u begins at 0 the left side is a pole (:data:`simkit.panel.edges.POLE`).

    Raises
    ------
    InputError : no radius, polar angles beyond half a turn, azimuths beyond one.
    """
    positive("radius_mm", radius_mm)
    _turn("polar angles", polar, 0.0, np.pi)
    _turn("azimuths", azimuth, -2.0 * np.pi, 2.0 * np.pi)
    def surface(u: Array, v: Array) -> Array:
        ring = radius_mm * np.sin(u)
        return np.stack([ring * np.cos(v), ring * np.sin(v), radius_mm * np.cos(u)], axis=1)

    return mapped_patch(surface, polar, azimuth, degree)


def polar_patch(radii: Array, azimuth: Array, curvature: Curvature | None = None,
                degree: int = 2) -> Patch:
    """Annulus, disc or sector in plan: u is the radius, v the azimuth from x.

    Where the radii begin at 0 the left side is a pole; ``curvature`` lifts it off the plane.

    Raises
    ------
    InputError : a radius below zero, azimuths beyond one turn.
    """
    if rising("radii", radii)[0] < 0.0:
        raise InputError(f"radii begin at {np.min(radii):g} mm", "zero or a positive number",
                         key="radii")
    _turn("azimuths", azimuth, -2.0 * np.pi, 2.0 * np.pi)
    bulge = curvature or Curvature()

    def surface(r: Array, angle: Array) -> Array:
        x, y = r * np.cos(angle), r * np.sin(angle)
        return np.stack([x, y, bulge.height(x, y)], axis=1)

    return mapped_patch(surface, radii, azimuth, degree)
