"""Rigid tool bodies: a flat convex core, extended on all sides by a nose radius.

Every body is the set of points within `nose_radius_mm` of its core: a point makes a ball, a segment
a rounded cylinder or a blade, a disc a flat round nose, a rectangle a block. The core lies in the
local plane z = 0, a segment along local x; local z is the tool's axis. The tool works towards -z:
its foremost face is z = -nose_radius_mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simkit.errors import InputError

Array = NDArray[np.float64]
Core = Literal["point", "segment", "disc", "rectangle"]

CORE_CODES: dict[str, int] = {core: code for code, core in enumerate(get_args(Core))}
"""Number of each core for the contact kernel: 0 point, 1 segment, 2 disc, 3 rectangle."""

SIZES: dict[str, tuple[str, ...]] = {
    "point": (),
    "segment": ("half_length_mm",),
    "disc": ("core_radius_mm",),
    "rectangle": ("half_length_mm", "half_width_mm"),
}
"""Sizes that each core has; the others stay 0."""


@dataclass(frozen=True)
class RigidBody:
    """Rigid body of core and nose radius.

    Attributes
    ----------
    core : shape of the core.
    nose_radius_mm : distance of the body's surface from the core, > 0.
    half_length_mm : of a segment or rectangle, along local x.
    half_width_mm : of a rectangle, along local y.
    core_radius_mm : of a disc.
    """

    core: Core
    nose_radius_mm: float
    half_length_mm: float = 0.0
    half_width_mm: float = 0.0
    core_radius_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.core not in CORE_CODES:
            raise InputError(f"tool core '{self.core}'", "one of " + ", ".join(CORE_CODES))
        _positive("nose_radius_mm", self.nose_radius_mm)
        for name in ("half_length_mm", "half_width_mm", "core_radius_mm"):
            value = getattr(self, name)
            if name in SIZES[self.core]:
                _positive(name, value)
            elif value != 0.0:
                raise InputError(f"{name} {value:g} on a {self.core} core", "leave it out",
                                 key=name)

    @property
    def code(self) -> int:
        """Number of the core for the contact kernel."""
        return CORE_CODES[self.core]

    @property
    def reach_mm(self) -> float:
        """Largest distance of a point of the body from the middle of its core."""
        return self.nose_radius_mm + self.core_radius_mm + math.hypot(
            self.half_length_mm, self.half_width_mm)

    def packed(self) -> Array:
        """[nose radius, half length, half width, core radius], mm, for the contact kernel."""
        return np.array([self.nose_radius_mm, self.half_length_mm, self.half_width_mm,
                         self.core_radius_mm])

    def nearest_core_point(self, points_local: ArrayLike) -> Array:
        """Nearest point of the core to each point; shapes (..., 3), mm, local frame."""
        points = np.asarray(points_local, dtype=float)
        nearest = np.zeros_like(points)
        if self.core == "disc":
            rho = np.hypot(points[..., 0], points[..., 1])
            shrink = self.core_radius_mm / np.maximum(rho, self.core_radius_mm)
            nearest[..., :2] = points[..., :2] * shrink[..., None]
        else:
            # Also right for a point and a segment: their unused half sizes are zero.
            nearest[..., 0] = np.clip(points[..., 0], -self.half_length_mm, self.half_length_mm)
            nearest[..., 1] = np.clip(points[..., 1], -self.half_width_mm, self.half_width_mm)
        return nearest

    def signed_distance(self, points_local: ArrayLike) -> Array:
        """Distance to the body's surface, mm, negative inside; points (..., 3) in the local frame.

        Exact everywhere, as the surface is the parallel surface of a convex core: distance to the
        core less the nose radius.
        """
        points = np.asarray(points_local, dtype=float)
        gap = points - self.nearest_core_point(points)
        return np.linalg.norm(gap, axis=-1) - self.nose_radius_mm


def ball(radius_mm: float) -> RigidBody:
    """Ball of the given radius."""
    return RigidBody("point", radius_mm)


def rounded_cylinder(radius_mm: float, length_mm: float) -> RigidBody:
    """Cylinder lying along local x with half balls as ends; `length_mm` over all."""
    return RigidBody("segment", radius_mm, half_length_mm=_less(
        "length_mm", length_mm, 2.0 * radius_mm) / 2.0)


def blade(edge_radius_mm: float, length_mm: float) -> RigidBody:
    """Straight edge along local x, rounded by `edge_radius_mm`; `length_mm` over all."""
    return rounded_cylinder(edge_radius_mm, length_mm)


def flat_nose(radius_mm: float, nose_mm: float) -> RigidBody:
    """Flat round face of outer radius `radius_mm`, its rim rounded by `nose_mm`."""
    return RigidBody("disc", nose_mm, core_radius_mm=_less("radius_mm", radius_mm, nose_mm))


def block(length_mm: float, width_mm: float, nose_mm: float) -> RigidBody:
    """Flat rectangular face, `length_mm` by `width_mm` over all, rounded by `nose_mm`."""
    return RigidBody("rectangle", nose_mm,
                     half_length_mm=_less("length_mm", length_mm, 2.0 * nose_mm) / 2.0,
                     half_width_mm=_less("width_mm", width_mm, 2.0 * nose_mm) / 2.0)


def _less(name: str, size: float, rounding: float) -> float:
    """Size of the core: size of the body less its rounding, mm."""
    if not rounding < size < math.inf:
        raise InputError(f"{name} {size:g}", f"larger than its rounding of {rounding:g} mm",
                         key=name)
    return size - rounding


def _positive(name: str, value: float) -> None:
    if not 0 < value < math.inf:
        raise InputError(f"{name} {value:g}", "a positive number", key=name)
